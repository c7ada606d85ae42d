"""UTC in a line of text: which lines give it, and what cannot be a time. Pure.

The forms are those of the sentences RMC and ZDA of NMEA 0183: hhmmss or hhmmss.ss; ddmmyy in one column, or
day, month and year of four digits in three (read: two makers' descriptions of the sentences).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from monitor.devices.profile import TextProfile, TimeColumns
from monitor.devices.textline import pieces_of, sound_body
from monitor.errors import BadFrame
from monitor.records import to_ms

OF_DAY = re.compile(r"(\d\d)(\d\d)(\d\d)(?:\.(\d{1,9}))?", re.ASCII)
DIGITS = re.compile(r"\d{1,4}", re.ASCII)

OLD_CENTURY = 80
"""A year of two digits from here on is of the last century (our choice: satellite time begins in 1980), so
that a receiver that has begun anew is told as one of the past."""


@dataclass(frozen=True, slots=True)
class LineTime:
    """What a line that can tell the time says: utc_ms, None where it says that it has none."""

    utc_ms: int | None


def time_of(profile: TextProfile, line: bytes) -> LineTime | None:
    """The time that the line gives; None for a sound line of another kind.

    A leap second is no time either: UTC's count since 1970 has no number for it. Raises BadFrame for a
    damaged line and for one whose date or time cannot be.
    """
    columns = profile.time
    if columns is None:
        return None
    pieces = [
        piece.strip(" ") for piece in pieces_of(sound_body(profile, line), profile.separator, "columns")
    ]
    if not _holds(pieces, columns.only_where):
        return None
    wanted = [pieces[column] if column < len(pieces) else "" for column in columns.places]
    if not _holds(pieces, columns.valid) or "" in wanted:
        return LineTime(None)
    return LineTime(_utc_ms(columns, wanted[0], wanted[1:]))


def _holds(pieces: Sequence[str], texts: Mapping[int, Sequence[str]]) -> bool:
    return all(column < len(pieces) and pieces[column] in allowed for column, allowed in texts.items())


def _utc_ms(columns: TimeColumns, time: str, date: Sequence[str]) -> int | None:
    told = f"{time} {' '.join(date)}"
    parts = OF_DAY.fullmatch(time)
    numbers = _date(date)
    if parts is None or numbers is None:
        raise BadFrame(f"{told!r} is no time and date")
    hour, minute, second = (int(part) for part in parts.groups()[:3])
    is_leap = (hour, minute, second) == (23, 59, 60)
    try:
        moment = datetime(*numbers, hour, minute, 59 if is_leap else second, tzinfo=UTC)
    except ValueError as error:
        raise BadFrame(f"{told!r} cannot be: {error}") from error
    if is_leap:
        return None
    return to_ms(moment + timedelta(seconds=float(f"0.{parts[4] or 0}")))


def _date(texts: Sequence[str]) -> tuple[int, int, int] | None:
    """Year, month and day."""
    if len(texts) == 1:
        if len(texts[0]) != 6 or not texts[0].isascii() or not texts[0].isdecimal():
            return None
        day, month, short = (int(texts[0][start : start + 2]) for start in (0, 2, 4))
        return (1900 if short >= OLD_CENTURY else 2000) + short, month, day
    if not all(DIGITS.fullmatch(text) for text in texts) or len(texts[2]) != 4:
        return None
    day, month, year = (int(text) for text in texts)
    return year, month, day
