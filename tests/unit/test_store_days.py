"""The pure rules of days and reduced series: running sums, gap limits, local days, runs without a gap."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.local_days import day_at, local_day
from monitor.store.days import CANDIDATE_MS, FARTHEST_MS, GAP_FLOOR_MS, DaySum, area_between
from monitor.store.reduce import Part, gaps_between, runs, usual_interval_ms

# Zones with clock changes at midnight, by half an hour, at odd hours, and none (IANA time zone database)
ZONES = (
    "UTC",
    "Europe/London",
    "America/Havana",
    "Asia/Beirut",
    "America/Asuncion",
    "Australia/Lord_Howe",
    "Asia/Kathmandu",
    "Pacific/Apia",
    "Africa/Cairo",
)

HOUR_MS = 3_600_000


@given(name=st.sampled_from(ZONES), time_ms=st.integers(0, 4_000_000_000_000))
def test_every_moment_lies_in_its_local_day_and_days_touch_without_overlap(name: str, time_ms: int) -> None:
    zone = ZoneInfo(name)
    span = day_at(zone, time_ms)
    assert span.start_ms <= time_ms < span.end_ms
    assert span.end_ms - span.start_ms <= 25 * HOUR_MS
    assert day_at(zone, span.start_ms) == span
    assert day_at(zone, span.end_ms - 1) == span
    following = day_at(zone, span.end_ms)
    assert following.start_ms == span.end_ms
    assert following.day > span.day


def test_a_day_starts_as_the_clocks_jump_where_midnight_does_not_exist() -> None:
    """Cuba, 8 March 2026: at 0:00 (UTC-5) clocks go to 1:00 (IANA time zone database): 5:00 UTC."""
    span = local_day(ZoneInfo("America/Havana"), date(2026, 3, 8))
    assert span.start_ms == datetime(2026, 3, 8, 5, tzinfo=UTC).timestamp() * 1000
    assert span.end_ms - span.start_ms == 23 * HOUR_MS


@given(
    span_ms=st.integers(1, 10**6),
    first=st.integers(-(10**6), 10**6),
    last=st.integers(-(10**6), 10**6),
)
def test_the_parts_above_and_below_zero_make_up_the_trapezoid(span_ms: int, first: int, last: int) -> None:
    area = area_between(span_ms, first, last)
    assert area.above2 >= 0 >= area.below2
    assert area.above2 + area.below2 == pytest.approx((first + last) * span_ms, rel=1e-9, abs=1e-3)
    mirrored = area_between(span_ms, last, first)
    assert (mirrored.above2, mirrored.below2) == pytest.approx((area.above2, area.below2), rel=1e-9)


def summed(times_ms: list[int]) -> DaySum:
    day = DaySum(local_day(ZoneInfo("UTC"), date(1970, 1, 1)))
    for time_ms in times_ms:
        day.add(time_ms, 1)
    return day


@given(times=st.sets(st.integers(0, 24 * HOUR_MS - 1), min_size=1, max_size=60))
def test_the_gap_limit_is_three_median_intervals_but_five_minutes_at_least(times: set[int]) -> None:
    """Against a plain median over all intervals (the higher of an even number's two)."""
    ordered = sorted(times)
    intervals = sorted(after - before for before, after in pairwise(ordered))
    expected = max(GAP_FLOOR_MS, 3 * intervals[len(intervals) // 2]) if intervals else GAP_FLOOR_MS
    day = summed(ordered)
    assert day.gap_limit_ms() == expected
    joined = sum(interval for interval in intervals if interval <= expected)
    assert day.stat("shunt", "battery_current_A", 1000).covered_s == joined / 1000


def test_no_limit_exceeds_what_neighbours_are_looked_for() -> None:
    assert summed([0, 24 * HOUR_MS - 1]).gap_limit_ms() <= FARTHEST_MS
    assert GAP_FLOOR_MS == 3 * CANDIDATE_MS


def test_a_day_of_one_reading_covers_nothing_but_tells_its_value() -> None:
    stat = summed([5]).stat("shunt", "battery_current_A", 1000)
    assert (stat.covered_s, stat.integral_h, stat.count, stat.mean) == (0, 0, 1, 0.001)


def part(bucket: int, count: int, first_ms: int, last_ms: int) -> Part:
    return Part(bucket, count, 0, 0, 0, first_ms, last_ms)


def test_the_usual_interval_is_that_of_most_buckets() -> None:
    assert usual_interval_ms([part(0, 3, 0, 10), part(1, 3, 15, 25), part(2, 2, 30, 90)]) == 5
    assert usual_interval_ms([part(0, 1, 0, 0), part(1, 1, 7, 7), part(9, 1, 90, 90)]) == 45
    assert usual_interval_ms([part(0, 2, 0, 10), part(1, 2, 15, 25)]) == 10
    assert usual_interval_ms([part(0, 1, 0, 0)]) is None


def test_only_buckets_that_are_short_of_a_reading_are_looked_into() -> None:
    asked: list[tuple[int, int, float]] = []

    def longer_than(first_ms: int, last_ms: int, limit_ms: float) -> list[tuple[int, int]]:
        asked.append((first_ms, last_ms, limit_ms))
        return [(30, 50)]

    found = runs([part(0, 5, 0, 20), part(1, 4, 25, 55), part(2, 5, 60, 80)], longer_than)
    assert asked == [(25, 55, 15)]
    assert found == [(0, 30), (50, 80)]


def test_what_one_device_covers_is_no_gap() -> None:
    assert gaps_between([(0, 10), (20, 30), (5, 15), (40, 40)]) == ((15, 20), (30, 40))
    assert gaps_between([]) == ()


def test_days_follow_each_other_through_years() -> None:
    zone = ZoneInfo("Europe/London")
    day, end_ms = date(2024, 1, 1), local_day(zone, date(2023, 12, 31)).end_ms
    for _ in range(3 * 366):
        span = local_day(zone, day)
        assert span.start_ms == end_ms
        day, end_ms = day + timedelta(days=1), span.end_ms
