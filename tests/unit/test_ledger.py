"""The ledger: of a day at each metering level, of any span through the real store, hours in each stage."""

from datetime import date
from itertools import pairwise
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.bank.ledger import Flow, day_ledger, deepest, equivalent_cycles, flow
from monitor.bank.setpoints import SetPoints
from monitor.bank.stage_hours import HeldSeen, set_points_in_words, stage_hours
from monitor.quantities import Stage
from monitor.records import DayStat, Reading
from monitor.store.embedded import open_reader, open_writer
from monitor.store.parts import span_stats

DAY = date(2026, 11, 20)


def stat(quantity, integral, positive=None, negative=0.0, day=DAY, **kwargs):
    values = {
        "count": 10,
        "minimum": 0.0,
        "min_ms": 0,
        "mean": 0.0,
        "maximum": 0.0,
        "first": 0.0,
        "last": 0.0,
        "covered_s": 86400.0,
    } | kwargs
    return DayStat(
        day,
        "d",
        quantity,
        integral_h=integral,
        positive_h=integral if positive is None else positive,
        negative_h=negative,
        **values,
    )


def test_the_controllers_level_counts_its_metered_load():
    ledger = day_ledger(
        [
            stat("array_power_W", 520.0),
            stat("charge_power_W", 500.0),
            stat("load_power_W", 300.0),
            stat("load_current_A", 24.0),
        ],
        "controller",
    )
    assert (ledger.harvest_Wh, ledger.charge_Wh, ledger.used_Wh, ledger.used_Ah) == (520, 500, 300, 24)


def test_the_shunts_level_counts_what_the_noon_array_fed_straight_to_the_loads():
    # by hand: the controller gave 40 Ah, the bank kept 15 net, so the loads took 25
    ledger = day_ledger(
        [stat("charge_current_A", 40.0), stat("battery_current_A", 15.0, positive=30.0, negative=-15.0)],
        "shunt",
    )
    assert ledger.used_Ah == pytest.approx(25.0)


def test_a_shunt_alone_counts_what_left_the_bank():
    ledger = day_ledger([stat("battery_current_A", 15.0, positive=30.0, negative=-15.0)], "shunt")
    assert ledger.used_Ah == pytest.approx(15.0)


@pytest.mark.parametrize(
    ("charge_s", "net_s"),
    [(80_000.0, 86_400.0), (86_400.0, 80_000.0)],
    ids=["controller silent for two hours", "shunt silent for two hours"],
)
def test_the_use_is_unknown_where_controller_and_shunt_cover_unlike_times(charge_s, net_s):
    """By hand: with the noon's 20 Ah unread at the controller 20 - 35 would be a use of minus 15 Ah."""
    ledger = day_ledger(
        [
            stat("charge_current_A", 20.0, covered_s=charge_s),
            stat("battery_current_A", 35.0, positive=40.0, negative=-5.0, covered_s=net_s),
        ],
        "shunt",
    )
    assert ledger.used_Ah is None
    assert ledger.charge_Ah == 20.0


@pytest.mark.parametrize(("day_s", "apart_s"), [(86_400.0, 2500.0), (7200.0, 290.0)])
def test_a_few_lost_answers_do_not_hide_the_use(day_s, apart_s):
    ledger = day_ledger(
        [
            stat("charge_current_A", 40.0, covered_s=day_s - apart_s),
            stat("battery_current_A", 15.0, positive=30.0, negative=-15.0, covered_s=day_s),
        ],
        "shunt",
    )
    assert ledger.used_Ah == pytest.approx(25.0)


def test_the_use_is_at_least_what_left_the_bank():
    """Meters differ by a percent or two: a day without a lamp must not end with a negative use."""
    ledger = day_ledger(
        [stat("charge_current_A", 40.0), stat("battery_current_A", 40.4, positive=40.8, negative=-0.4)],
        "shunt",
    )
    assert ledger.used_Ah == pytest.approx(0.4)


def test_use_is_unknown_where_only_charging_is_metered():
    ledger = day_ledger([stat("charge_current_A", 40.0), stat("load_current_A", 0.0)], "charging")
    assert ledger.used_Ah is None
    assert ledger.used_Wh is None


def test_a_day_without_a_quantity_is_unknown_and_not_zero():
    ledger = day_ledger(
        [stat("battery_voltage_V", 290.0, minimum=12.1, min_ms=5, maximum=14.7)], "controller"
    )
    assert ledger.harvest_Wh is None
    assert (ledger.voltage_min_V, ledger.voltage_min_ms, ledger.voltage_max_V) == (12.1, 5, 14.7)


def test_one_reading_that_covers_no_time_is_no_energy():
    assert day_ledger([stat("array_power_W", 0.0, covered_s=0.0)], "controller").harvest_Wh is None


def test_statistics_of_two_days_are_refused():
    with pytest.raises(ValueError, match="one day"):
        day_ledger([stat("array_power_W", 1.0), stat("array_power_W", 1.0, day=date(2026, 11, 21))], "shunt")


# by hand: 2 h at +10 A and 12 V, then 3 h at -4 A and 12 V
def flow_day(**more):
    return [
        stat("battery_current_A", 8.0, positive=20.0, negative=-12.0, **more),
        stat("battery_power_W", 96.0, positive=240.0, negative=-144.0, **more),
        stat("charge_current_A", 25.0, **more),
        stat("charge_power_W", 300.0, **more),
    ]


def test_a_flow_is_what_went_in_and_what_went_out():
    moved = flow(flow_day(covered_s=18000.0), "shunt", 86400.0)
    assert (moved.in_Ah, moved.out_Ah, moved.in_Wh, moved.out_Wh) == (20, 12, 240, 144)
    assert moved.returned == pytest.approx(20 / 12)
    assert moved.dark_s == 86400 - 18000


def test_where_loads_are_not_metered_only_what_the_controller_gave_is_known():
    moved = flow(flow_day(), "charging", 86400.0)
    assert (moved.in_Ah, moved.in_Wh) == (25, 300)
    assert (moved.out_Ah, moved.out_Wh, moved.returned) == (None, None, None)


def test_a_flow_of_nothing_is_unknown_and_not_zero():
    assert flow([], "shunt", 60.0) == Flow(None, None, None, None, 0.0, 60.0)


def test_the_deepest_discharge_is_the_lowest_charge_of_all_days_with_its_time():
    low = stat("state_of_charge", 0.0, minimum=0.42, min_ms=7)
    later = stat("state_of_charge", 0.0, minimum=0.55, min_ms=9, day=date(2026, 11, 21))
    assert deepest([later, low]) == (0.42, 7)
    assert deepest(flow_day()) is None


def test_equivalent_cycles_are_charge_taken_over_capacity():
    assert equivalent_cycles(675.0, 450.0) == 1.5  # by hand
    assert equivalent_cycles(None, 450.0) is None


# --- through the real store: a span is the same however the readings came ---------------------------------

ZONE = ZoneInfo("Europe/London")
START_MS = 1_795_000_000_000  # 2026-11-18T09:06:40Z
NET = "battery_current_A"


def stored(path, readings, cuts=()):
    """A store that the readings went into in the given order, closed and opened again at each cut."""
    places = [0, *sorted(cuts), len(readings)]
    for first, last in pairwise(places):
        with open_writer(path, "Europe/London") as store:
            store.append(readings[first:last])
            store.commit()
    return open_reader(path)


CURRENTS = st.lists(
    st.tuples(st.sampled_from([60, 60, 60, 600, 3600, 40_000]), st.integers(-3000, 3000)),
    min_size=3,
    max_size=60,
)


def course(steps):
    """Readings of a current: seconds since the one before, hundredths of an ampere."""
    time_ms, readings = START_MS, []
    for seconds, hundredths in steps:
        time_ms += seconds * 1000
        readings.append(Reading(time_ms, "shunt", NET, hundredths / 100))
    return readings


def totals(reader, start_ms, end_ms):
    moved = flow(span_stats(reader, ZONE, [NET], start_ms, end_ms), "shunt", (end_ms - start_ms) / 1000)
    return moved.in_Ah or 0.0, moved.out_Ah or 0.0, moved.covered_s


@settings(max_examples=10)
@given(steps=CURRENTS, data=st.data())
def test_restarts_repeats_and_late_rows_change_no_ledger(steps, data):
    readings = course(steps)
    shuffled = data.draw(st.permutations(readings + readings[:: data.draw(st.integers(1, 4))]))
    cuts = data.draw(st.lists(st.integers(1, len(shuffled) - 1), max_size=3, unique=True))
    with TemporaryDirectory() as folder:
        plain = stored(Path(folder) / "plain.db", readings)
        troubled = stored(Path(folder) / "troubled.db", list(shuffled), cuts)
        span = START_MS, readings[-1].time_ms + 1
        with plain, troubled:
            assert totals(plain, *span) == totals(troubled, *span)


@settings(max_examples=10)
@given(
    hundredths=st.lists(st.integers(-3000, 3000), min_size=30, max_size=90),
    gaps=st.lists(st.tuples(st.integers(0, 29), st.integers(600, 3600)), max_size=4),
)
def test_what_goes_in_less_what_goes_out_is_the_integral_of_the_net_current(hundredths, gaps):
    # an independent sum: trapezoids between the minutes' readings, nothing across a gap, all on one day
    holes = dict(gaps)
    readings = course([(holes.get(at, 60), value) for at, value in enumerate(hundredths)])
    expected_Ah = covered_s = 0.0
    for before, after in pairwise(readings):
        seconds = (after.time_ms - before.time_ms) / 1000
        if seconds == 60:
            expected_Ah += (before.value + after.value) / 2 * seconds / 3600
            covered_s += seconds
    with TemporaryDirectory() as folder, stored(Path(folder) / "store.db", readings) as reader:
        in_Ah, out_Ah, covered = totals(reader, START_MS, readings[-1].time_ms + 1)
    assert in_Ah - out_Ah == pytest.approx(expected_Ah, abs=1e-6)
    assert covered == pytest.approx(covered_s)


@pytest.fixture(scope="module")
def three_days(tmp_path_factory):
    """A reader on three days of readings every five minutes, and the time behind the last one."""
    rng = Random(7)
    readings = course([(300, rng.randint(-900, 900)) for _ in range(3 * 288)])
    with stored(tmp_path_factory.mktemp("days") / "store.db", readings) as reader:
        yield reader, readings[-1].time_ms + 1


@settings(max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cut_s=st.integers(300, 3 * 86_400 - 600))
def test_two_parts_of_a_span_make_the_whole(three_days, cut_s):
    reader, end_ms = three_days
    cut_ms = START_MS + cut_s * 1000
    whole = totals(reader, START_MS, end_ms)
    parts = [totals(reader, START_MS, cut_ms), totals(reader, cut_ms, end_ms)]
    # a pair on both sides of the cut is interpolated to it in both parts
    for first, second, all_of_it in zip(*parts, whole, strict=True):
        assert first + second == pytest.approx(all_of_it, abs=1e-6), f"cut {cut_s} s, seed 7"


def test_a_part_of_a_day_by_hand(tmp_path):
    # 6 A for an hour from 09:00, read each minute; from 09:20 to 09:50 half of it: 3 Ah
    readings = [Reading(START_MS + n * 60_000, "shunt", NET, 6.0) for n in range(61)]
    with stored(tmp_path / "store.db", readings) as reader:
        in_Ah, out_Ah, covered_s = totals(reader, START_MS + 20 * 60_000, START_MS + 50 * 60_000)
    assert (in_Ah, out_Ah, covered_s) == (pytest.approx(3.0), 0.0, 1800.0)


# --- hours in each stage ------------------------------------------------------------------------------------


def test_each_stages_hours_are_those_until_the_next_reading_and_silence_counts_nowhere():
    codes = [(0, 1), (600, 1), (1200, 2), (1800, 3), (9000, 0), (9600, 0)]
    rows = [(START_MS + s * 1000, {"charge_stage": float(code)}) for s, code in codes]
    hours = stage_hours(rows, START_MS, START_MS + 86_400_000)
    assert hours[Stage.BULK] == pytest.approx(1200 / 3600)
    assert hours[Stage.ABSORPTION] == pytest.approx(600 / 3600)
    assert hours[Stage.FLOAT] == 0.0  # two hours of silence followed
    assert hours[Stage.OFF] == pytest.approx(600 / 3600)


def test_held_voltages_are_told_at_25_degrees_beside_configured_and_usual_ones():
    # 14.8 V at 25 °C stands at 15.55 V at 0 °C with -5 mV a cell (computed from a battery maker's slope);
    # usual absorption of flooded banks by `site/chemistry.py`: 2.40 to 2.60 V a cell
    seen = HeldSeen(-0.030, 0.02)
    for number in range(60):
        sag_V = 0.4 if number % 5 == 0 else 0.0
        seen.take({"charge_stage": 2, "battery_voltage_V": 15.55 - sag_V, "battery_temperature_C": 0.0})
    assert seen.held_V(Stage.ABSORPTION) == pytest.approx(14.80, abs=0.011)
    assert seen.held_V(Stage.FLOAT) is None
    said = set_points_in_words(seen, SetPoints(14.4, 13.2, None, -0.030), "flooded", 6)
    assert "absorption 14.80 V referred to 25 °C (bank at 0 °C), configured 14.40 V" in said
    assert "usual 14.40 to 15.60 V" in said
    assert set_points_in_words(HeldSeen(0, 0.02), SetPoints(14.4, None, None, 0), "agm", 6).startswith("No ")
