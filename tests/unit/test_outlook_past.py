"""What the outlook remembers of a site: five-minute slots of loads, however they are metered."""

import numpy as np
import pytest

from monitor.outlook.past import DAY, KEPT_DAYS, SEEN, SIZE, SLOT_MS, TEMPERATURE, SitePast
from tests.unit.outlook_world import START_MS, UTC_HIDE, site_of

FIRST = START_MS // SLOT_MS


def past_at(level):
    return SitePast(site_of(UTC_HIDE.replace('level = "controller"', f'level = "{level}"')))


@pytest.mark.parametrize(
    ("level", "row", "drawn_A"),
    [
        ("shunt", {"charge_current_A": 8.0, "battery_current_A": 5.0}, 3.0),
        ("shunt", {"battery_current_A": -2.5}, 2.5),
        ("controller", {"load_current_A": 4.0, "unseen_load_A": 0.3}, 4.3),
        # 2 W of the monitor at 12 V
        ("controller", {"load_current_A": 4.0}, 4.0 + 2 / 12),
        ("charging", {"charge_current_A": 0.0, "unseen_load_A": 1.7}, 1.7),
    ],
)
def test_the_load_is_what_leaves_the_bank_however_it_is_metered(level, row, drawn_A):
    past = past_at(level)
    past.add(START_MS, row)
    assert past.load_before(FIRST + 1)[-1] == pytest.approx(drawn_A, rel=1e-5)


@pytest.mark.parametrize(
    ("level", "row"),
    [
        # charging, and no meter tells how much of it the loads took
        ("shunt", {"battery_current_A": 6.0}),
        ("charging", {"charge_current_A": 3.0}),
        ("controller", {"battery_voltage_V": 12.4}),
    ],
)
def test_what_no_meter_tells_stays_unknown(level, row):
    past = past_at(level)
    past.add(START_MS, row)
    assert np.isnan(past.load_before(FIRST + 1)[-1])


def test_several_rows_of_a_slot_are_their_mean_and_slots_without_rows_are_unknown():
    past = past_at("controller")
    for second, load_A in ((0, 2.0), (60, 3.0), (120, 7.0)):
        past.add(START_MS + second * 1000, {"load_current_A": load_A})
    past.add(START_MS + 2 * SLOT_MS, {"load_current_A": 1.0})
    seen = past.before(FIRST + 3, SEEN)[-3:]
    assert seen[0] == pytest.approx(4.0)
    assert np.isnan(seen[1])
    assert seen[2] == pytest.approx(1.0)


def test_rows_may_come_day_by_day_from_the_newest_back():
    past = past_at("controller")
    for day in (3, 1, 2, 0):
        past.add(START_MS + day * DAY * SLOT_MS, {"battery_temperature_C": 10.0 + day})
    temperatures = past.before(FIRST + 3 * DAY + 1, TEMPERATURE)
    assert [temperatures[-1 - (3 - day) * DAY] for day in range(4)] == [10.0, 11.0, 12.0, 13.0]


def test_the_oldest_rows_give_way_and_older_ones_do_not_come_back():
    past = past_at("controller")
    past.add(START_MS, {"battery_temperature_C": 1.0})
    later_ms = START_MS + KEPT_DAYS * DAY * SLOT_MS
    past.add(later_ms, {"battery_temperature_C": 2.0})
    past.add(START_MS, {"battery_temperature_C": 3.0})
    known = past.before(later_ms // SLOT_MS + 1, TEMPERATURE)
    assert len(known) == SIZE
    assert known[-1] == 2.0
    assert np.isfinite(known).sum() == 1


def test_nothing_at_or_after_a_moment_is_seen_from_it():
    past = past_at("controller")
    past.add(START_MS, {"load_current_A": 2.0})
    before = past.load_before(FIRST + 1).copy()
    past.add(START_MS + SLOT_MS, {"load_current_A": 50.0})
    assert np.array_equal(past.load_before(FIRST + 1), before, equal_nan=True)


def cut_of(rows):
    """The slots in which the loads are taken for cut: (voltage, load) by slot; the site cuts at 11.4 V and
    connects again at 12.6 V."""
    past = past_at("controller")
    for number in range(DAY):  # a day of 4 A before, so that it is known what a load is
        past.add(START_MS + number * SLOT_MS, {"battery_voltage_V": 12.3, "load_current_A": 4.0})
    for number, (voltage_V, load_A) in enumerate(rows):
        row = {"battery_voltage_V": voltage_V, "load_current_A": load_A}
        past.add(START_MS + (DAY + number) * SLOT_MS, row)
    slot = FIRST + DAY + len(rows)
    return list(past.cut_before(slot)[-len(rows) :]), past.load_before(slot)[-len(rows) :]


def test_loads_that_went_off_at_the_disconnect_are_cut_until_the_bank_has_recovered():
    rows = [(11.6, 4.0), (11.4, 3.0), (11.9, 0.0), (12.0, 0.0), (12.7, 0.0), (12.7, 4.0)]
    cut, load_A = cut_of(rows)
    assert cut == [False, False, True, True, False, False]
    # the person wanted light in those slots: they are no habit of sitting in the dark
    assert np.isnan(load_A[2:4]).all()
    assert np.isfinite(load_A[[0, 1, 4, 5]]).all()


def test_a_quiet_night_at_a_healthy_voltage_is_no_cut():
    assert not any(cut_of([(12.4, 0.0)] * 6)[0])


def test_a_load_in_a_low_bank_shows_that_nothing_is_cut():
    assert not any(cut_of([(11.4, 4.0), (11.3, 4.0), (11.3, 4.0)])[0])


def test_unmetered_loads_are_as_large_as_what_was_charged_and_not_kept():
    """Ten days: 30 Ah in a day and the charge as before at the end; the voltage made 20 Ah of it."""
    past = past_at("charging")
    for number in range(10 * DAY):
        past.add(
            START_MS + number * SLOT_MS,
            {"charge_current_A": 30 / 24, "unseen_load_A": 20 / 24, "state_of_charge": 0.7},
        )
    told_Ah = float(np.nansum(past.load_before(FIRST + 10 * DAY))) / 12 / 10
    # two thirds of the way (10 days of 15) from 20 to 30 Ah less 6 % of loss, in ratios
    assert told_Ah == pytest.approx(20 * (28.2 / 20) ** (10 / 15), rel=0.01)
