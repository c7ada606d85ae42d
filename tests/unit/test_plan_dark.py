"""The chance of a dark night by month, beside records whose chance can be counted by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from monitor.plan.dark import Year, dark_months
from monitor.plan.sunlight import SkyDay
from monitor.plan.system import System

LOAD_Ah = 10.0
SUMMER = date(2026, 6, 1)
MONTHS = range(1, 13)


def system(storage: float) -> System:
    """A lithium bank that carries so many days down to half; it loses a thousandth a day by itself."""
    return System(12, "lifepo4", 12, 2 * storage * LOAD_Ah, 1, 1, 0.5, None, 10.0, 10, cells=4)


def year(of: System, storage: float, dark_share: float = 1.0) -> Year:
    """A clear day fills it whatever it lacks; a night takes all of a day's load, or dark_share of it."""
    load_Wh = LOAD_Ah * of.giving_V
    return Year(
        load_Wh,
        dict.fromkeys(MONTHS, dark_share),
        dict.fromkeys(MONTHS, 12.0),
        dict.fromkeys(MONTHS, 20 * storage * LOAD_Ah),
    )


def record(shares: Sequence[float]) -> list[SkyDay]:
    """Days in order, spread so that no month has enough of its own: every fifth day of the year."""
    return [SkyDay(SUMMER + timedelta(days=5 * at), 5 * share, share) for at, share in enumerate(shares)]


def dark(storage: float, days: Sequence[SkyDay], dark_share: float = 1.0):
    of = system(storage)
    return dark_months(of, year(of, storage, dark_share), days)


def test_enough_sun_every_day_is_never_dark_and_none_is_always() -> None:
    assert all(each.chance == 0 for each in dark(3.1, record([1.0] * 60)))
    found = dark(3.1, record([0.0] * 60))
    assert [each.chance for each in found] == [1.0] * 12
    # from January on, the first with the most sun: all nights but the three that the full bank carries
    assert [each.nights for each in found] == [28, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]


def test_spells_as_long_as_the_storage_are_carried_longer_ones_are_not() -> None:
    # two days without sun and the night before the first: three nights, which the full bank carries
    carried = record([0.0] * 2 + [1.0] * 58)
    assert all(each.chance == 0 for each in dark(3.1, carried))


@pytest.mark.parametrize("spell", [4, 6, 9])
def test_the_chance_of_a_month_is_how_many_beginnings_meet_a_dark_night(spell: int) -> None:
    # a cycle of 60 days with one spell without sun; a bank of three days is down after the third night, so
    # that spell + 1 - 3 nights in a row are dark. A month of m days meets one of d in a row from
    # (m + d - 1) of 60 beginnings (counted by hand)
    found = dark(3.1, record([0.0] * spell + [1.0] * (60 - spell)))
    nights = spell + 1 - 3
    lengths = {2: 28, 3: 31, 4: 30, 12: 31}
    for month, length in lengths.items():
        assert found[month - 1].chance == pytest.approx((length + nights - 1) / 60)
        assert found[month - 1].nights == pytest.approx(length * nights / 60)
        assert not found[month - 1].seen


def test_what_is_drawn_in_the_light_is_carried_by_the_sun_of_that_day() -> None:
    # a bank of one night's third: with all drawn at night it is dark each night, with a fifth never
    assert [each.chance for each in dark(0.33, record([1.0] * 30))] == [1.0] * 12
    assert [each.chance for each in dark(0.33, record([1.0] * 30), dark_share=0.2)] == [0.0] * 12


def test_a_controller_that_cuts_the_loads_off_leaves_less_to_fill() -> None:
    # four days without sun, then days that bring three quarters of what a day draws more than they take: the
    # deeper the loads may go, the longer it takes back to the reserve
    of = system(3.1)
    asked = year(of, 3.1)
    asked = replace(asked, clear_Ah=dict.fromkeys(MONTHS, 1.75 * LOAD_Ah))
    days = record([0.0] * 8 + [1.0] * 52)
    to_the_end = dark_months(of, asked, days)
    cut_off = dark_months(replace(of, cut_off_soc=0.45), asked, days)
    assert sum(each.nights for each in cut_off) < sum(each.nights for each in to_the_end)


def test_a_month_with_own_days_goes_by_them() -> None:
    dull_december = [SkyDay(date(2025, 12, day), 0.0, 0.0) for day in range(1, 31)]
    found = dark(3.1, [*dull_december, *record([1.0] * 30)])
    assert found[11].seen
    assert found[11].chance == 1
    assert found[11].nights >= 27


def test_a_long_record_is_begun_at_some_of_its_days_and_tells_the_same() -> None:
    # a year in which every tenth day begins a spell of six without sun: 73 beginnings of 365 see what all see
    shares = [0.0 if at % 20 < 6 else 1.0 for at in range(360)]
    long = [SkyDay(date(2025, 1, 1) + timedelta(days=at), share, share) for at, share in enumerate(shares)]
    # each month holds at least one whole spell of four dark nights
    assert [each.chance for each in dark(3.1, long)] == [1.0] * 12


def test_too_short_a_record_tells_nothing() -> None:
    assert dark(3.1, record([1.0] * 29)) == ()
