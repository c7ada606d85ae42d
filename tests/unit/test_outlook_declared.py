"""What switching a declared load off can save: small nights, worked out by hand."""

import numpy as np
import pytest

from monitor.bank.description import describe_site
from monitor.outlook.declared import switched_off
from monitor.site.model import Load
from tests.unit.outlook_world import LAMPS, UTC_HIDE, site_of

BANK_V, LEAST_A = 12.0, 0.2
NIGHT = 12 * 12
"""Slots of twelve hours."""


def saved_Ah(drawn_A, *loads):
    drawn_A = np.asarray(drawn_A, dtype=np.float32)[:, None]
    left_A = switched_off(drawn_A, loads, BANK_V, LEAST_A)
    assert (left_A >= LEAST_A).all()
    return float((drawn_A - left_A).sum()) / 12


def load(power_W, hours_per_day, count=1):
    return Load(name="x", branch="1", power_W=power_W, count=count, hours_per_day=hours_per_day)


def test_a_pump_that_runs_half_an_hour_saves_no_more_than_that():
    """30 W at 12 V are 2.5 A: 1.25 Ah, though 3 A are drawn all night."""
    assert saved_Ah(np.full(NIGHT, 3.0), load(30, 0.5)) == pytest.approx(1.25)


def test_what_runs_around_the_clock_saves_its_mean_all_night():
    """12 W for 24 of 24 hours: 1 A for 12 h."""
    assert saved_Ah(np.full(NIGHT, 3.0), load(12, 24)) == pytest.approx(12.0)


def test_a_lamp_saves_where_most_is_drawn_and_never_below_what_is_always_drawn():
    """Four hours at 2.2 A, then 0.3 A: 24 W (2 A) for six hours save 4 x 2 Ah and 2 x 0.1 Ah."""
    evening = np.where(np.arange(NIGHT) < 48, 2.2, 0.3)
    assert saved_Ah(evening, load(24, 6)) == pytest.approx(4 * 2 + 2 * 0.1, rel=1e-5)


def test_loads_of_one_branch_go_off_together():
    assert saved_Ah(np.full(NIGHT, 3.0), load(12, 24), load(12, 2)) == pytest.approx(12.0 + 2.0)


def test_a_banks_mean_use_is_its_declared_watt_hours_and_the_monitors():
    """60 W for 5 h and two times 12 W all day are 876 Wh: 36.5 W; with the monitor's 2 W at 12 V 3.21 A."""
    site = site_of(UTC_HIDE + LAMPS.replace("power_W = 12\n", "power_W = 12\ncount = 2\n"))
    assert describe_site(site).use_A == pytest.approx(38.5 / 12)
    assert describe_site(site_of(UTC_HIDE)).use_A is None
