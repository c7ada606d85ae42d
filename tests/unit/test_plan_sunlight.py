"""Peak sun hours by month: days of the place before a supposition, a supposition before a guess."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from monitor.plan.sunlight import (
    Sky,
    SkyDay,
    by_season,
    declination_deg,
    design_month,
    months,
    night_h,
    through_year,
)
from monitor.sun.months import ClearMonth, mean_days

CLEAR_H = {month: 4.0 + (3.0 if 4 <= month <= 9 else 0.1 * month % 1) for month in range(1, 13)}
CLEAR = {month: ClearMonth(month, sun_h, 100 * sun_h) for month, sun_h in CLEAR_H.items()}


def days_of(first: date, count: int, sun_h: float, share: float) -> Sky:
    return Sky(tuple(SkyDay(first + timedelta(days=at), sun_h, share) for at in range(count)))


def test_own_days_tell_their_month_and_suppose_the_others() -> None:
    found = months(CLEAR, days_of(date(2026, 11, 1), 20, 1.5, 0.25))
    november, december = found[10], found[11]
    assert (november.sun_h, november.basis, november.days) == (1.5, "own days", 20)
    assert (december.sun_h, december.basis) == (0.25 * CLEAR_H[12], "supposed")


def test_few_days_tell_nothing() -> None:
    found = months(CLEAR, days_of(date(2026, 11, 1), 9, 1.5, 0.25))
    assert {month.basis for month in found} == {"clear sky"}
    assert {month.sun_h for month in found} == {None}


def test_a_stated_share_of_clear_light_tells_each_month_and_says_so() -> None:
    found = months(CLEAR, Sky(stated=0.4))
    assert [month.sun_h for month in found] == [0.4 * CLEAR_H[month] for month in range(1, 13)]
    assert {month.basis for month in found} == {"stated"}


def test_more_than_a_clear_sky_is_not_supposed() -> None:
    # light from clouds' edges and cold panels can lift a day's share above one
    found = months(CLEAR, days_of(date(2026, 11, 1), 20, 5.0, 1.2))
    assert found[0].sun_h == CLEAR_H[1]


def test_the_month_with_the_least_sun_decides() -> None:
    cloudy = days_of(date(2026, 7, 1), 20, 0.9, 0.5)
    assert design_month(months(CLEAR, cloudy)).month == 7
    assert design_month(months(CLEAR, Sky())).month == min(CLEAR_H, key=lambda month: CLEAR_H[month])


def test_nights_are_as_long_as_the_sun_s_geometry_has_them() -> None:
    # equinox to twelve hours everywhere, the equator all year; 52.6° north in December and June from memory
    # of almanacs: days of about 7.7 and 16.8 h from sunrise to sunset, refraction taking some 10 to 15 min of
    # night
    assert abs(night_h(0.0, 6) - 12) < 0.01
    assert abs(night_h(52.6, 3) - 12) < 0.6
    assert abs(night_h(52.6, 12) - (24 - 7.7)) < 0.4
    assert abs(night_h(52.6, 6) - (24 - 16.8)) < 0.4
    assert night_h(75.0, 12) == 24
    assert night_h(75.0, 6) == 0


def test_a_quantity_of_mean_days_turns_with_the_sun_at_the_solstice() -> None:
    # a quantity that is the declination itself (and 30, to be positive) comes out as that on every day:
    # lowest at the solstice about 21 December, though the mean days are 10 December and 17 January
    by_month = {day.month: 30 + declination_deg(day) for day in mean_days()}
    days = through_year(by_month)
    assert [len(days[month]) for month in range(1, 13)] == [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
    assert days[12][20] == pytest.approx(30 - 23.45, abs=0.01)
    assert min(days[12]) == min(value for some in days.values() for value in some)
    assert days[1][16] == pytest.approx(by_month[1])
    assert abs(days[1][0] - days[12][-1]) < 0.1


def test_what_the_array_was_learnt_to_give_has_its_season() -> None:
    low = [(date(2026, 12, 1) + timedelta(days=at), 0.8) for at in range(30)]
    high = [(date(2026, 6, 1) + timedelta(days=at), 0.96) for at in range(31)]
    found = by_season(low + high)
    assert (found[12], found[6]) == (0.8, 0.96)
    assert found[1] == 0.8  # by its neighbour
    assert found[3] == 0.96  # nothing of its season: the middle one of all
    assert by_season([]) == {}
