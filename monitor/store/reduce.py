"""Pieces of a reduced series put together: buckets of several devices, spans without readings. Pure."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from monitor.records import Bucket, Series
from monitor.store.days import GAP_INTERVALS

GAP_BUCKETS = 32
"""So many buckets at least tell the usual interval, whatever a hole does to some of them (our choice)."""


Step = tuple[int, int, int, int, int]
"""Bucket's or step's number, count of readings, lowest, sum and highest in whole steps."""

Run = tuple[int, int]
"""First and last time of a span, in ms."""

Edges = Callable[[int], tuple[int, int]]
"""Start and end of a bucket by its number, in ms."""


class Part(NamedTuple):
    """What one device gave in one bucket, in whole steps; first and last are its readings' times in ms."""

    bucket: int
    readings: int
    minimum: int
    total: int
    maximum: int
    first_ms: int
    last_ms: int


def sum_parts(times: Sequence[int], values: Sequence[int], width_ms: int, origin_ms: int = 0) -> list[Part]:
    """Readings in order of time, reduced to buckets of a width counted from origin."""
    parts: list[Part] = []
    at, count = 0, len(times)
    while at < count:
        bucket = (times[at] - origin_ms) // width_ms
        after = bisect_left(times, origin_ms + (bucket + 1) * width_ms, at + 1)
        part = values[at:after]
        parts.append(Part(bucket, after - at, min(part), sum(part), max(part), times[at], times[after - 1]))
        at = after
    return parts


def add_up(parts: Sequence[Part]) -> list[Part]:
    """Parts in order, those of the same bucket made one."""
    added: list[Part] = []
    for part in parts:
        if added and added[-1].bucket == part.bucket:
            former = added.pop()
            part = Part(
                part.bucket,
                former.readings + part.readings,
                min(former.minimum, part.minimum),
                former.total + part.total,
                max(former.maximum, part.maximum),
                min(former.first_ms, part.first_ms),
                max(former.last_ms, part.last_ms),
            )
        added.append(part)
    return added


def bucket_width_ms(start_ms: int, end_ms: int, points: int) -> int:
    """The width at which [start, end) needs at most `points` buckets, in whole ms."""
    return max(1, -(-(end_ms - start_ms) // points))


def usual_interval_ms(parts: Sequence[Part]) -> float | None:
    """The usual distance of readings: the median of the buckets' own, or of the buckets where each holds one.

    None where there is but one reading. The median does not mind a few buckets with a hole.
    """
    inside = [(part.last_ms - part.first_ms) / (part.readings - 1) for part in parts if part.readings > 1]
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
        short_of_ms = (part.last_ms - part.first_ms) - (part.readings - 1) * usual_ms
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
    edges: Edges,
    by_rank: Sequence[tuple[Sequence[Step], Sequence[Run]]],
    start_ms: int,
    end_ms: int,
) -> Series:
    """A series from each device's buckets and runs, best-ranked device first: it decides its buckets.

    Buckets are cut at start and end.
    """
    best = {step[0]: step for steps, _ in reversed(by_rank) for step in steps}
    buckets = []
    for number, count, low, total, high in sorted(best.values()):
        from_ms, until_ms = edges(number)
        buckets.append(
            Bucket(
                from_ms if from_ms > start_ms else start_ms,
                until_ms if until_ms < end_ms else end_ms,
                count,
                low / per_unit,
                total / count / per_unit,
                high / per_unit,
            )
        )
    return Series(quantity, tuple(buckets), gaps_between([run for _, covered in by_rank for run in covered]))
