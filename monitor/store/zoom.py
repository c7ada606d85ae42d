"""A reduced series by way of the coarsest tier that is fine enough.

Up to RAW_UP_TO_MS buckets are of exactly equal width, and the raw readings answer; but those of a whole day
that are whole steps of five minutes by themselves come from that tier. Beyond, buckets are whole
numbers of a tier's steps (local days, hours, five minutes, all counted from the step in which the span
begins), provided that this makes no bucket more than COARSER times as wide as equal ones would be. Counts,
extremes and means are exact everywhere: where the span cuts a step the readings themselves are summed. The
spans without readings are those that the days' statistics keep, so that a long chart breaks where the day's
energy has a hole. These rules are the same whatever keeps the readings: an engine answers `Track`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple, Protocol
from zoneinfo import ZoneInfo

from monitor.local_days import day_at, local_day
from monitor.records import DAY_MS, HOUR_MS, LATEST_MS, Series
from monitor.store.reduce import GAP_BUCKETS, Part, Run, Step, bucket_width_ms, put_together, runs
from monitor.store.tiers import FIVE_MINUTES_MS, join_steps

RAW_UP_TO_MS = 26 * HOUR_MS
"""A day's chart, with an hour around it, has the edges that it asks for (our choice; 18,700 readings at 5 s
take 3 ms)."""

A_DAY_FROM_MS = 22 * HOUR_MS
"""The shortest local day has 23 hours; a shorter span tells silences of some seconds, too (our choice)."""

COARSER = 1.5
"""How much wider than equal ones a tier's buckets may be (our choice: two thirds of the points at least)."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Buckets of a whole number of steps: `length_ms` each, or local days in `zone`."""

    origin: int
    a_bucket: int
    length_ms: int
    zone: ZoneInfo | None = None

    def edges(self, bucket: int) -> tuple[int, int]:
        """Where a bucket begins and ends, in ms."""
        first = self.origin + bucket * self.a_bucket
        if self.zone is None:
            return first * self.length_ms, (first + self.a_bucket) * self.length_ms
        span = local_day(self.zone, date.fromordinal(first))
        if self.a_bucket == 1:
            return span.start_ms, span.end_ms
        return span.start_ms, local_day(self.zone, date.fromordinal(first + self.a_bucket)).start_ms


class KeptDay(NamedTuple):
    """What a store keeps of one channel's local day; values in the quantity's units, day as an ordinal."""

    day: int
    readings: int
    minimum: float
    mean: float
    maximum: float
    first_ms: int
    last_ms: int
    limit_ms: int
    gaps: tuple[Run, ...]


class Readings(Protocol):
    """One channel's good readings themselves."""

    def parts(self, start_ms: int, end_ms: int, width_ms: int, origin_ms: int) -> list[Part]:
        """Those in [start, end) reduced to buckets counted from origin; empty ones are left out."""

    def pairs(self, first_ms: int, last_ms: int, limit_ms: float) -> list[Run]:
        """Neighbours between two of them that are further apart than a limit."""


class Track(Protocol):
    """One channel's good readings, as a series asks for them."""

    def buckets(self, start_ms: int, end_ms: int, points: int) -> tuple[Sequence[Step], Sequence[Run]]:
        """Those in [start, end) in at most `points` equal buckets counted from start, and the spans in which
        they follow each other without a silence of more than three usual intervals."""

    def steps(self, start_ms: int, end_ms: int, length_ms: int) -> Sequence[Step]:
        """Those in [start, end) in steps of a tier, in order; steps cut by the span hold what is inside.

        length_ms is an hour or five minutes."""

    def days(self, start_ms: int, end_ms: int) -> Sequence[KeptDay] | None:
        """The local days that [start, end) touches, and maybe the next ones, in order; None where one does
        not know its gaps yet."""

    def first_from(self, start_ms: int, end_ms: int) -> int | None:
        """The time of the first one in [start, end)."""

    def last_before(self, end_ms: int, start_ms: int) -> int | None:
        """The time of the last one in [start, end)."""


def read_series(
    tracks: Sequence[Track],
    zone: Callable[[], ZoneInfo],
    quantity: str,
    per_unit: int,
    start_ms: int,
    end_ms: int,
    points: int,
) -> Series:
    """A quantity in [start, end) from its channels, best-ranked first, in at most `points` buckets.

    zone is asked for what cuts local days only where days answer.
    """
    grid = grid_of(zone, start_ms, end_ms, points)
    by_rank: list[tuple[Sequence[Step], Sequence[Run]]] = []
    if grid is not None:
        days = [_kept_days(track, start_ms, end_ms) for track in tracks]
        if all(kept is not None for kept in days):
            for track, kept in zip(tracks, days, strict=True):
                if kept:
                    sums = _by_grid(track, grid, kept, per_unit, start_ms, end_ms)
                    if sums:
                        by_rank.append((sums, _runs(track, kept, start_ms, end_ms)))
            return put_together(quantity, per_unit, grid.edges, by_rank, start_ms, end_ms)
    width_ms = bucket_width_ms(start_ms, end_ms, points)
    by_rank = [each for track in tracks if (each := track.buckets(start_ms, end_ms, points))[0]]
    return put_together(
        quantity,
        per_unit,
        lambda bucket: (start_ms + bucket * width_ms, start_ms + (bucket + 1) * width_ms),
        by_rank,
        start_ms,
        end_ms,
    )


def by_readings(
    readings: Readings, start_ms: int, end_ms: int, points: int
) -> tuple[Sequence[Step], Sequence[Run]]:
    """What `Track.buckets` answers, from the readings themselves."""
    parts = finer = readings.parts(start_ms, end_ms, bucket_width_ms(start_ms, end_ms, points), start_ms)
    if not parts:
        return [], []
    if points < GAP_BUCKETS:
        finer_ms = bucket_width_ms(start_ms, end_ms, GAP_BUCKETS)
        finer = readings.parts(start_ms, end_ms, finer_ms, start_ms)
    return [part[:5] for part in parts], runs(finer, readings.pairs)


def grid_of(zone: Callable[[], ZoneInfo], start_ms: int, end_ms: int, points: int) -> Grid | None:
    """The coarsest grid that is fine enough, None where raw readings must answer."""
    if start_ms < 0 or end_ms > LATEST_MS:
        return None
    if end_ms - start_ms <= RAW_UP_TO_MS:
        return _even_grid(start_ms, end_ms, points)
    widest_ms = COARSER * (end_ms - start_ms) / points
    if widest_ms >= DAY_MS:
        cut_by = zone()
        first, last = (day_at(cut_by, time_ms).day.toordinal() for time_ms in (start_ms, end_ms - 1))
        a_bucket = -(-(last + 1 - first) // points)
        if a_bucket * DAY_MS <= widest_ms:
            return Grid(first, a_bucket, DAY_MS, cut_by)
    for length_ms in (HOUR_MS, FIVE_MINUTES_MS):
        first, last = start_ms // length_ms, (end_ms - 1) // length_ms
        a_bucket = -(-(last + 1 - first) // points)
        if a_bucket * length_ms <= widest_ms:
            return Grid(first, a_bucket, length_ms)
    return None


def _even_grid(start_ms: int, end_ms: int, points: int) -> Grid | None:
    """The grid of a day whose equal buckets are whole steps of five minutes, None of any other span."""
    width_ms = bucket_width_ms(start_ms, end_ms, points)
    if end_ms - start_ms < A_DAY_FROM_MS or start_ms % FIVE_MINUTES_MS or width_ms % FIVE_MINUTES_MS:
        return None
    return Grid(start_ms // FIVE_MINUTES_MS, width_ms // FIVE_MINUTES_MS, FIVE_MINUTES_MS)


def _by_grid(
    track: Track,
    grid: Grid,
    kept: Sequence[KeptDay],
    per_unit: int,
    start_ms: int,
    end_ms: int,
) -> Sequence[Step]:
    """A channel's buckets."""
    if grid.zone is None:
        steps = track.steps(start_ms, end_ms, grid.length_ms)
        return join_steps(steps, grid.origin, grid.a_bucket)
    days: list[Step] = []
    for each in kept:
        if start_ms <= each.first_ms and each.last_ms < end_ms:
            total = round(each.mean * each.readings * per_unit)
            low, high = round(each.minimum * per_unit), round(each.maximum * per_unit)
            days.append((each.day, each.readings, low, total, high))
        else:
            span = local_day(grid.zone, date.fromordinal(each.day))
            from_ms, until_ms = max(start_ms, span.start_ms), min(end_ms, span.end_ms)
            hours = track.steps(from_ms, until_ms, HOUR_MS)
            days.extend((each.day, *step[1:]) for step in hours)
    return join_steps(days, grid.origin, grid.a_bucket)


def _kept_days(track: Track, start_ms: int, end_ms: int) -> list[KeptDay] | None:
    """The local days with readings that [start, end) touches; None where one does not know its gaps."""
    kept = track.days(start_ms, end_ms)
    if kept is None:
        return None
    return [day for day in kept if day.first_ms < end_ms and start_ms <= day.last_ms]


def _runs(track: Track, kept: Sequence[KeptDay], start_ms: int, end_ms: int) -> list[Run]:
    """The spans [first, last reading] in [start, end) without a gap, by the days' own limits."""
    silences: list[Run] = []
    for former, day in zip([None, *kept], kept, strict=False):
        if former is not None and day.first_ms - former.last_ms > day.limit_ms:
            silences.append((former.last_ms, day.first_ms))
        silences.extend(day.gaps)
    inside = [(last, first) for last, first in silences if start_ms <= last and first < end_ms]
    first = kept[0].first_ms if start_ms <= kept[0].first_ms else track.first_from(start_ms, end_ms)
    last = kept[-1].last_ms if kept[-1].last_ms < end_ms else track.last_before(end_ms, start_ms)
    if first is None or last is None:
        return []
    starts, ends = (first, *(time_ms for _, time_ms in inside)), (*(t for t, _ in inside), last)
    return list(zip(starts, ends, strict=True))
