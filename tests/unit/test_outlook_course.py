"""Supposed banks under supposed loads and suns: charge is conserved, set points and disconnect are kept."""

import numpy as np
import pytest

from monitor.bank.description import describe_site
from monitor.bank.estimator import BankEstimator
from monitor.bank.sample import BankSample
from monitor.bank.setpoints import SetPoints
from monitor.outlook.course import Hours, Plant, run
from tests.unit.outlook_world import UTC_HIDE, evening_lamps, lived, site_of

COUNT = 200


@pytest.fixture(scope="module")
def lived_in():
    site = site_of(UTC_HIDE)
    estimator, _ = lived(site, evening_lamps, 6)
    return site, estimator


def plant(site, **changed):
    bank = describe_site(site)
    values = {
        "capacity_Ah": bank.capacity_Ah,
        "cells": bank.cells,
        "set_points": bank.set_points,
        "absorption_h": 2.5,
        "disconnect_V": 11.4,
        "reconnect_V": 12.6,
        "always_A": 0.2,
    }
    return Plant(**values | changed)


def hours(load_A, offered_W=0.0, slots=144, temperature_C=20.0, fine=None):
    """Even hours: a load, and an array that offers the same all the time."""
    return Hours(
        load_A=np.full((slots, COUNT), load_A, dtype=np.float32),
        clear_W=np.full(slots, float(offered_W)),
        day=np.zeros(slots, dtype=np.intp),
        shares=np.ones((1, COUNT)),
        temperature_C=np.full(slots, temperature_C),
        fine=fine or slots,
    )


def test_what_is_drawn_is_missing_afterwards(lived_in):
    """5 A for 12 hours are 60 Ah, and little beside: the offset of the meter and self-discharge."""
    site, estimator = lived_in
    banks = estimator.ahead(COUNT)
    course = run(banks, plant(site, disconnect_V=None), hours(5.0))
    missing_Ah = (course.soc[0] - course.soc[-1]) * course.capacity_Ah
    # 143 slots lie between the ends of the first and the last
    assert np.median(missing_Ah) == pytest.approx(5.0 * 143 / 12, rel=0.03)
    # the site file allows the meters 0.05 A of zero error: 0.6 Ah in twelve hours
    assert course.used_Ah[-1] == pytest.approx(np.full(COUNT, 60.0), abs=3 * 0.6)


def test_asking_does_not_touch_the_estimator(lived_in):
    _, estimator = lived_in
    state = estimator.state()
    run(estimator.ahead(COUNT), plant(lived_in[0]), hours(9.0))
    assert estimator.state() == state


def test_the_bands_charge_is_the_estimates(lived_in):
    """The banks that run on stand where the estimate does, as widely as its band says."""
    _, estimator = lived_in
    soc = estimator.ahead(4000, seed=3).soc()
    assert soc.mean() == pytest.approx(estimator.soc, abs=0.02)


def test_a_larger_load_gives_a_lower_voltage_and_charge(lived_in):
    site, estimator = lived_in
    small, large = (
        run(estimator.ahead(COUNT), plant(site, disconnect_V=None), hours(load_A)) for load_A in (2.0, 12.0)
    )
    assert np.median(large.voltage_V[-1]) < np.median(small.voltage_V[-1]) - 0.1
    assert np.median(large.soc[-1]) < np.median(small.soc[-1]) - 0.15


def test_the_controller_holds_the_bank_at_its_set_points(lived_in):
    """With 40 A offered for a day the bank ends at the float voltage; absorption is 14.8 V at 25 °C, 0.03 V
    less for each degree above (the site file's compensation)."""
    site, estimator = lived_in
    course = run(
        estimator.ahead(COUNT), plant(site), hours(1.0, offered_W=560.0, slots=288, temperature_C=25.0)
    )
    assert np.median(course.soc[-1]) > 0.95
    assert np.median(course.voltage_V.max(axis=0)) == pytest.approx(14.8, abs=0.3)
    assert np.median(course.voltage_V[-1]) == pytest.approx(13.5, abs=0.3)


def test_without_set_points_nothing_holds_the_charge(lived_in):
    site, estimator = lived_in
    free = run(estimator.ahead(COUNT), plant(site, set_points=None), hours(1.0, offered_W=560.0))
    held = run(
        estimator.ahead(COUNT),
        plant(site, set_points=SetPoints(13.2, None, None, 0.0)),
        hours(1.0, offered_W=560.0),
    )
    assert np.median(free.voltage_V.max(axis=0)) > np.median(held.voltage_V.max(axis=0)) + 0.3


def test_at_the_disconnect_the_loads_go_off_but_the_monitor(lived_in):
    """80 A draw every bank below 11.4 V within hours; from then on the monitor's 0.2 A alone are drawn."""
    site, estimator = lived_in
    course = run(estimator.ahead(COUNT), plant(site, reconnect_V=14.0), hours(80.0))
    last_hour_Ah = course.used_Ah[-1] - course.used_Ah[-13]
    assert (course.voltage_V.min(axis=0) < 11.4).all()
    assert last_hour_Ah == pytest.approx(np.full(COUNT, 0.2), abs=3 * 0.05)


def test_loads_that_are_cut_now_come_back_at_the_reconnect_voltage(lived_in):
    """5 A are wanted; a bank that stands below 14 V gets none, one above 12 V at once."""
    site, estimator = lived_in
    stays, comes = (
        run(estimator.ahead(COUNT), plant(site, reconnect_V=reconnect_V, cut=True), hours(5.0))
        for reconnect_V in (14.0, 12.0)
    )
    assert (stays.used_Ah[-1] < 12 * 0.4).all()
    assert np.median(comes.used_Ah[-1]) > 0.95 * 12 * 5


def test_behind_the_night_steps_are_a_quarter_of_an_hour():
    site = site_of(UTC_HIDE)
    estimator, _ = lived(site, evening_lamps, 2)
    course = run(estimator.ahead(COUNT), plant(site), hours(3.0, slots=240, fine=100))
    assert course.ends[-1] == 240
    assert course.ends[:100] == tuple(range(1, 101))
    assert {b - a for a, b in zip(course.ends[110:], course.ends[111:], strict=False)} == {3}


@pytest.mark.parametrize(
    ("chemistry", "unit_V", "units", "shown_V"), [("flooded", 6, 2, 12.6), ("lifepo4", 12.8, 1, 13.3)]
)
def test_the_arrays_watts_become_amperes_at_the_banks_own_voltage_from_the_first_slot_on(
    chemistry, unit_V, units, shown_V
):
    """100 W at some 12.6 or 13.3 V: in each slot the same."""
    text = UTC_HIDE.replace('"flooded"', f'"{chemistry}"').replace(
        "unit_voltage_V = 6", f"unit_voltage_V = {unit_V}"
    )
    site = site_of(text.replace("units_in_series = 2", f"units_in_series = {units}"))
    estimator = BankEstimator(describe_site(site))
    for minute in range(120):
        estimator.update(BankSample(minute * 60_000, battery_voltage_V=shown_V, battery_current_A=0.0))
    course = run(estimator.ahead(COUNT), plant(site, set_points=None), hours(0.0, 100.0, slots=3))
    first, second = (np.median(course.soc[n + 1] - course.soc[n]) for n in (0, 1))
    begin = np.median(estimator.ahead(COUNT).soc())
    assert np.median(course.soc[0]) - begin == pytest.approx(first, rel=0.15)
    assert second == pytest.approx(first, rel=0.05)
