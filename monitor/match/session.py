"""A match in front of the device, kept in a folder: dump, looks and profile; it can be taken up again.

dump.csv        the snapshots so far
seen.toml       what the display showed beside them
profile.toml    what has been found so far, written anew after each look
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from monitor.match.answer import Answer, match
from monitor.match.dump import load_dump
from monitor.match.habits import SOUGHT
from monitor.match.profile import profile_text
from monitor.match.seen import Look, load_seen


@dataclass(frozen=True, slots=True)
class Session:
    """The files of one match."""

    folder: Path

    @property
    def dump(self) -> Path:
        return self.folder / "dump.csv"

    @property
    def seen(self) -> Path:
        return self.folder / "seen.toml"

    @property
    def profile(self) -> Path:
        return self.folder / "profile.toml"

    def looks(self) -> tuple[Look, ...]:
        """The looks so far, none in a new folder. Raises MatchError for files that cannot be used."""
        return load_seen(self.seen, load_dump(self.dump)) if self.seen.exists() else ()

    def shown_before(self) -> tuple[str, ...]:
        """The quantities that this display has shown; all that there are before the first look."""
        known = {name for look in self.looks() for name in look.shown}
        return tuple(name for name in SOUGHT if name in known or not known)

    def add_look(self, time: str, digits: Mapping[str, str]) -> None:
        """Note what the display showed beside the snapshot of a time; digits are such that `shown` reads."""
        lines = ["[[seen]]", f'time = "{time}"', *(f'{name} = "{text}"' for name, text in digits.items())]
        with self.seen.open("a", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n\n")

    def answer(self, about: str, largest_request: int | None) -> Answer:
        """Match all looks so far, and write the profile. Raises MatchError."""
        dump, looks = load_dump(self.dump), self.looks()
        answer = match(dump, looks)
        self.profile.write_text(profile_text(answer, dump, about, largest_request), encoding="utf-8")
        return answer
