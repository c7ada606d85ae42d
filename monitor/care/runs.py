"""The discharges in a record of the bank's net current: from the end of one charge to the next. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.records import HOUR_MS, Bucket, Series

BETWEEN_MS = 900_000
"""A longer silence ends a discharge: nobody counted what was taken in it (our choice)."""


@dataclass(frozen=True, slots=True)
class Run:
    """One discharge: from the end of the charge before it to the last load, and to where it was seen last.

    taken_Ah is what the buckets' means add up to. is_open says that nothing has charged the bank since,
    is_whole that the charge before it was seen: what was taken in a silence nobody counted.
    """

    start_ms: int
    end_ms: int
    seen_ms: int
    taken_Ah: float
    is_open: bool
    is_whole: bool


def runs(series: Series, still_A: float) -> list[Run]:
    """The discharges in order of time; a current of still_A or less either way is the bank at rest."""
    silent_to_ms = [end_ms for start_ms, end_ms in series.gaps if end_ms - start_ms > BETWEEN_MS]
    found: list[Run] = []
    part: list[Bucket] = []
    is_whole = False
    for bucket in series.buckets:
        charges = bucket.maximum > still_A
        broken = any(bucket.start_ms <= end_ms <= bucket.end_ms for end_ms in silent_to_ms)
        if charges or broken:
            found += _run(part, still_A, is_open=False, is_whole=is_whole)
            part, is_whole = [], charges
        if not charges:
            part.append(bucket)
    return found + _run(part, still_A, is_open=True, is_whole=is_whole)


def _run(part: Sequence[Bucket], still_A: float, *, is_open: bool, is_whole: bool) -> list[Run]:
    """The discharge in buckets without charge, none where nothing was drawn."""
    drawn = [bucket for bucket in part if bucket.minimum < -still_A]
    if not drawn:
        return []
    taken_Ah = sum(-bucket.mean * (bucket.end_ms - bucket.start_ms) / HOUR_MS for bucket in part)
    return [Run(part[0].start_ms, drawn[-1].end_ms, part[-1].end_ms, taken_Ah, is_open, is_whole)]
