"""Tiers: a day's readings of one channel summed up in steps of five minutes and of an hour; pure.

A step holds count, lowest, sum and highest, so that steps add up to any coarser bucket exactly. Five minutes
and not one: measured on eighteen noisy channels at 5 s, a tier of one minute costs almost half as much room
as the readings themselves, one of five minutes a seventh, and a chart of two days and more cannot show finer
ones. Packed, a step's mean is said in whole steps and the remainder of the sum beside it, so that a lost
reading does not tear the sums' course.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import accumulate, pairwise
from math import gcd
from struct import Struct

from monitor.store.pack import by_weight, deflate, from_weight, inflate, width_of
from monitor.store.reduce import Step, sum_parts

FIVE_MINUTES_MS = 300_000

HEAD = Struct("<BHQIIq")
"""Width in bytes, steps, what divides sums, lowest and highest; the first step's number, count and mean."""


def sum_steps(times: Sequence[int], values: Sequence[int], length_ms: int) -> list[Step]:
    """Readings in order of time, summed in steps; steps without one are left out."""
    return [part[:5] for part in sum_parts(times, values, length_ms)]


def pack_steps(steps: Sequence[Step]) -> bytes:
    """Steps in order, packed."""
    if not steps:
        return b""
    numbers, counts, lowest, sums, highest = zip(*steps, strict=True)
    shared = gcd(*lowest, *sums, *highest) or 1
    parts = [total // shared for total in sums]
    means = [part // count for part, count in zip(parts, counts, strict=True)]
    firsts = numbers[0], counts[0], means[0]
    columns = [
        *(after - before for before, after in pairwise(numbers)),
        *(after - before for before, after in pairwise(counts)),
        *(after - before for before, after in pairwise(means)),
        *(part - mean * count for part, mean, count in zip(parts, means, counts, strict=True)),
        *(mean - low // shared for mean, low in zip(means, lowest, strict=True)),
        *(high // shared - mean for mean, high in zip(means, highest, strict=True)),
    ]
    width = width_of(columns)
    return HEAD.pack(width, len(steps), shared, *firsts) + deflate(by_weight(columns, width))


def unpack_steps(packed: bytes) -> list[Step]:
    """The steps that were packed."""
    if not packed:
        return []
    width, n, shared, number, count, mean = HEAD.unpack_from(packed)
    parts = from_weight(inflate(packed[HEAD.size :]), width)
    at = 3 * n - 3
    return [
        (number, count, shared * (mean - down), shared * (mean * count + rest), shared * (mean + up))
        for number, count, mean, rest, down, up in zip(
            accumulate(parts[: n - 1], initial=number),
            accumulate(parts[n - 1 : 2 * n - 2], initial=count),
            accumulate(parts[2 * n - 2 : at], initial=mean),
            parts[at : at + n],
            parts[at + n : at + 2 * n],
            parts[at + 2 * n :],
            strict=True,
        )
    ]


def join_steps(steps: Iterable[Step], origin: int, a_bucket: int) -> list[Step]:
    """Steps in order, added up so many a bucket, counted from step number origin.

    Several steps may have the same number: readings that came by different ways.
    """
    buckets: list[Step] = []
    open_number, n, low, total, high = None, 0, 0, 0, 0
    for number, count, lowest, sum_, highest in steps:
        bucket = (number - origin) // a_bucket
        if bucket == open_number:
            n += count
            total += sum_
            if lowest < low:
                low = lowest
            if highest > high:
                high = highest
        else:
            if open_number is not None:
                buckets.append((open_number, n, low, total, high))
            open_number, n, low, total, high = bucket, count, lowest, sum_, highest
    if open_number is not None:
        buckets.append((open_number, n, low, total, high))
    return buckets
