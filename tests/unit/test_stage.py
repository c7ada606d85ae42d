"""The charge stage from readings, over hand-made days and ten simulated ones."""

import json
import math
from dataclasses import replace
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.bank.description import BankDescription
from monitor.bank.sample import BankSample
from monitor.bank.setpoints import SetPoints
from monitor.bank.stage import StageTracker
from monitor.quantities import Stage
from monitor.site.model import Meters
from tests.stage_cases import Case, drawn_instruments, hits, truths

# flooded, 12 V: 14.8 / 13.2 / 15.5 V and -5.04 mV per cell and °C, a battery maker's data sheet and guide
SHEET = SetPoints(14.8, 13.2, 15.5, -0.030)
BANK = BankDescription(
    chemistry="flooded",
    cells=6,
    capacity_Ah=450.0,
    set_points=SHEET,
    absorption_h=2.5,
    tail_current_A=9.0,  # 2 % of C20: a battery maker's manual
    disconnect_V=11.4,
    meters=Meters(),
    monitor_A=0.16,
    use_A=None,
    straight=False,
    level=None,
)
MINUTE_MS = 60_000


class Day:
    """A tracker fed minute by minute."""

    def __init__(self, bank=BANK, saved=None):
        self.tracker, self.time_ms = StageTracker(bank, saved), 1_700_000_000_000
        self.bank, self.views = bank, []

    def minutes(self, count, voltage_V, charge_A=0.0, array_V=18.0, temperature_C=25.0, **more):
        """So many minutes at a voltage (or from one to another) and current; the last view."""
        first, last = voltage_V if isinstance(voltage_V, tuple) else (voltage_V, voltage_V)
        from_A, to_A = charge_A if isinstance(charge_A, tuple) else (charge_A, charge_A)
        for number in range(count):
            share = number / max(1, count - 1)
            self.time_ms += MINUTE_MS
            sample = BankSample(
                self.time_ms,
                battery_voltage_V=round(first + share * (last - first), 2),
                charge_current_A=round(from_A + share * (to_A - from_A), 2),
                battery_temperature_C=temperature_C,
                array_voltage_V=array_V,
                **more,
            )
            self.views.append(self.tracker.update(sample))
        return self.views[-1]

    def to_absorption(self):
        self.minutes(60, 12.4, array_V=0.0)
        self.minutes(240, (12.8, 14.79), (25.0, 20.0))
        return self.minutes(10, 14.8, (20.0, 18.0))


def test_a_day_goes_from_night_through_bulk_and_absorption_to_float_and_night():
    day = Day()
    assert day.minutes(60, 12.4, array_V=0.0).stage is Stage.OFF
    assert day.minutes(200, (12.8, 14.4), 25.0).stage is Stage.BULK
    day.minutes(40, (14.4, 14.8), 25.0)
    assert day.minutes(60, 14.8, (25.0, 12.0)).stage is Stage.ABSORPTION
    assert day.minutes(3, (14.2, 13.3), 0.0).stage is Stage.FLOAT  # the current ends, the voltage falls
    assert day.minutes(120, 13.2, 2.0).stage is Stage.FLOAT
    assert day.minutes(30, (13.0, 12.6), array_V=0.0).stage is Stage.OFF


def test_passing_the_float_voltage_on_the_way_up_is_bulk():
    day = Day()
    day.minutes(60, 12.4, array_V=0.0)
    assert all(
        view.stage is Stage.BULK for view in _told(day, lambda: day.minutes(60, (13.0, 13.5), 20.0))[2:]
    )


def test_a_voltage_well_above_absorption_is_equalization():
    day = Day()
    day.to_absorption()
    day.minutes(20, (14.8, 15.5), 20.0)
    assert day.minutes(60, 15.5, 15.0).stage is Stage.EQUALIZATION


def test_a_cloud_does_not_end_absorption_but_a_long_sag_does():
    day = Day()
    day.to_absorption()
    assert day.minutes(5, 14.2, 3.0).stage is Stage.ABSORPTION
    assert day.minutes(20, 14.2, 3.0).stage is Stage.BULK


@pytest.mark.parametrize("temperature_C", [0.0, 25.0, 40.0])
def test_set_points_move_with_the_bank(temperature_C):
    # computed for 14.8 V and a battery maker's -5 mV a cell and °C: 15.55 V at 0 °C, 14.35 V at 40 °C
    held_V = {0.0: 15.55, 25.0: 14.8, 40.0: 14.35}[temperature_C]
    day = Day()
    day.minutes(60, 12.4, array_V=0.0)
    day.minutes(200, (12.8, held_V - 0.3), 25.0, temperature_C=temperature_C)
    assert day.views[-1].stage is Stage.BULK
    assert day.minutes(20, held_V, (25.0, 22.0), temperature_C=temperature_C).stage is Stage.ABSORPTION


def test_a_controller_that_does_not_compensate_is_found_out():
    day = Day()
    for _ in range(3):  # 14.8 V held at 5 °C, where 15.4 V is configured
        day.minutes(300, 12.4, array_V=0.0, temperature_C=5.0)
        day.minutes(200, (12.8, 14.8), 25.0, temperature_C=5.0)
        day.minutes(120, 14.8, (25.0, 8.0), temperature_C=5.0)
        day.minutes(120, 13.2, 2.0, temperature_C=5.0)
    before = len(day.views)
    day.minutes(300, 12.4, array_V=0.0, temperature_C=5.0)
    day.minutes(200, (12.8, 14.8), 25.0, temperature_C=5.0)
    assert day.minutes(60, 14.8, (25.0, 8.0), temperature_C=5.0).stage is Stage.ABSORPTION
    assert day.minutes(60, 13.2, 2.0, temperature_C=5.0).stage is Stage.FLOAT
    assert len(day.views) > before


@pytest.mark.parametrize(
    ("between", "stage"), [("the moved voltage is held", Stage.EQUALIZATION), ("nothing", Stage.ABSORPTION)]
)
def test_hours_that_looked_uncompensated_are_forgotten_once_the_moved_voltage_is_held(between, stage):
    # at 40 °C the array's controller holds 14.35 V (facts 4.2); another charger holds 14.8 V now and then
    day, warm = Day(), {"temperature_C": 40.0}
    for _ in range(2):
        day.minutes(300, 12.4, array_V=0.0, **warm)
        day.minutes(150, (12.8, 14.79), 25.0, **warm)
        day.minutes(5, 14.8, 25.0, **warm)
        told = day.minutes(80, 14.8, 10.0, **warm)  # over an hour, and over two on both days together
        if between == "the moved voltage is held":
            day.minutes(60, 14.35, 8.0, **warm)
    assert told.stage is stage


def switched_off(day):
    day.minutes(3, (14.2, 13.3), 0.0)
    return day.minutes(10, 13.2, 2.0)


def brought_down(day):
    return day.minutes(15, 13.2, 2.0)


def worn_down_by_clouds(day):
    day.minutes(15, (14.6, 13.2), 5.0)
    return day.minutes(15, 13.2, 5.0)


@pytest.mark.parametrize(
    ("end", "next_day"),
    [
        (switched_off, Stage.ABSORPTION),
        (brought_down, Stage.ABSORPTION),
        (worn_down_by_clouds, Stage.BULK),
    ],
)
def test_an_absorption_held_low_is_known_the_next_day_if_its_controller_was_seen_to_end_it(end, next_day):
    day = Day()
    for expected in (Stage.BULK, next_day):
        day.minutes(60, 12.4, array_V=0.0)
        day.minutes(200, (12.8, 14.6), 20.0)
        # below 14.8 V, and the current does not fall: nothing tells yet that this is held
        assert day.minutes(4, 14.74, 20.0).stage is expected
        day.minutes(6, 14.74, 20.0)
        assert end(day).stage is Stage.FLOAT
        day.minutes(300, 12.4, array_V=0.0)


def test_the_net_current_alone_shows_the_stage_even_where_the_loads_take_more_than_the_array_gives():
    day = Day()
    feed = {"array_V": None, "charge_A": math.nan}
    day.minutes(60, 12.4, battery_current_A=-2.0, **feed)
    assert day.minutes(100, (12.8, 14.7), battery_current_A=15.0, **feed).stage is Stage.BULK
    assert day.minutes(60, 14.8, battery_current_A=-1.0, **feed).stage is Stage.ABSORPTION


def test_voltage_and_array_alone_show_the_stage():
    day = Day()
    feed = {"charge_A": math.nan}
    day.minutes(60, 12.4, array_V=0.0, array_current_A=0.0, charge_A=math.nan)
    assert day.minutes(100, (12.8, 14.6), array_current_A=9.0, **feed).stage is Stage.BULK
    assert day.minutes(60, 14.8, array_current_A=5.0, **feed).stage is Stage.ABSORPTION


def test_absorption_is_finished_once_a_charge_when_the_tail_current_has_been_held():
    day = Day()
    day.to_absorption()
    assert not any(view.absorption_finished for view in day.views)
    started = len(day.views)
    day.minutes(60, 14.8, 8.0)  # below 9 A, 2 % of 450 Ah
    finished = [number for number, view in enumerate(day.views) if view.absorption_finished]
    assert finished == [started + 14]  # a quarter of an hour
    assert day.views[-1].absorption_s - day.views[started - 1].absorption_s == 3600.0
    day.minutes(10, 14.8, 20.0)
    day.minutes(60, 14.8, 8.0)
    assert sum(view.absorption_finished for view in day.views) == 1
    day.minutes(300, 12.4, array_V=0.0)
    day.to_absorption()
    day.minutes(60, 14.8, 8.0)
    assert sum(view.absorption_finished for view in day.views) == 2


def test_a_small_current_far_below_the_set_point_finishes_nothing():
    day = Day()
    day.to_absorption()
    day.minutes(60, 14.2, 3.0)
    assert not any(view.absorption_finished for view in day.views)


def test_the_controllers_word_is_shown_and_cross_checked():
    day = Day()
    day.to_absorption()
    view = day.minutes(10, 14.8, 18.0, stage=Stage.FLOAT)
    assert (view.stage, view.detected, view.contradicts) == (Stage.FLOAT, Stage.ABSORPTION, None)
    view = day.minutes(30, 14.8, 18.0, stage=Stage.FLOAT)
    assert (view.stage, view.contradicts) == (Stage.FLOAT, Stage.ABSORPTION)
    assert day.minutes(5, 14.8, 18.0, stage=Stage.ABSORPTION).contradicts is None


def test_what_a_meter_may_be_off_by_at_nothing_is_no_charge():
    zero = BANK.meters.current_offset_tolerance_A
    assert Day().minutes(60, 12.4, zero, array_V=None).stage is Stage.OFF
    assert Day().minutes(60, 12.4, zero + 0.02, array_V=None).stage is Stage.BULK


def test_night_and_an_array_that_gives_nothing_in_daylight_are_told():
    day = Day()
    view = day.minutes(60, 12.4, array_V=0.0)
    assert view.night
    assert not view.not_charging_in_daylight
    view = day.minutes(60, 12.4, 0.0, array_V=20.0)  # light on the array, no current
    assert view.not_charging_in_daylight
    assert not view.night


def test_a_restart_goes_on_where_it_stopped():
    day = Day()
    day.to_absorption()
    day.minutes(10, 14.8, 8.0)
    saved = json.loads(json.dumps(day.tracker.state()))
    again = Day(saved=saved)
    again.time_ms = day.time_ms
    assert again.minutes(30, 14.8, 8.0) == day.minutes(30, 14.8, 8.0)
    assert again.tracker.state() == day.tracker.state()


@pytest.mark.parametrize(
    "saved",
    [{}, {"stage": 9}, {"held": 3}, {"held": {"flat_V": "x"}}, {"held": {}, "tail_s": math.nan}, 7, "text",
     {"held": {}, "daylight": [1.0]}],
)  # fmt: skip
def test_an_unusable_saved_state_starts_from_nothing(saved):
    assert StageTracker(BANK, saved).state() == StageTracker(BANK).state()


def test_a_clock_set_back_is_followed_and_a_late_sample_is_not():
    day = Day()
    day.to_absorption()
    kept = day.tracker.state()
    day.tracker.update(BankSample(day.time_ms - 7_200_000, 12.0, charge_current_A=0.0))
    assert day.tracker.state()["last_ms"] == kept["last_ms"]
    assert day.views[-1].stage is Stage.ABSORPTION
    day.time_ms -= 30 * 86_400_000
    assert day.minutes(60, 12.4, array_V=0.0).stage is Stage.OFF


ODD = st.one_of(
    st.none(),
    st.floats(),
    st.sampled_from([math.nan, math.inf, -1e300, 1e300, 0.0, 14.8]),
    st.floats(-50, 80),
)


@given(
    rows=st.lists(
        st.tuples(
            st.integers(-(10**6), 10**7), ODD, ODD, ODD, ODD, ODD, ODD, ODD, st.sampled_from([None, *Stage])
        ),
        max_size=40,
    )
)
def test_no_sample_raises_or_poisons(rows):
    # whatever came, two ordinary days later the tracker tells what an untroubled one tells
    troubled, calm = Day(), Day()
    for offset_s, *values in rows:
        troubled.tracker.update(BankSample(troubled.time_ms + offset_s * 1000, *values))
    json.dumps(troubled.tracker.state(), allow_nan=False)
    for day in (troubled, calm):
        day.time_ms += 20_000_000_000
        for _ in range(2):
            day.minutes(400, 12.4, array_V=0.0)
            day.minutes(150, (12.8, 14.6), 25.0)
            day.minutes(40, 14.8, (25.0, 5.0))
            day.minutes(60, 13.2, 2.0)
    last = 40
    assert [view.stage for view in troubled.views[-last:]] == [view.stage for view in calm.views[-last:]]
    assert {view.stage for view in calm.views[-last:]} == {Stage.FLOAT}


def test_zero_intervals_and_repeated_samples_change_nothing():
    day = Day()
    day.to_absorption()
    before = day.tracker.state()
    for _ in range(2):
        day.tracker.update(BankSample(day.time_ms, 12.0, charge_current_A=0.0))
    after = day.tracker.state()
    assert {**after, "behind": 0, "behind_ms": None} == {**before, "behind": 0, "behind_ms": None}


@pytest.mark.parametrize("every_s", [5, 60, 300, 900])
def test_rows_may_come_every_few_seconds_or_minutes(every_s):
    rng, tracker, time_ms = Random(1), StageTracker(BANK), 0

    def feed(hours, voltage_V, charge_A, array_V=18.0):
        nonlocal time_ms
        for _ in range(round(hours * 3600 / every_s)):
            time_ms += every_s * 1000
            noisy_V = round(voltage_V + rng.gauss(0, 0.003), 2)
            view = tracker.update(
                BankSample(
                    time_ms,
                    noisy_V,
                    charge_current_A=charge_A,
                    battery_temperature_C=25.0,
                    array_voltage_V=array_V,
                )
            )
        return view.stage

    assert feed(1, 12.4, 0.0, 0.0) is Stage.OFF
    assert feed(1, 13.2, 20.0) is Stage.BULK
    assert feed(1, 14.8, 15.0) is Stage.ABSORPTION
    assert feed(0.5, 13.8, 0.0) is Stage.FLOAT
    assert feed(1, 13.2, 1.0) is Stage.FLOAT
    assert feed(1, 12.7, 0.0, 0.0) is Stage.OFF


@pytest.mark.parametrize(
    ("level", "step", "kind"),
    [("shunt", 0.01, "mppt"), ("controller sees loads", 0.1, "mppt"), ("charging only", 0.1, "pwm")],
)
def test_ten_simulated_days_are_named_right(level, step, kind):
    # the project's own target; sixty days and other controllers: python -m tests.bench.stage_hits
    case = Case(seed=11, kind=kind, days=10, equalize_every_days=4)
    rows, bank = truths(case)
    found = hits(rows, bank, level, drawn_instruments(case.seed, step))
    assert found.clear_right >= 0.98, str(case)
    for stage in (Stage.OFF, Stage.BULK, Stage.ABSORPTION, Stage.FLOAT):
        assert found.recall(stage) >= 0.90, f"{case}: {stage.name}"
    # an hour's equalization is told only once the voltage has risen past what the meters explain, which takes
    # longest in the first days and with coarse meters: here the target of 90 % is not reached
    assert found.recall(Stage.EQUALIZATION) >= (0.75 if step < 0.1 else 0.40), str(case)


def test_meters_of_a_coarse_step_widen_what_counts_as_held():
    coarse = replace(BANK, meters=Meters(voltage_step_V=0.1, current_step_A=0.1))
    day = Day(coarse)
    day.minutes(60, 12.4, array_V=0.0)
    day.minutes(200, (12.8, 14.5), 25.0)
    assert day.minutes(20, 14.8, (25.0, 22.0)).stage is Stage.ABSORPTION


def _told(day, feed):
    before = len(day.views)
    feed()
    return day.views[before:]
