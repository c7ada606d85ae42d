"""When an act of care is due: the calendar, the use and the hydrometer, each alone and against the others."""

from __future__ import annotations

import pytest

from monitor.care.due import Use, by_gravity, by_loss, limits, soonest
from monitor.care.gravity import Gravities
from monitor.care.known import Known
from monitor.records import LogKind


def test_terminals_follow_the_calendar_alone() -> None:
    # 6-monthly (common practice, from memory)
    (only,) = limits(LogKind.TERMINALS, Use(100, 100, cycles=50, overcharge=3))
    assert only.days_left == pytest.approx(82)
    assert "every 6 months" in only.words


def test_use_makes_equalization_due_before_the_calendar() -> None:
    # every 10 cycles (a maker's guide at a dealer): 5 in 40 days are 5 more in 40 days
    reason = soonest(limits(LogKind.EQUALIZATION, Use(40, 40, cycles=5.0)))
    assert reason.days_left == pytest.approx(40)
    assert "5.0 full cycles since, 10 at most" in reason.words
    assert soonest(limits(LogKind.EQUALIZATION, Use(40, 40, cycles=10.5))).days_left == 0


def test_a_bank_that_is_hardly_used_waits_for_the_calendar() -> None:
    # 180 days at the latest (a maker's 60 to 180 days, from memory)
    assert soonest(limits(LogKind.EQUALIZATION, Use(40, 40, cycles=0.5))).days_left == pytest.approx(140)


def test_unknown_use_leaves_the_calendar() -> None:
    (only,) = limits(LogKind.WATER, Use(10, 0))
    assert only.days_left == pytest.approx(20)


def test_heavy_overcharge_makes_water_due_before_the_month_is_over() -> None:
    # the pace of the days with readings counts: 0.6 of a capacity in 6 days, 4 days for the rest
    reason = soonest(limits(LogKind.WATER, Use(15, 6, overcharge=0.6)))
    assert reason.days_left == pytest.approx(4)
    assert "60 %" in reason.words


def test_a_first_day_makes_no_pace() -> None:
    assert len(limits(LogKind.WATER, Use(0.5, 0.5, overcharge=0.3))) == 1


@pytest.mark.parametrize(
    ("readings", "after_full", "reasons"),
    # a maker's guide: a spread of 0.030 (read), below 1.235 after a charge (read at a dealer)
    [
        ((1.265, 1.260, 1.262), True, 0),
        ((1.265, 1.230, 1.262), True, 2),
        ((1.265, 1.230, 1.262), False, 1),
        ((1.230, 1.229, 1.231), True, 1),
        ((1.200, 1.205, 1.202), False, 0),
    ],
)
def test_what_the_hydrometer_asks_for(readings: tuple[float, ...], after_full: bool, reasons: int) -> None:
    read = dict(enumerate(readings, 1))
    found = list(by_gravity(Gravities(read, 26.7, read), after_full))
    assert len(found) == reasons
    assert all(limit.days_left == 0 for limit in found)


def test_readings_without_a_temperature_tell_no_low_gravity() -> None:
    assert list(by_gravity(Gravities({1: 1.230, 2: 1.231}, None, None), after_full=True)) == []


def test_a_capacity_learnt_from_use_asks_for_a_test_once_it_is_surely_lost() -> None:
    # below 80 % of the rated one (IEEE 1013-2019 6.3, secondary source) by the whole of its band
    assert list(by_loss(Known(350, 40), None, 450)) == []
    (reason,) = by_loss(Known(320, 30), None, 450)
    assert "about 320 ± 30 Ah left, less than 80 % of the rated 450 Ah" in reason.words


def test_a_test_that_agrees_settles_it() -> None:
    assert list(by_loss(Known(320, 30), Known(330, 40, 1), 450)) == []
    (reason,) = by_loss(Known(320, 30), Known(430, 40, 1), 450)
    assert "less than the last test found (430 Ah)" in reason.words
