"""A dump: every readable register of a device at some times, as CSV `time,function,address,word`."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

from monitor.errors import MatchError, Problem
from monitor.records import to_ms

HEADER = ("time", "function", "address", "word")
BOUNDS = {"function": (3, 4), "address": (0, 0xFFFF), "word": (0, 0xFFFF)}

WHOLE = re.compile(" *-?[0-9]{1,9} *")

Place = tuple[int, int]
"""Function (3 or 4) and address, counted from 0."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All registers that answered at one time."""

    time_ms: int
    words: Mapping[Place, int]


@dataclass(frozen=True, slots=True)
class Dump:
    """Snapshots in order of time, at least one. remark is what a person should know of the file, or ''."""

    snapshots: tuple[Snapshot, ...]
    remark: str = field(default="", compare=False)

    def index_of(self, moment: int) -> int | None:
        """Which snapshot was taken at that very time, in UTC ms."""
        return self.times_ms.index(moment) if moment in self.times_ms else None

    absence = "the dump has no snapshot"

    @property
    def times_ms(self) -> tuple[int, ...]:
        return tuple(snapshot.time_ms for snapshot in self.snapshots)

    @property
    def places(self) -> list[Place]:
        """Every register that answered at least once, in order."""
        return sorted({place for snapshot in self.snapshots for place in snapshot.words})

    def holes(self, function: int) -> list[tuple[int, int]]:
        """First and last address of each stretch between two registers of a function that did not answer."""
        addresses = [address for own, address in self.places if own == function]
        return [(before + 1, after - 1) for before, after in pairwise(addresses) if after > before + 1]


def load_dump(path: Path) -> Dump:
    """The dump in a CSV file. Raises MatchError with the line of what is wrong."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as fault:
        raise _wrong(path, None, "file", f"cannot be read ({fault.strerror}); check its name") from fault
    except UnicodeDecodeError as fault:
        raise _wrong(path, None, "file", "is not UTF-8 text; a dump is a CSV file") from fault
    remark = ""
    if "\n" in text and not text.endswith(("\n", "\r")):
        text, _, cut = text.rpartition("\n")
        remark = f"{path}: its last line ({cut[:60]!r}) does not end and may be cut off, so it is left out"
    taken: dict[int, dict[Place, int]] = {}
    try:
        for line, time_ms, place, word in _rows(path, text):
            words = taken.setdefault(time_ms, {})
            if words.setdefault(place, word) != word:
                told = f"function {place[0]}, address {place[1]} has two different words at this time"
                raise _wrong(path, line, "address", f"{told}; keep one")
    except csv.Error as fault:
        told = f"is no table ({fault}); look for a stray quotation mark, a dump has none"
        raise _wrong(path, None, "file", told) from fault
    if not taken:
        raise _wrong(path, None, "file", "holds no registers; below the header comes one line for each")
    return Dump(tuple(Snapshot(time_ms, taken[time_ms]) for time_ms in sorted(taken)), remark)


def _rows(path: Path, text: str) -> Iterator[tuple[int, int, Place, int]]:
    lines = csv.reader(text.splitlines())
    header = tuple(field.strip() for field in next(lines, []))
    if header != HEADER:
        raise _wrong(path, 1, "header", f"must read {','.join(HEADER)}")
    times: dict[str, int] = {}
    for row in lines:
        line = lines.line_num
        if not row:
            continue
        if len(row) != len(HEADER):
            raise _wrong(path, line, "row", f"holds {len(row)} fields, not {len(HEADER)}; was it cut off?")
        if row[0] not in times:
            try:
                times[row[0]] = moment_ms(row[0])
            except ValueError as fault:
                raise _wrong(path, line, "time", str(fault)) from fault
        function, address, word = (
            _whole(path, line, key, text) for key, text in zip(HEADER[1:], row[1:], strict=True)
        )
        yield line, times[row[0]], (function, address), word


def moment_ms(text: str) -> int:
    """UTC ms of an ISO 8601 time; one without zone is UTC. Raises ValueError that says what to write."""
    try:
        moment = datetime.fromisoformat(text.strip())
        return to_ms(moment if moment.tzinfo else moment.replace(tzinfo=UTC))
    except (ValueError, OverflowError) as fault:
        raise ValueError(f"is {text[:40]!r}; write it like 2026-11-25T10:30:00Z") from fault


def _whole(path: Path, line: int, key: str, text: str) -> int:
    low, high = BOUNDS[key]
    if not WHOLE.fullmatch(text):
        raise _wrong(path, line, key, f"is {text[:40]!r}; it must be a whole number")
    number = int(text)
    if not low <= number <= high:
        raise _wrong(path, line, key, f"is {number}; it must be {low} to {high}")
    return number


def _wrong(path: Path, line: int | None, key: str, text: str) -> MatchError:
    return MatchError(str(path), (Problem(key, line, text),))
