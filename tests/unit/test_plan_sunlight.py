"""Peak sun hours by month: this site's own days before a supposition, a supposition before a guess."""

from __future__ import annotations

from datetime import date, timedelta

from monitor.plan.sunlight import OwnDay, design_month, months

CLEAR_H = {month: 4.0 + (3.0 if 4 <= month <= 9 else 0.1 * month % 1) for month in range(1, 13)}


def days_of(first: date, count: int, sun_h: float, share: float) -> list[OwnDay]:
    return [OwnDay(first + timedelta(days=at), sun_h, share) for at in range(count)]


def test_own_days_tell_their_month_and_suppose_the_others() -> None:
    found = months(CLEAR_H, days_of(date(2026, 11, 1), 20, 1.5, 0.25))
    november, december = found[10], found[11]
    assert (november.sun_h, november.basis, november.days) == (1.5, "own days", 20)
    assert (december.sun_h, december.basis) == (0.25 * CLEAR_H[12], "supposed")


def test_few_days_tell_nothing() -> None:
    found = months(CLEAR_H, days_of(date(2026, 11, 1), 9, 1.5, 0.25))
    assert {month.basis for month in found} == {"clear sky"}
    assert {month.sun_h for month in found} == {None}


def test_more_than_a_clear_sky_is_not_supposed() -> None:
    # light from clouds' edges and cold panels can lift a day's share above one
    found = months(CLEAR_H, days_of(date(2026, 11, 1), 20, 5.0, 1.2))
    assert found[0].sun_h == CLEAR_H[1]


def test_the_month_with_the_least_sun_decides() -> None:
    cloudy = days_of(date(2026, 7, 1), 20, 0.9, 0.5)
    assert design_month(months(CLEAR_H, cloudy)).month == 7
    assert design_month(months(CLEAR_H, [])).month == min(CLEAR_H, key=lambda month: CLEAR_H[month])
