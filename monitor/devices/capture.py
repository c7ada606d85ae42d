"""A capture: lines of text as a device sent them, in a file.

Each line stands as it came. Before it may stand the time at which it came, ISO 8601 (UTC unless it says
otherwise), alone or in square brackets, and one blank or tab; whatever else a program that logs a terminal
writes before a line is taken for a part of it.
"""

from __future__ import annotations

import errno
import os
import re
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from monitor.errors import MatchError, Problem
from monitor.records import to_ms

STAMP = re.compile(rb"\[?(\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?(?:Z|[+-]\d\d:?\d\d)?)\]?[ \t]")
STAMPED = 0.5
"""From this share of lines with a time on all of them have one, and what has none is a torn line."""

LEAST_LINES = 3
"""Fewer lines say nothing of their form (our choice)."""

WIDE = (b"\xff\xfe", b"\xfe\xff")
"""How a file of two bytes a character begins (Unicode Standard, byte order mark)."""


@dataclass(frozen=True, slots=True)
class CapturedLine:
    """One line. number counts all lines of the file from 1; time_ms is None in a capture without times."""

    number: int
    time_ms: int | None
    text: bytes


def read_capture(path: Path) -> tuple[CapturedLine, ...]:
    """The lines of a capture that are not empty, in order of time. Raises MatchError."""
    try:
        data = path.read_bytes()
    except OSError as fault:
        raise wrong(path, f"cannot be read ({fault.strerror}); check its name") from fault
    if data[:2] in WIDE or data.count(b"\0") * 3 > len(data) > 0:
        raise wrong(path, "has two bytes a character; save it as plain text (UTF-8 or ASCII)")
    numbered = enumerate(re.split(rb"\r\n|\n|\r", data.removeprefix(b"\xef\xbb\xbf")), 1)
    raw = [(number, text) for number, text in numbered if text.strip()]
    if len(raw) < LEAST_LINES:
        told = "no lines" if not raw else "one line" if len(raw) == 1 else f"only {len(raw)} lines"
        raise wrong(path, f"holds {told}; let it run for half a minute beside each look at the display")
    stamps = [STAMP.match(text) for _, text in raw]
    if sum(stamp is not None for stamp in stamps) < STAMPED * len(raw):
        return tuple(CapturedLine(number, None, text) for number, text in raw)
    found = [
        CapturedLine(number, _moment_ms(path, number, stamp[1]), text[stamp.end() :])
        for (number, text), stamp in zip(raw, stamps, strict=True)
        if stamp is not None
    ]
    return tuple(sorted(found, key=lambda line: (line.time_ms or 0, line.number)))


def _moment_ms(path: Path, number: int, text: bytes) -> int:
    told = text.decode("ascii")
    try:
        moment = datetime.fromisoformat(told.replace(",", "."))
        return to_ms(moment if moment.tzinfo else moment.replace(tzinfo=UTC))
    except (ValueError, OverflowError) as fault:
        problem = Problem("time", number, f"is {told!r}; write it like 2026-11-25T10:30:00Z")
        raise MatchError(str(path), (problem,)) from fault


def wrong(path: Path, text: str) -> MatchError:
    """What is wrong with the capture as a whole."""
    return MatchError(str(path), (Problem("file", None, text),))


def append_line(path: Path, time_ms: int, line: bytes) -> None:
    """Add one line with its time. Raises MatchError, and then nothing is added."""
    moment = datetime.fromtimestamp(time_ms / 1000, UTC).isoformat(timespec="milliseconds")
    before = path.stat().st_size if path.exists() else 0
    try:
        with path.open("ab", buffering=0) as file:
            whole = moment.replace("+00:00", "Z").encode() + b" " + line + b"\n"
            if file.write(whole) != len(whole):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    except OSError as fault:
        with suppress(OSError):
            os.truncate(path, before)
        told = f"cannot be written ({fault.strerror}); check the folder, its rights and its room"
        raise wrong(path, told) from fault
