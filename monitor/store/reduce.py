"""Pieces of a reduced series put together: buckets of several devices, spans without readings. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from monitor.records import Bucket, Series

GAP_INTERVALS = 3
"""No reading for longer than this many usual intervals is a gap (see `records.Series`)."""

GAP_BUCKETS = 32
"""So many buckets at least tell the usual interval, whatever a hole does to some of them (our choice)."""


@dataclass(frozen=True, slots=True)
class Part:
    """What one device gave in one bucket, in whole steps; first and last are its readings' times in ms."""

    bucket: int
    count: int
    minimum: int
    total: int
    maximum: int
    first_ms: int
    last_ms: int


def bucket_width_ms(start_ms: int, end_ms: int, points: int) -> int:
    """The width at which [start, end) needs at most `points` buckets, in whole ms."""
    return max(1, -(-(end_ms - start_ms) // points))


def usual_interval_ms(parts: Sequence[Part]) -> float | None:
    """The usual distance of readings: the median of the buckets' own, or of the buckets where each holds one.

    None where there is but one reading. The median does not mind a few buckets with a hole.
    """
    inside = [(part.last_ms - part.first_ms) / (part.count - 1) for part in parts if part.count > 1]
    if inside:
        return median(inside)
    between = [after.first_ms - part.last_ms for part, after in pairwise(parts)]
    return median(between) if between else None


def runs(
    parts: Sequence[Part], longer_than: Callable[[int, int, float], Sequence[tuple[int, int]]]
) -> list[tuple[int, int]]:
    """The spans [first, last reading] in ms in which one device's readings follow each other without a gap.

    longer_than(first_ms, last_ms, limit_ms) finds the pairs of neighbours further apart than the limit
    between two readings; it is asked only for buckets that are short of at least one reading.
    """
    usual_ms = usual_interval_ms(parts)
    if usual_ms is None:
        return [(part.first_ms, part.last_ms) for part in parts]
    limit_ms = GAP_INTERVALS * usual_ms
    gaps: list[tuple[int, int]] = []
    for index, part in enumerate(parts):
        short_of_ms = (part.last_ms - part.first_ms) - (part.count - 1) * usual_ms
        if short_of_ms > usual_ms:
            gaps.extend(longer_than(part.first_ms, part.last_ms, limit_ms))
        if index + 1 < len(parts) and parts[index + 1].first_ms - part.last_ms > limit_ms:
            gaps.append((part.last_ms, parts[index + 1].first_ms))
    starts = [parts[0].first_ms, *(end for _, end in gaps)]
    ends = [*(start for start, _ in gaps), parts[-1].last_ms]
    return list(zip(starts, ends, strict=True))


def gaps_between(covered: Sequence[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """The spans that none of the covered ones touches, between the first and the last of them."""
    gaps: list[tuple[int, int]] = []
    reached: int | None = None
    for start, end in sorted(covered):
        if reached is not None and start > reached:
            gaps.append((reached, start))
        reached = end if reached is None else max(reached, end)
    return tuple(gaps)


def put_together(
    quantity: str,
    per_unit: int,
    start_ms: int,
    end_ms: int,
    width_ms: int,
    by_rank: Sequence[tuple[Sequence[Part], Sequence[tuple[int, int]]]],
) -> Series:
    """A series from each device's parts and runs, best-ranked device first: it decides its buckets."""
    best: dict[int, Part] = {}
    for parts, _ in by_rank:
        for part in parts:
            best.setdefault(part.bucket, part)
    buckets = tuple(
        Bucket(
            start_ms=start_ms + part.bucket * width_ms,
            end_ms=min(end_ms, start_ms + (part.bucket + 1) * width_ms),
            count=part.count,
            minimum=part.minimum / per_unit,
            mean=part.total / part.count / per_unit,
            maximum=part.maximum / per_unit,
        )
        for _, part in sorted(best.items())
    )
    return Series(quantity, buckets, gaps_between([run for _, covered in by_rank for run in covered]))
