"""The sentence of the evening: what it says of every kind of night, and what it never claims."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from monitor.outlook.answer import Band, Outlook, Relief
from monitor.outlook.words import sentence
from monitor.records import HOUR_MS, parse_iso

LONDON = ZoneInfo("Europe/London")
NOW_MS = parse_iso("2026-11-25T18:00:00Z")
"""In November London's time is UTC (IANA time zone database)."""

CALM = Outlook(
    at_ms=NOW_MS,
    sunset_ms=NOW_MS - 2 * HOUR_MS,
    sunrise_ms=NOW_MS + 13 * HOUR_MS,
    helps_ms=NOW_MS + 14 * HOUR_MS,
    soc_now=0.8,
    reserve_soc=0.5,
    soc_min=Band(0.6, 0.64, 0.68),
    voltage_min_V=Band(12.2, 12.3, 12.4),
    used_Ah=Band(60, 70, 80),
    low_ms=NOW_MS + 14 * HOUR_MS,
    crosses_reserve_probability=0.01,
    crosses_disconnect_probability=0.0,
    reserve_ms=None,
    hours_left=None,
    wet_days_left=None,
    course=(),
    days=(),
    switch_off=(),
    basis=(),
)
HEATER = Relief("hide", ("lamps", "heater"), 60.0, 0.02, 0.0)
PUMP = Relief("shed", ("pump",), 20.0, 0.4, None)
LOW = replace(CALM, soc_min=Band(0.44, 0.48, 0.55), reserve_ms=NOW_MS + 9 * HOUR_MS)
"""A night whose lowest charge is likely below the reserve, reached at 03:00."""


def said(outlook: Outlook) -> str:
    return sentence(outlook, LONDON)


def test_a_night_that_lasts_is_told_with_its_lowest_point_and_hour() -> None:
    assert said(CALM) == "Lasts until morning: lowest about 64 % at 08:00."


def test_where_no_sun_will_help_it_speaks_of_the_next_day() -> None:
    assert said(replace(CALM, helps_ms=None)) == "Lasts the next 24 hours: lowest about 64 % at 08:00."


def test_a_charge_hardly_known_is_told_as_a_band_and_without_an_hour() -> None:
    wide = replace(CALM, soc_min=Band(0.31, 0.55, 0.72))
    assert said(wide) == "Lasts until morning: lowest somewhere between 31 and 72 %."


def test_what_is_likely_is_told_as_a_fact_with_the_hour_and_what_helps() -> None:
    sure = replace(LOW, crosses_reserve_probability=0.8, switch_off=(PUMP, HEATER))
    assert said(sure) == (
        "Will not last: reserve reached about 03:00. With lamps and heater off now (branch hide) it lasts."
    )


def test_what_is_possible_is_told_as_a_possibility() -> None:
    unsure = replace(LOW, crosses_reserve_probability=0.4)
    assert said(unsure) == "May not last until morning: lowest about 48 % at 08:00, and the reserve is 50 %."


def test_a_sure_crossing_without_an_hour_is_no_more_than_possible() -> None:
    assert said(replace(LOW, crosses_reserve_probability=0.9, reserve_ms=None)).startswith("May not last")


def test_a_cut_by_the_controller_is_added_and_told_alone_where_the_reserve_holds() -> None:
    both = replace(LOW, crosses_reserve_probability=0.9, crosses_disconnect_probability=0.5)
    assert said(both) == "Will not last: reserve reached about 03:00. The controller may cut the loads."
    alone = replace(CALM, crosses_disconnect_probability=0.5)
    assert said(alone) == "The controller may cut the loads: lowest about 64 % at 08:00."


def test_a_site_without_disconnect_is_judged_by_the_reserve_alone() -> None:
    assert said(replace(CALM, crosses_disconnect_probability=None)).startswith("Lasts until morning")


def test_no_branch_is_promised_to_help_that_leaves_the_risk() -> None:
    still = replace(LOW, crosses_reserve_probability=0.9, switch_off=(PUMP,))
    assert said(still).endswith("No single branch switched off is enough.")
    cut = replace(HEATER, crosses_disconnect_probability=0.5)
    assert said(replace(still, switch_off=(cut,))).endswith("No single branch switched off is enough.")


def test_below_the_reserve_it_says_so_whatever_the_night_brings() -> None:
    below = replace(LOW, soc_now=0.49, switch_off=(HEATER,), crosses_reserve_probability=0.0)
    assert said(below) == (
        "Already below the reserve of 50 %: lowest about 48 % at 08:00."
        " With lamps and heater off now (branch hide) it lasts."
    )


@pytest.mark.parametrize(("probability", "begins"), [(0.19, "Lasts"), (0.2, "May not last"), (0.7, "Will")])
def test_it_warns_from_one_night_in_five_on(probability: float, begins: str) -> None:
    """0.2 is WARN_PROBABILITY, 0.7 from when it is a fact (our choices, tests/bench/OUTLOOK.md)."""
    assert said(replace(LOW, crosses_reserve_probability=probability)).startswith(begins)
