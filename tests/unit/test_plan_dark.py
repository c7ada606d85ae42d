"""The chance of a dark night by month, beside records whose chance can be counted by hand."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import pytest

from monitor.plan.dark import dark_months
from monitor.plan.sunlight import OwnDay
from monitor.plan.system import System

CLEAR_H = dict.fromkeys(range(1, 13), 5.0)
LOAD_Ah = 10.0
SUMMER = date(2026, 6, 1)


def system(storage: float, strings: int = 10) -> System:
    """A bank that carries so many days, under an array that fills it in one clear day."""
    return System(12, True, 12, 2 * storage * LOAD_Ah, 1, 1, 0.5, None, 10.0, strings)


def record(shares: Sequence[float]) -> list[OwnDay]:
    """Days in order, spread so that no month has enough of its own: every fifth day of the year."""
    return [OwnDay(SUMMER + timedelta(days=5 * at), 5 * share, share) for at, share in enumerate(shares)]


def test_enough_sun_every_day_is_never_dark_and_none_is_always() -> None:
    assert all(each.chance == 0 for each in dark_months(system(3), LOAD_Ah, CLEAR_H, record([1.0] * 60)))
    found = dark_months(system(3), LOAD_Ah, CLEAR_H, record([0.0] * 60))
    assert [each.chance for each in found] == [1.0] * 12
    # from January on, the first with the most sun: all nights but the three that the full bank carries
    assert [each.nights for each in found] == [28, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]


def test_spells_as_long_as_the_storage_are_carried_longer_ones_are_not() -> None:
    # two days without sun and the night before the first: three nights, which the full bank carries
    carried = record([0.0] * 2 + [1.0] * 58)
    assert all(each.chance == 0 for each in dark_months(system(3), LOAD_Ah, CLEAR_H, carried))


@pytest.mark.parametrize("spell", [4, 6, 9])
def test_the_chance_of_a_month_is_how_many_beginnings_meet_a_dark_night(spell: int) -> None:
    # a cycle of 60 days with one spell without sun; a bank of three days is down after the third night, so
    # that spell + 1 - 3 nights in a row are dark. A month of m days meets one of d in a row from
    # (m + d - 1) of 60 beginnings (counted by hand)
    found = dark_months(system(3), LOAD_Ah, CLEAR_H, record([0.0] * spell + [1.0] * (60 - spell)))
    dark = spell + 1 - 3
    lengths = {2: 28, 3: 31, 4: 30, 12: 31}
    for month, length in lengths.items():
        assert found[month - 1].chance == pytest.approx((length + dark - 1) / 60)
        assert found[month - 1].nights == pytest.approx(length * dark / 60)
        assert not found[month - 1].seen


def test_a_month_with_own_days_goes_by_them() -> None:
    dull_december = [OwnDay(date(2025, 12, day), 0.0, 0.0) for day in range(1, 31)]
    found = dark_months(system(3), LOAD_Ah, CLEAR_H, [*dull_december, *record([1.0] * 30)])
    assert found[11].seen
    assert found[11].chance == 1
    assert found[11].nights >= 27


def test_too_short_a_record_tells_nothing() -> None:
    assert dark_months(system(3), LOAD_Ah, CLEAR_H, record([1.0] * 29)) == ()
