"""A match in front of the device, kept in a folder: dump, looks and profile; it can be taken up again.

dump.csv        the snapshots of registers so far
lines.txt       or the lines of text that the device has sent, while somebody sat before it
seen.toml       what the display showed beside them
profile.toml    what has been found so far, written anew after each look; none while nothing is sure enough
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from monitor.errors import MatchError, Problem
from monitor.match.answer import Answer, match
from monitor.match.dump import load_dump
from monitor.match.field_profile import field_profile_text
from monitor.match.fields import Lines, load_lines, match_lines
from monitor.match.habits import SOUGHT
from monitor.match.profile import profile_text
from monitor.match.seen import OUTPUT, Look, Moments, load_seen
from monitor.whole_file import write_whole


def write_file(path: Path, text: str) -> None:
    """Write a file whole or leave what was there, as on a full disk. Raises MatchError."""
    try:
        write_whole(path, text)
    except OSError as fault:
        raise _unwritten(path, fault) from fault


def _unwritten(path: Path, fault: OSError) -> MatchError:
    told = f"cannot be written ({fault.strerror}); check the folder, its rights and its room"
    return MatchError(str(path), (Problem("file", None, told),))


@contextmanager
def folder_of(match: Path) -> Iterator[None]:
    """Make the folder of a match and see that it takes files, before anybody reads a display. What was made
    and is still empty in the end goes again, so that a match that never came to a look leaves nothing
    behind.

    Raises MatchError.
    """
    trial = match / "trial.new"
    made = [folder for folder in (match, *match.parents) if not folder.exists()]
    try:
        try:
            match.mkdir(parents=True, exist_ok=True)
            trial.touch()
            trial.unlink()
        except OSError as fault:
            raise _unwritten(match, fault) from fault
        yield
    finally:
        for folder in made:
            with suppress(OSError):  # it has files by now, which stay
                folder.rmdir()


@dataclass(frozen=True, slots=True)
class Kept(ABC):
    """The files of one match that every device has."""

    folder: Path

    @property
    def seen(self) -> Path:
        return self.folder / "seen.toml"

    @property
    def profile(self) -> Path:
        return self.folder / "profile.toml"

    def keep_profile(self, text: str | None) -> None:
        """Put a profile in the place of the former one, or none where nothing is sure enough. Raises
        MatchError."""
        if text is not None:
            write_file(self.profile, text)
            return
        try:
            self.profile.unlink(missing_ok=True)
        except OSError as fault:
            raise _unwritten(self.profile, fault) from fault

    def looks(self) -> tuple[Look, ...]:
        """The looks so far, none in a new folder. Raises MatchError for files that cannot be used."""
        return load_seen(self.seen, self._moments()) if self.seen.exists() else ()

    @abstractmethod
    def _moments(self) -> Moments:
        """What the looks lie beside."""

    def shown_before(self) -> tuple[str, ...]:
        """The quantities that this display has shown; all that there are before the first look."""
        known = {name for look in self.looks() for name in look.shown}
        return tuple(name for name in SOUGHT if name in known or not known)

    def add_look(self, time: str, digits: Mapping[str, str], output: str | None = None) -> None:
        """Note what the display showed beside the snapshot, or the line, of a time; digits are such that
        `shown` reads, output is "on", "off" or "none" where the person was asked for it.

        Raises MatchError where it cannot be written; the looks before it stay.
        """
        lines = ["[[seen]]", f'time = "{time}"', *(f'{name} = "{text}"' for name, text in digits.items())]
        if output is not None:
            lines.append(f'{OUTPUT} = "{output}"')
        before = self.seen.read_text(encoding="utf-8") if self.seen.exists() else ""
        write_file(self.seen, before + "\n".join(lines) + "\n\n")


@dataclass(frozen=True, slots=True)
class Session(Kept):
    """The files of a match of registers."""

    @property
    def dump(self) -> Path:
        return self.folder / "dump.csv"

    def _moments(self) -> Moments:
        return load_dump(self.dump)

    def answer(self, about: str, largest_request: int | None) -> Answer:
        """Match all looks so far, and write the profile. Raises MatchError."""
        dump, looks = load_dump(self.dump), self.looks()
        answer = match(dump, looks)
        self.keep_profile(profile_text(answer, dump, about, largest_request))
        return answer


@dataclass(frozen=True, slots=True)
class TextSession(Kept):
    """The files of a match of lines of text."""

    @property
    def lines(self) -> Path:
        return self.folder / "lines.txt"

    def _moments(self) -> Moments:
        return load_lines(self.lines)

    def answer(self, about: str) -> tuple[Lines, Answer]:
        """Match all looks so far, and write the profile; the lines as they are understood, and the answer.

        Raises MatchError.
        """
        lines = load_lines(self.lines)
        answer = match_lines(lines, self.looks())
        self.keep_profile(field_profile_text(answer, lines, about))
        return lines, answer
