"""What every store must answer, whatever engine is behind it.

Another engine joins by another Engine in `engines.py`. Expected numbers are worked out by hand in the test.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import StoreError
from monitor.records import AlarmState, DayStat, DeviceHealth, Event, Quality, Reading, Series, to_ms
from tests.contract.engines import ENGINES, Engine, Pair, opened

HOUR_MS = 3_600_000
NOON = to_ms(datetime(2026, 11, 24, 12, tzinfo=UTC))
EMBEDDED = ENGINES[0]
EXAMPLES = {"embedded": 40, "server": 6}
"""How many drawn cases each engine is held against: a server takes a hundred times as long for one."""

VOLTAGE, CURRENT, POWER = "battery_voltage_V", "battery_current_A", "array_power_W"


@pytest.fixture(params=ENGINES, ids=lambda engine: engine.name)
def engine(request: pytest.FixtureRequest) -> Engine:
    engine: Engine = request.param
    return engine


@pytest.fixture
def store(engine: Engine) -> Iterator[Pair]:
    with opened(engine) as pair:
        yield pair


def good(time_ms: int, value: float, quantity: str = VOLTAGE, device: str = "charger") -> Reading:
    return Reading(time_ms, device, quantity, value)


def one_day(pair: Pair, day: date, quantity: str = CURRENT) -> DayStat:
    found: list[DayStat] = pair.reader.days(day, day)
    (stat,) = (stat for stat in found if stat.quantity == quantity)
    return stat


# --- nothing there yet ---------------------------------------------------------------------------------


def test_an_empty_store_answers_with_nothing(store: Pair) -> None:
    reader = store.reader
    assert reader.latest() == []
    assert reader.latest_good(VOLTAGE) is None
    assert reader.series(VOLTAGE, NOON, NOON + HOUR_MS, 10) == Series(VOLTAGE, (), ())
    assert reader.days(date(2026, 1, 1), date(2026, 12, 31)) == []
    assert list(reader.rows([VOLTAGE], 0, NOON)) == []
    assert list(reader.rows([VOLTAGE], 0, NOON, every_s=60)) == []
    assert reader.span() is None
    assert (reader.events(0, NOON), reader.alarms(), reader.health()) == ([], [], [])
    assert reader.note("clock") is None


# --- newest readings -----------------------------------------------------------------------------------


def test_the_newest_readings_come_by_rank_and_keep_quality_and_reason(store: Pair) -> None:
    suspect = Reading(NOON, "shunt", CURRENT, 612.5, Quality.SUSPECT, "outside -600 to 600 A")
    missing = Reading(NOON, "charger", POWER, None, Quality.MISSING, "device says 'not available'")
    store.writer.rank_devices(["shunt", "charger"])
    store.keep(good(NOON - 5000, 12.4), good(NOON, 12.5), missing, suspect)
    assert store.reader.latest() == [suspect, good(NOON, 12.5), missing]
    assert store.writer.latest() == store.reader.latest()


def test_the_newest_good_reading_stays_known_behind_missing_ones(store: Pair) -> None:
    store.keep(good(NOON, 12.5), Reading(NOON + 5000, "charger", VOLTAGE, None, Quality.MISSING, "no answer"))
    assert store.reader.latest_good(VOLTAGE) == good(NOON, 12.5)
    assert store.reader.latest_good(CURRENT) is None


def test_of_equally_new_good_readings_the_best_rank_wins_and_else_the_newest(store: Pair) -> None:
    store.writer.rank_devices(["shunt", "charger"])
    store.keep(good(NOON, 12.5, device="charger"), good(NOON, 12.6, device="shunt"))
    assert store.reader.latest_good(VOLTAGE) == good(NOON, 12.6, device="shunt")
    store.keep(good(NOON + 1, 12.7, device="charger"))
    assert store.reader.latest_good(VOLTAGE) == good(NOON + 1, 12.7, device="charger")


def test_the_writer_sees_its_newest_readings_before_the_commit_and_readers_after(store: Pair) -> None:
    store.writer.append([good(NOON, 12.5)])
    assert store.writer.latest() == [good(NOON, 12.5)]
    assert store.writer.latest_good(VOLTAGE) == good(NOON, 12.5)
    assert store.reader.latest() == []
    store.writer.commit()
    assert store.reader.latest() == [good(NOON, 12.5)]


def test_fixed_devices_rank_behind_those_of_the_site_file(store: Pair) -> None:
    devices = ["estimate", "import", "derived", "charger", "former"]
    store.writer.rank_devices(["charger"])
    store.keep(*(good(NOON, 12.0, device=device) for device in devices))
    assert [reading.device for reading in store.reader.latest()] == [
        "charger",
        "former",
        "import",
        "derived",
        "estimate",
    ]


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), 1e300])
def test_a_value_that_is_no_finite_number_is_kept_as_missing_and_says_so(store: Pair, value: float) -> None:
    store.keep(good(NOON, value))
    (reading,) = store.reader.latest()
    assert (reading.value, reading.quality) == (None, Quality.MISSING)
    assert "the value was" in reading.reason
    assert list(store.reader.rows([VOLTAGE], 0, NOON + 1)) == []


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        (good(NOON, 1.0, quantity="battery_volts"), "'battery_volts' is no quantity"),
        (good(-1, 1.0), "no time between 1970 and 2200"),
        (good(10**15, 1.0), "no time between 1970 and 2200"),
        (good(NOON, 1.0, device=""), "must name its device"),
    ],
)
def test_a_foreign_reading_is_refused_and_nothing_of_its_batch_is_taken(
    store: Pair, reading: Reading, said: str
) -> None:
    with pytest.raises(StoreError, match=said):
        store.writer.append([good(NOON, 12.5), reading])
    store.writer.commit()
    assert store.reader.latest() == []


def test_the_first_reading_of_a_time_stays(store: Pair) -> None:
    store.keep(good(NOON, 12.5), good(NOON, 12.9))
    store.keep(good(NOON, 13.3))
    assert list(store.reader.rows([VOLTAGE], 0, NOON + 1)) == [(NOON, {VOLTAGE: 12.5})]
    assert store.reader.latest() == [good(NOON, 12.5)]
    assert one_day(store, date(2026, 11, 24), VOLTAGE).count == 1


# --- series --------------------------------------------------------------------------------------------


def test_a_series_gives_minimum_mean_and_maximum_of_each_bucket(store: Pair) -> None:
    values = [12.0, 12.5, 13.0, 11.0]
    store.keep(*(good(NOON + 15_000 * i, value) for i, value in enumerate(values)))
    series = store.reader.series(VOLTAGE, NOON, NOON + 60_000, 2)
    first, second = series.buckets
    assert (first.start_ms, first.end_ms, first.count) == (NOON, NOON + 30_000, 2)
    assert (first.minimum, first.mean, first.maximum) == (12.0, 12.25, 12.5)
    assert (second.start_ms, second.end_ms) == (NOON + 30_000, NOON + 60_000)
    assert (second.minimum, second.mean, second.maximum) == (11.0, 12.0, 13.0)
    assert series.gaps == ()


def test_a_series_leaves_out_what_is_not_good_and_buckets_without_readings(store: Pair) -> None:
    store.keep(
        good(NOON, 12.0),
        Reading(NOON + 10_000, "charger", VOLTAGE, 79.0, Quality.SUSPECT, "jump"),
        good(NOON + 60_000, 12.2),
    )
    series = store.reader.series(VOLTAGE, NOON, NOON + 80_000, 8)
    assert [(bucket.start_ms - NOON, bucket.mean) for bucket in series.buckets] == [(0, 12.0), (60_000, 12.2)]


def test_a_series_holds_its_span_half_open(store: Pair) -> None:
    store.keep(good(NOON, 12.0), good(NOON + 1000, 13.0))
    (bucket,) = store.reader.series(VOLTAGE, NOON, NOON + 1000, 5).buckets
    assert bucket.mean == 12.0


def test_a_series_never_has_more_buckets_than_asked_and_counts_every_reading_once(engine: Engine) -> None:
    @given(span_ms=st.integers(1, 10**8), points=st.integers(1, 700), seed=st.integers(0, 10**6))
    @settings(max_examples=EXAMPLES[engine.name])
    def holds(span_ms: int, points: int, seed: int) -> None:
        rng = random.Random(seed)
        times = {NOON + rng.randrange(span_ms) for _ in range(50)}
        with opened(engine) as store:
            store.keep(*(good(time_ms, 12.0) for time_ms in times))
            series = store.reader.series(VOLTAGE, NOON, NOON + span_ms, points)
            assert len(series.buckets) <= points
            assert sum(bucket.count for bucket in series.buckets) == len(times)
            for bucket in series.buckets:
                inside = [t for t in times if bucket.start_ms <= t < bucket.end_ms]
                assert bucket.count == len(inside)

    holds()


@pytest.mark.parametrize("points", [1, 3, 7, 100, 5000])
def test_a_silence_of_more_than_three_intervals_is_a_gap_at_every_zoom(store: Pair, points: int) -> None:
    """Readings each 5 s for two hours, silent from 1:00:00 to 1:00:20 (four intervals)."""
    first, second = range(0, 3_600_001, 5000), range(3_620_000, 7_200_000, 5000)
    store.keep(*(good(NOON + offset, 12.0) for offset in (*first, *second)))
    series = store.reader.series(VOLTAGE, NOON, NOON + 2 * HOUR_MS, points)
    assert series.gaps == ((NOON + 3_600_000, NOON + 3_620_000),)


@pytest.mark.parametrize("points", [1, 97, 300])
def test_a_day_of_readings_every_five_seconds_is_summed_up_and_its_silences_found(
    engine: Engine, points: int
) -> None:
    """17,280 readings but for two silences, of four intervals and of ten minutes."""
    silent = [(30_000_000, 30_020_000), (61_000_000, 61_600_000)]
    kept = {
        NOON + at: at // 5000 % 709 / 100
        for at in range(0, 24 * HOUR_MS, 5000)
        if not any(first < at < last for first, last in silent)
    }
    with opened(engine) as store:
        store.keep(*(good(at, value) for at, value in kept.items()))
        series = store.reader.series(VOLTAGE, NOON + 1000, NOON + 24 * HOUR_MS - 1000, points)
    assert series.gaps == tuple((NOON + first, NOON + last) for first, last in silent)
    assert sum(bucket.count for bucket in series.buckets) == len(kept) - 1
    for bucket in series.buckets:
        inside = [value for at, value in kept.items() if bucket.start_ms <= at < bucket.end_ms]
        assert (bucket.count, bucket.minimum, bucket.maximum) == (len(inside), min(inside), max(inside))
        assert bucket.mean == pytest.approx(sum(inside) / len(inside), abs=1e-9)


def test_three_intervals_are_no_gap(store: Pair) -> None:
    store.keep(*(good(NOON + offset, 12.0) for offset in (0, 5000, 10_000, 25_000, 30_000)))
    assert store.reader.series(VOLTAGE, NOON, NOON + 60_000, 3).gaps == ()


@pytest.mark.parametrize(("days", "points"), [(2, 600), (9, 31), (40, 100), (40, 40), (200, 3), (200, 365)])
def test_a_long_series_has_no_more_buckets_than_asked_and_each_is_right(
    engine: Engine, days: int, points: int
) -> None:
    """A reading every 47 minutes over the end of summer time (25 October 2026, IANA time zone database)."""
    start = to_ms(datetime(2026, 10, 1, 3, 17, tzinfo=UTC))
    end = start + days * 24 * HOUR_MS
    values = {at: at // 47_000 % 1009 / 100 for at in range(start - HOUR_MS, end + HOUR_MS, 47 * 60_000)}
    with opened(engine, "Europe/London") as store:
        for first in range(0, len(values), 500):
            store.keep(*(good(at, value) for at, value in list(values.items())[first : first + 500]))
        series = store.reader.series(VOLTAGE, start, end, points)
    assert len(series.buckets) <= points
    assert sum(bucket.count for bucket in series.buckets) == sum(start <= at < end for at in values)
    reached = start
    for bucket in series.buckets:
        assert reached <= bucket.start_ms < bucket.end_ms <= end
        reached = bucket.end_ms
        inside = [value for at, value in values.items() if bucket.start_ms <= at < bucket.end_ms]
        assert (bucket.count, bucket.minimum, bucket.maximum) == (len(inside), min(inside), max(inside))
        assert bucket.mean == pytest.approx(sum(inside) / len(inside), abs=1e-9)
        widest_ms = 1.5 * days * 24 * HOUR_MS / points + HOUR_MS
        assert bucket.end_ms - bucket.start_ms <= widest_ms, "the hour is a day's in which clocks go back"
    assert series.gaps == ()


@pytest.mark.parametrize("points", [1, 5, 30, 500])
def test_a_silence_of_hours_is_a_gap_of_a_long_series_too(engine: Engine, points: int) -> None:
    """Readings each minute for nine days; silent for seven hours on the fourth, by night into the sixth."""
    start = to_ms(datetime(2026, 6, 1, tzinfo=UTC))
    silent = [(75 * HOUR_MS, 82 * HOUR_MS), (117 * HOUR_MS, 121 * HOUR_MS)]
    offsets = [
        at
        for at in range(0, 9 * 24 * HOUR_MS, 60_000)
        if not any(first < at < last for first, last in silent)
    ]
    with opened(engine, "Europe/London") as store:
        for first in range(0, len(offsets), 720):
            store.keep(*(good(start + at, 12.0) for at in offsets[first : first + 720]))
        series = store.reader.series(VOLTAGE, start, start + 9 * 24 * HOUR_MS, points)
        part = store.reader.series(VOLTAGE, start + 78 * HOUR_MS, start + 9 * 24 * HOUR_MS, points)
    assert series.gaps == tuple((start + first, start + last) for first, last in silent)
    assert part.gaps == series.gaps[1:], "what begins before the span is no gap between its readings"


def test_bucket_by_bucket_the_best_ranked_device_with_readings_is_taken(store: Pair) -> None:
    store.writer.rank_devices(["shunt", "charger"])
    charger = [good(NOON + i * 10_000, 12.0, device="charger") for i in range(30)]
    shunt = [good(NOON + i * 10_000, 13.0, device="shunt") for i in (*range(10), *range(20, 30))]
    store.keep(*charger, *shunt)
    series = store.reader.series(VOLTAGE, NOON, NOON + 300_000, 3)
    assert [bucket.mean for bucket in series.buckets] == [13.0, 12.0, 13.0]
    assert series.gaps == (), "the charger was there while the shunt was silent"
    alone = store.reader.series(VOLTAGE, NOON, NOON + 300_000, 3, device="shunt")
    assert [bucket.mean for bucket in alone.buckets] == [13.0, 13.0]
    assert alone.gaps == ((NOON + 90_000, NOON + 200_000),)


def test_a_series_of_an_unknown_quantity_or_of_no_point_is_refused(store: Pair) -> None:
    with pytest.raises(StoreError, match="no quantity"):
        store.reader.series("volts", NOON, NOON + 1, 5)
    with pytest.raises(StoreError, match="at least one point"):
        store.reader.series(VOLTAGE, NOON, NOON + 1, 0)


# --- days ----------------------------------------------------------------------------------------------


def test_two_ampere_for_three_hours_are_six_ampere_hours(store: Pair) -> None:
    store.keep(*(good(NOON + i * 60_000, 2.0, CURRENT) for i in range(181)))
    stat = one_day(store, date(2026, 11, 24))
    assert (stat.integral_h, stat.positive_h, stat.negative_h) == (6.0, 6.0, 0.0)
    assert (stat.covered_s, stat.count, stat.mean) == (3 * 3600, 181, 2.0)


def test_a_day_tells_extremes_first_last_and_when_the_minimum_was(store: Pair) -> None:
    store.keep(*(good(NOON + i * 1000, value) for i, value in enumerate([12.4, 11.9, 14.1, 11.9, 12.8])))
    stat = one_day(store, date(2026, 11, 24), VOLTAGE)
    assert (stat.minimum, stat.min_ms, stat.maximum) == (11.9, NOON + 1000, 14.1)
    assert (stat.first, stat.last, stat.count) == (12.4, 12.8, 5)
    assert stat.mean == pytest.approx((12.4 + 11.9 + 14.1 + 11.9 + 12.8) / 5, abs=1e-12)


def test_what_flows_in_and_out_is_split_where_the_current_crosses_zero(store: Pair) -> None:
    """From +3 A to -1 A in 4 min: zero after 3 min, so 3/2 A·3 min in and 1/2 A·1 min out."""
    store.keep(good(NOON, 3.0, CURRENT), good(NOON + 240_000, -1.0, CURRENT))
    stat = one_day(store, date(2026, 11, 24))
    assert stat.positive_h == pytest.approx(1.5 * 3 / 60, rel=1e-12)
    assert stat.negative_h == pytest.approx(-0.5 * 1 / 60, rel=1e-12)
    assert stat.integral_h == pytest.approx(stat.positive_h + stat.negative_h, rel=1e-12)


def test_silence_is_a_gap_and_not_current(store: Pair) -> None:
    """5 A each minute for an hour, two hours of silence, 5 A for an hour: 10 Ah and not 20."""
    minutes = [*range(61), *range(180, 241)]
    store.keep(*(good(NOON + minute * 60_000, 5.0, CURRENT) for minute in minutes))
    stat = one_day(store, date(2026, 11, 24))
    assert (stat.integral_h, stat.covered_s) == (10.0, 7200)


def test_an_hourly_log_is_joined_since_its_usual_interval_is_an_hour(store: Pair) -> None:
    store.keep(*(good(NOON + hour * HOUR_MS, 4.0, CURRENT) for hour in (0, 1, 2, 3, 6, 10)))
    stat = one_day(store, date(2026, 11, 24))
    assert (stat.integral_h, stat.covered_s) == (4.0 * 6, 6 * 3600), "3 h is the limit, 4 h are beyond it"


def test_a_pair_across_midnight_is_cut_there(store: Pair) -> None:
    """From 0 A at 23:58 to 4 A at 00:02: 2 A at midnight, so 2 min at 1 A and 2 min at 3 A."""
    midnight = NOON + 12 * HOUR_MS
    store.keep(good(midnight - 120_000, 0.0, CURRENT), good(midnight + 120_000, 4.0, CURRENT))
    before, after = one_day(store, date(2026, 11, 24)), one_day(store, date(2026, 11, 25))
    assert before.integral_h == pytest.approx(1 * 2 / 60, rel=1e-12)
    assert after.integral_h == pytest.approx(3 * 2 / 60, rel=1e-12)
    assert (before.covered_s, after.covered_s) == (120, 120)


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        # clock changes of 2026 in Great Britain (IANA time zone database): 29 March and 25 October
        ("Europe/London", date(2026, 3, 29), 23),
        ("Europe/London", date(2026, 10, 25), 25),
        ("Europe/London", date(2026, 6, 21), 24),
        ("Asia/Kathmandu", date(2026, 6, 21), 24),
    ],
)
def test_a_local_day_has_23_24_or_25_hours(engine: Engine, zone: str, day: date, hours: int) -> None:
    start = to_ms(datetime(day.year, day.month, day.day, tzinfo=UTC)) - 24 * HOUR_MS
    with opened(engine, zone) as store:
        store.keep(*(good(start + i * 300_000, 1.0, CURRENT) for i in range(3 * 288)))
        stat = one_day(store, day)
        assert (stat.integral_h, stat.covered_s, stat.count) == (hours, hours * 3600, hours * 12)


def test_day_by_day_the_best_ranked_device_is_taken(store: Pair) -> None:
    store.writer.rank_devices(["shunt", "charger"])
    tomorrow = NOON + 24 * HOUR_MS
    store.keep(
        good(NOON, 12.0, device="charger"),
        good(NOON, 13.0, device="shunt"),
        good(tomorrow, 12.1, device="charger"),
        good(tomorrow, 1.0, CURRENT, device="charger"),
    )
    found = store.reader.days(date(2026, 11, 24), date(2026, 11, 25))
    assert [(stat.day.day, stat.quantity, stat.device, stat.mean) for stat in found] == [
        (24, VOLTAGE, "shunt", 13.0),
        (25, VOLTAGE, "charger", 12.1),
        (25, CURRENT, "charger", 1.0),
    ]


# --- rows ----------------------------------------------------------------------------------------------


def test_rows_are_merged_by_time_and_hold_only_what_is_good(store: Pair) -> None:
    store.keep(
        good(NOON, 12.0),
        good(NOON, 3.0, CURRENT, device="shunt"),
        good(NOON + 2000, 3.5, CURRENT, device="shunt"),
        Reading(NOON + 3000, "charger", VOLTAGE, None, Quality.MISSING, "no answer"),
        good(NOON + 5000, 12.1),
    )
    assert list(store.reader.rows([VOLTAGE, CURRENT], NOON, NOON + 10_000)) == [
        (NOON, {VOLTAGE: 12.0, CURRENT: 3.0}),
        (NOON + 2000, {CURRENT: 3.5}),
        (NOON + 5000, {VOLTAGE: 12.1}),
    ]
    assert list(store.reader.rows([VOLTAGE], NOON + 1, NOON + 5000)) == []


def test_rows_are_averaged_into_steps_stamped_at_their_start(store: Pair) -> None:
    store.writer.rank_devices(["shunt", "charger"])
    store.keep(
        *(good(NOON + i * 5000, 12.0 + i, device="charger") for i in range(4)),
        good(NOON + 12_000, 20.0, device="shunt"),
    )
    assert list(store.reader.rows([VOLTAGE], NOON, NOON + 20_000, every_s=10)) == [
        (NOON, {VOLTAGE: 12.5}),
        (NOON + 10_000, {VOLTAGE: 20.0}),
    ]


def test_a_step_gives_the_highest_of_codes_since_they_have_no_mean(store: Pair) -> None:
    stages = [1.0, 3.0, 2.0, 3.0]
    store.keep(*(good(NOON + i * 1000, stage, "charge_stage") for i, stage in enumerate(stages)))
    rows = list(store.reader.rows(["charge_stage"], NOON, NOON + 4000, every_s=2))
    assert rows == [(NOON, {"charge_stage": 3.0}), (NOON + 2000, {"charge_stage": 3.0})]


def test_averaging_steps_go_on_through_weeks(store: Pair) -> None:
    """One reading an hour for 20 days, averaged by 7 hours: the steps are counted from the start."""
    start = NOON - 1000
    store.keep(*(good(NOON + hour * HOUR_MS, float(hour % 50)) for hour in range(480)))
    rows = list(store.reader.rows([VOLTAGE], start, NOON + 480 * HOUR_MS, every_s=7 * 3600))
    expected = [
        (start + first * HOUR_MS, sum(hour % 50 for hour in range(first, min(first + 7, 480))))
        for first in range(0, 480, 7)
    ]
    assert [time_ms for time_ms, _ in rows] == [time_ms for time_ms, _ in expected]
    sizes = [min(7, 480 - first) for first in range(0, 480, 7)]
    for (_, values), (_, total), size in zip(rows, expected, sizes, strict=True):
        assert values[VOLTAGE] == pytest.approx(total / size, abs=1e-9)


def test_rows_stream_from_one_state_while_the_writer_goes_on(store: Pair) -> None:
    store.keep(*(good(NOON + i * 1000, 12.0) for i in range(100)))
    rows = store.reader.rows([VOLTAGE], NOON, NOON + HOUR_MS)
    next(rows)
    store.keep(good(NOON + 200_000, 13.0))
    assert len(list(rows)) == 99
    assert len(list(store.reader.rows([VOLTAGE], NOON, NOON + HOUR_MS))) == 101


def test_rows_of_an_unknown_quantity_or_of_no_step_are_refused_at_once(store: Pair) -> None:
    with pytest.raises(StoreError, match="no quantity"):
        store.reader.rows(["volts"], NOON, NOON + 1)
    with pytest.raises(StoreError, match="too short"):
        store.reader.rows([VOLTAGE], NOON, NOON + 1, every_s=0)


def test_readings_come_with_their_flaws_in_order_of_time_rank_and_quantity(store: Pair) -> None:
    suspect = Reading(NOON + 1000, "shunt", CURRENT, 612.5, Quality.SUSPECT, "outside -600 to 600 A")
    missing = Reading(NOON, "charger", POWER, None, Quality.MISSING, "no answer")
    store.writer.rank_devices(["shunt", "charger"])
    store.keep(
        good(NOON + 1000, 12.1),
        missing,
        good(NOON, 3.0, CURRENT, device="shunt"),
        good(NOON, 12.0),
        suspect,
        good(NOON + 2000, 12.2),
        good(NOON, 0.7, "state_of_charge", device="estimate"),
    )
    first = [good(NOON, 3.0, CURRENT, device="shunt"), good(NOON, 12.0), missing]
    second = [suspect, good(NOON + 1000, 12.1)]
    estimate = good(NOON, 0.7, "state_of_charge", device="estimate")
    assert list(store.reader.readings(NOON, NOON + 2000)) == [*first, estimate, *second]
    assert list(store.reader.readings(NOON, NOON + 2000, ["shunt", "charger"])) == [*first, *second]
    assert list(store.reader.readings(NOON + 1, NOON + 1000)) == []
    assert list(store.reader.readings(0, NOON, ["nobody"])) == []


def test_a_quantitys_flawed_readings_are_told_by_themselves(store: Pair) -> None:
    suspect = Reading(NOON + 1000, "shunt", CURRENT, 612.5, Quality.SUSPECT, "outside -600 to 600 A")
    missing = Reading(NOON, "charger", CURRENT, None, Quality.MISSING, "no answer")
    other = Reading(NOON, "charger", POWER, None, Quality.MISSING, "no answer")
    later = Reading(NOON + 2000, "shunt", CURRENT, None, Quality.MISSING, "no answer")
    store.keep(suspect, missing, other, later, good(NOON + 500, 3.0, quantity=CURRENT))
    assert store.reader.flawed(CURRENT, NOON, NOON + 2000) == [missing, suspect]
    with pytest.raises(StoreError, match="no quantity"):
        store.reader.flawed("volts", NOON, NOON + 1)


def test_the_span_reaches_from_the_first_to_the_last_reading(store: Pair) -> None:
    store.keep(good(NOON, 12.0), Reading(NOON + 5000, "charger", CURRENT, None, Quality.MISSING, "no answer"))
    store.keep(good(NOON - 7000, 12.0))
    assert store.reader.span() == (NOON - 7000, NOON + 5000)


# --- replacing -----------------------------------------------------------------------------------------


def soc(time_ms: int, value: float) -> Reading:
    return good(time_ms, value, "state_of_charge", device="estimate")


def test_replacing_changes_one_device_in_one_span_and_nothing_else(store: Pair) -> None:
    voltages = [good(NOON + i * 60_000, 12.0 + i / 10) for i in range(4)]
    store.keep(*voltages, *(soc(NOON + i * 60_000, 0.5) for i in range(4)))
    store.writer.replace(
        "estimate", NOON + 60_000, NOON + 180_000, [soc(NOON + 60_000, 0.8), soc(NOON + 90_000, 0.9)]
    )
    expected = [(0, 0.5), (60_000, 0.8), (90_000, 0.9), (180_000, 0.5)]
    rows = [
        (at - NOON, row["state_of_charge"]) for at, row in store.reader.rows(["state_of_charge"], 0, 2 * NOON)
    ]
    assert rows == expected
    assert list(store.reader.readings(0, 2 * NOON, ["charger"])) == voltages
    stat = one_day(store, date(2026, 11, 24), "state_of_charge")
    assert (stat.count, stat.minimum, stat.maximum) == (4, 0.5, 0.9)
    assert store.writer.latest() == store.reader.latest()


def test_replacing_to_the_end_moves_the_newest_reading(store: Pair) -> None:
    store.keep(good(NOON, 12.0), *(soc(NOON + i * 1000, 0.5) for i in range(5)))
    store.writer.replace("estimate", NOON + 2000, NOON + HOUR_MS, [soc(NOON + 3000, 0.75)])
    assert store.reader.latest_good("state_of_charge") == soc(NOON + 3000, 0.75)
    assert store.writer.latest_good("state_of_charge") == soc(NOON + 3000, 0.75)
    store.writer.replace("estimate", 0, NOON + HOUR_MS, [])
    assert store.reader.latest() == [good(NOON, 12.0)]
    assert store.writer.latest_good("state_of_charge") is None
    assert [stat.quantity for stat in store.reader.days(date(2026, 1, 1), date(2026, 12, 31))] == [VOLTAGE]
    store.keep(soc(NOON + 9000, 0.6))
    assert store.reader.latest_good("state_of_charge") == soc(NOON + 9000, 0.6)


def test_what_is_put_while_readings_are_replaced_goes_with_them(store: Pair) -> None:
    def coming() -> Iterator[Reading]:
        yield soc(NOON, 0.5)
        store.writer.put_note("estimator", "after the last")
        store.writer.add_event(Event(NOON, "rebuild", "", "done"))

    store.writer.append([good(NOON, 12.0)])
    store.writer.replace("estimate", NOON, NOON + 1, coming())
    assert store.reader.note("estimator") == "after the last"
    assert [event.text for event in store.reader.events(0, 2 * NOON)] == ["done"]
    assert store.reader.latest() == [good(NOON, 12.0), soc(NOON, 0.5)]


def test_an_error_while_readings_are_replaced_leaves_the_store_as_it_was(store: Pair) -> None:
    store.keep(*(soc(NOON + i * 1000, 0.5) for i in range(5)))
    before = list(store.reader.readings(0, 2 * NOON))

    def breaking() -> Iterator[Reading]:
        yield soc(NOON, 0.9)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        store.writer.replace("estimate", NOON, NOON + HOUR_MS, breaking())
    for foreign in (soc(NOON - 1, 0.9), good(NOON, 12.0), soc(NOON + HOUR_MS, 0.9)):
        with pytest.raises(StoreError, match="cannot replace readings of estimate"):
            store.writer.replace("estimate", NOON, NOON + HOUR_MS, [soc(NOON, 0.9), foreign])
    assert list(store.reader.readings(0, 2 * NOON)) == before
    store.keep(soc(NOON + 7000, 0.4))
    assert one_day(store, date(2026, 11, 24), "state_of_charge").count == 6


# --- events, alarms, health, notes ---------------------------------------------------------------------


def test_events_come_newest_first_within_span_and_limit(store: Pair) -> None:
    events = [Event(NOON + i, "device", "charger", f"number {i}") for i in range(5)]
    for event in events:
        store.writer.add_event(event)
    assert store.writer.events(NOON, NOON + 5) == events[::-1]
    store.writer.commit()
    assert store.reader.events(NOON + 1, NOON + 4) == events[3:0:-1]
    assert store.reader.events(NOON, NOON + 5, limit=2) == events[:2:-1]
    assert store.writer.events(NOON, NOON + 5) == events[::-1]
    again = Event(NOON + 4, "alarm", "low voltage", "at the same moment, told later")
    store.writer.add_event(again)
    assert store.writer.events(NOON, NOON + 5, limit=2) == [again, events[4]]
    store.writer.commit()
    assert store.reader.events(NOON, NOON + 5, limit=2) == [again, events[4]]


def test_alarms_health_and_notes_replace_their_former_state(store: Pair) -> None:
    low = AlarmState("low voltage", "unacknowledged", NOON, "high", 11.3, "bank below 11.5 V", NOON - 60_000)
    calm = AlarmState("low voltage", "normal", NOON + 1, "high", None, "")
    charger = DeviceHealth(
        "charger", "by-id/usb", "silent", NOON, NOON - 9, 87.5, 5, {"no answer": 3}, "x", 7
    )
    shunt = DeviceHealth("shunt", "hide:502", "answering", NOON, NOON, 3.0, 9)
    store.writer.rank_devices(["shunt", "charger"])
    for state in (low, calm):
        store.writer.put_alarm(state)
    for health in (charger, shunt):
        store.writer.put_health(health)
    store.writer.put_note("estimator", "one")
    store.writer.put_note("estimator", "two")
    pending = store.writer.alarms(), store.writer.health(), store.writer.note("estimator")
    assert pending == ([calm], [shunt, charger], "two")
    assert (store.reader.alarms(), store.reader.health(), store.reader.note("estimator")) == ([], [], None)
    store.writer.commit()
    assert store.reader.alarms() == [calm]
    assert store.reader.health() == [shunt, charger]
    assert store.reader.note("estimator") == "two"


def test_closing_twice_is_fine_and_what_was_not_committed_is_gone(engine: Engine, tmp_path: Path) -> None:
    with engine.open_writer(tmp_path, "UTC") as writer:
        writer.append([good(NOON, 12.0)])
        writer.commit()
        writer.append([good(NOON + 1, 12.0)])
        writer.close()
    with engine.open_reader(tmp_path) as reader:
        assert reader.latest() == [good(NOON, 12.0)]
        reader.close()


def test_a_store_opened_again_goes_on_where_it_was(engine: Engine, tmp_path: Path) -> None:
    for part in range(3):
        with engine.open_writer(tmp_path, "UTC") as writer:
            writer.append(
                good(NOON + minute * 60_000, 2.0, CURRENT) for minute in range(part * 60, part * 60 + 61)
            )
            writer.commit()
    with engine.open_reader(tmp_path) as reader:
        (stat,) = reader.days(date(2026, 11, 24), date(2026, 11, 24))
        assert (stat.integral_h, stat.count) == (6.0, 181)


# --- the order of arrival does not matter ----------------------------------------------------------------

DEVICES = ("shunt", "charger", "import")


@st.composite
def histories(draw: st.DrawFn) -> tuple[list[Reading], int]:
    """Readings of some days with holes, flaws, several devices and clock changes, and a seed."""
    seed = draw(st.integers(0, 2**32 - 1))
    rng = random.Random(seed)
    start = to_ms(datetime(2026, 10, 24, 18, tzinfo=UTC)) + rng.randrange(HOUR_MS)
    readings: list[Reading] = []
    for device in DEVICES[: draw(st.integers(1, 3))]:
        for quantity in (VOLTAGE, CURRENT):
            time_ms = start + rng.randrange(HOUR_MS)
            usual_ms = draw(st.sampled_from([30_000, 240_000, 900_000, 5 * HOUR_MS]))
            for _ in range(draw(st.integers(0, 40))):
                readings.append(_any_reading(rng, time_ms, device, quantity))
                hole = rng.random() < 0.1
                time_ms += rng.randrange(1, 30 * HOUR_MS if hole else 2 * usual_ms)
    return readings, seed


def _any_reading(rng: random.Random, time_ms: int, device: str, quantity: str) -> Reading:
    kind = rng.random()
    if kind < 0.05:
        return Reading(time_ms, device, quantity, None, Quality.MISSING, "no answer")
    value = round(rng.uniform(-20, 20), 3)
    if kind < 0.1:
        return Reading(time_ms, device, quantity, value, Quality.SUSPECT, "jump")
    return Reading(time_ms, device, quantity, value)


def answers(reader: Any) -> list[Any]:
    """All a reader says of its readings."""
    said: list[Any] = [reader.latest(), reader.span(), reader.days(date(2026, 10, 1), date(2027, 12, 31))]
    first, last = reader.span() or (NOON, NOON)
    for quantity in (VOLTAGE, CURRENT):
        said.append(reader.latest_good(quantity))
        said.extend(reader.series(quantity, first, last + 1, points) for points in (1, 9, 100))
    said.append(list(reader.rows([VOLTAGE, CURRENT], first, last + 1)))
    said.append(list(reader.rows([CURRENT], first, last + 1, every_s=3600)))
    return said


def kept_in_batches(engine: Engine, readings: Sequence[Reading], sizes: Callable[[], int]) -> list[Any]:
    with opened(engine, "Europe/London") as store:
        store.writer.rank_devices(DEVICES[:2])
        left = list(readings)
        while left:
            size = sizes()
            store.keep(*left[:size])
            del left[:size]
        assert store.writer.latest() == store.reader.latest()
        return answers(store.reader)


def test_late_shuffled_and_repeated_readings_give_the_same_answers_to_the_last_bit(engine: Engine) -> None:
    @given(history=histories())
    @settings(max_examples=EXAMPLES[engine.name])
    def holds(history: tuple[list[Reading], int]) -> None:
        readings, seed = history
        rng = random.Random(seed)
        in_order = sorted(readings, key=lambda reading: reading.time_ms)
        repeated = in_order + rng.choices(in_order, k=len(in_order) // 3) if in_order else []
        rng.shuffle(repeated)
        expected = kept_in_batches(EMBEDDED, in_order, lambda: 7)
        assert kept_in_batches(engine, in_order, lambda: 10_000) == expected, f"seed {seed}"
        assert kept_in_batches(engine, repeated, lambda: rng.randrange(1, 30)) == expected, f"seed {seed}"

    holds()


def test_after_replacing_all_answers_are_as_if_only_the_new_readings_had_come(engine: Engine) -> None:
    @given(history=histories())
    @settings(max_examples=EXAMPLES[engine.name])
    def holds(history: tuple[list[Reading], int]) -> None:
        readings, seed = history
        rng = random.Random(seed)
        times = sorted(reading.time_ms for reading in readings) or [NOON]
        start, end = sorted((rng.choice(times), rng.choice([*times, times[-1] + HOUR_MS])))
        end += 1
        device = DEVICES[0]
        new = [_any_reading(rng, rng.randrange(start, end), device, CURRENT) for _ in range(rng.randrange(8))]
        stay = [r for r in readings if r.device != device or not start <= r.time_ms < end]
        expected = kept_in_batches(EMBEDDED, [*stay, *new], lambda: 10_000)
        with opened(engine, "Europe/London") as store:
            store.writer.rank_devices(DEVICES[:2])
            store.keep(*readings)
            store.writer.replace(device, start, end, new)
            assert answers(store.reader) == expected, f"seed {seed}"
            assert store.writer.latest() == store.reader.latest(), f"seed {seed}"

    holds()


def test_the_integral_does_not_depend_on_where_the_hours_are_cut(engine: Engine) -> None:
    """A steady current for three hours around a local midnight, read at any further moments between."""

    @given(
        amps=st.integers(-30_000, 30_000),
        cuts=st.lists(st.integers(1, 10_799_999), max_size=20, unique=True),
    )
    @settings(max_examples=EXAMPLES[engine.name])
    def holds(amps: int, cuts: list[int]) -> None:
        start = to_ms(datetime(2026, 11, 24, 22, 30, tzinfo=UTC))
        moments = sorted({*range(0, 10_800_001, 300_000), *cuts})
        with opened(engine) as store:
            store.keep(*(good(start + moment, amps / 1000, CURRENT) for moment in moments))
            stats = [one_day(store, date(2026, 11, 24) + timedelta(days=i)) for i in range(2)]
            assert sum(stat.integral_h for stat in stats) == pytest.approx(3 * amps / 1000, abs=1e-9)
            assert [stat.covered_s for stat in stats] == [5400, 5400]

    holds()
