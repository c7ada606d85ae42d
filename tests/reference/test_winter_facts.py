"""The bank in the cold beside published tables and stated examples.

[guide] is a battery maker's guide and data sheet, [manual] another's manual, [TM5] the US Army's TM 5-1185,
'read' in a stored copy; 'computed' is worked out from such numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import pytest

from monitor.bank.tables import specific_gravity
from monitor.care.winter import (
    DULLEST_SHARE,
    Given,
    Standing,
    at_risk_on,
    cautious,
    clouds_of,
    heater_Ah,
    least_charge,
    months_ahead,
    standing,
    winter_days,
    winters,
)
from monitor.sun.expected import Supply
from monitor.sun.months import MONTHS_NOTE, clear_months, months_note, noted_months


@dataclass
class Kept:
    """Notes as a store gives them."""

    notes: dict[str, str]

    def note(self, key: str) -> str | None:
        return self.notes.get(key)


@pytest.mark.parametrize(
    ("coldest_C", "charge"),
    # computed: [guide] gravity row by [manual] freezing column, straight lines between
    [
        (-55.0, 0.9), (-46.1, 0.8), (-35.4, 0.7), (-25.5, 0.6),
        (-20.1, 0.5), (-14.7, 0.4), (-10.9, 0.3), (-7.1, 0.2),
    ],
)  # fmt: skip
def test_the_charge_that_a_night_asks_for(coldest_C: float, charge: float) -> None:
    assert least_charge(coldest_C, margin_C=0) == pytest.approx(charge, abs=0.004)


def test_makers_own_examples() -> None:
    # [manual] read: a 50 % bank may freeze at -20 °C, a full one at about -65 °C, an empty one below 0 °C
    assert least_charge(-20, margin_C=0) == pytest.approx(0.5, abs=0.01)
    full = least_charge(-65, margin_C=0)
    assert full is not None
    assert 0.95 < full <= 1
    assert least_charge(0.5, margin_C=0) == 0
    # [guide] read: below 0 °C hold the charge above 60 %; with our margin that is enough down to -20 °C
    assert least_charge(-20) == pytest.approx(0.6, abs=0.02)


def test_no_charge_saves_a_bank_from_the_coldest_nights() -> None:
    assert least_charge(-70, margin_C=0) is None  # the full one freezes at -66.7 °C (computed)
    assert least_charge(-62) is None


def test_what_a_month_of_standing_takes() -> None:
    # [manual] read: flooded 10 to 12 % a month at 25 °C; [guide] read: 5 to 15 % by storage temperature
    warm = standing("flooded", 1.0, 100, -10, 25, 0)
    assert 10 <= warm.self_Ah * 30.4 <= 12
    cool = standing("flooded", 1.0, 100, -10, 15, 0)
    assert 5 <= cool.self_Ah * 30.4 <= 15


def test_the_acid_of_a_stored_bank_falls_as_the_army_saw_it() -> None:
    # [TM5] read: specific gravity falls about 0.001 a day over a month below 80 °F (26.7 °C)
    a_day = standing("flooded", 1.0, 100, -10, 26, 0).self_Ah / 100
    fall = (specific_gravity(1.0) - specific_gravity(1.0 - 30 * a_day)) / 30
    assert fall == pytest.approx(0.001, abs=0.0003)


def test_days_until_at_risk_by_hand() -> None:
    # 100 Ah at 80 %, a night of -20 °C: 60 % are needed (see above), 20 Ah are spare. At 25 °C 11 % a month
    # are 0.361 Ah a day; a small computer of 1.79 W takes 3.57 Ah a day from 12 V (the board's maker, read:
    # 350 mA at 5.1 V; computed, ideal converter): 20 / 3.94 = 5.1 days
    found = standing("flooded", 0.8, 100, -20, 25, 1.785 / 12)
    assert found.drawn_Ah == pytest.approx(3.57, abs=0.005)
    assert found.self_Ah == pytest.approx(0.361, abs=0.001)
    assert found.days_safe == pytest.approx(5.1, abs=0.3)
    assert standing("flooded", 0.4, 100, -20, 25, 0).days_safe == 0


def test_a_heater_empties_the_bank_that_it_warms() -> None:
    # 10 W for a day are 240 Wh, 20 Ah at 12 V (arithmetic)
    assert heater_Ah(10, 12) == pytest.approx(20)


def test_lithium_has_no_acid() -> None:
    found = standing("lifepo4", 1.0, 100, -60, 25, 0)
    assert (found.least_charge, found.by_frost) == (0.2, False)


def test_a_bank_that_no_frost_harms_keeps_what_makers_leave_in_it() -> None:
    # [guide], read: never below 80 % of discharge; at +5 °C water itself would not freeze
    found = standing("flooded", 0.8, 100, 5, 25, 0)
    assert (found.least_charge, found.by_frost) == (0.2, False)
    assert standing("gel", 0.8, 100, 5, 25, 0, reserve=0.5).least_charge == 0.5
    assert standing("flooded", 0.8, 100, -20, 25, 0, reserve=0.5).by_frost


def test_an_array_that_gives_what_goes_keeps_the_bank() -> None:
    # 100 Ah at 82 %, 61 % needed; 4 Ah a day go: without sun the spare 21 Ah last five days and a bit. A
    # lead-acid bank gives back 85 % of what it is charged with (typical, secondary source): 4 / 0.85 = 4.7 Ah
    found = Standing(charge=0.82, least_charge=0.61, capacity_Ah=100, self_Ah=0.4, drawn_Ah=3.6)
    day = date(2026, 11, 26)
    assert at_risk_on(found, day, 52, lambda _: 0.0) == date(2026, 12, 2)
    assert at_risk_on(found, day, 52, lambda _: 4.75) is None
    # 0.05 Ah a day too little: 6 Ah until the spring
    assert at_risk_on(found, day, 52, lambda _: 4.65) is None
    # a month without sun empties it, a full bank takes no more before: 96 Ah at dawn on 1 January, 60 on the
    # 10th
    assert at_risk_on(found, day, 52, lambda each: 0.0 if each.month == 1 else 50.0) == date(2027, 1, 10)


def test_the_winter_lies_half_a_year_off_in_the_south() -> None:
    assert months_ahead(date(2026, 11, 26), 52) == [11, 12, 1, 2, 3]
    assert months_ahead(date(2026, 4, 1), 52) == [4, 5, 6, 7, 8, 9, 10, 11, 12, 1, 2, 3]
    assert months_ahead(date(2026, 5, 1), -45) == [5, 6, 7, 8, 9]
    assert winter_days(date(2027, 3, 31), 52) == 1
    assert winter_days(date(2026, 11, 26), 52) == 5 + 31 + 31 + 28 + 31
    assert winter_days(date(2026, 10, 1), -45) == 365


def test_clouds_are_those_of_the_month_and_its_neighbours_with_a_band() -> None:
    november = [(date(2026, 11, day), 0.2 if day % 2 else 0.6) for day in range(1, 31)]
    summer = [(date(2026, 7, day), 0.9) for day in range(1, 31)]
    seen = clouds_of(12, [*november, *summer])
    # mean 0.4, deviation 0.2: that of a month's mean by hand: 0.2 × sqrt(1.857 × (1/30.44 + 1/30)) = 0.0701,
    # twice that on either side of the mean as a share: 0.4 × exp(±0.3505)
    assert (seen.basis, seen.seen, seen.middle) == ("seen", 30, pytest.approx(0.4))
    assert (seen.low, seen.high) == (pytest.approx(0.282, abs=0.001), pytest.approx(0.568, abs=0.001))
    supposed = clouds_of(3, [*november, *summer])
    assert (supposed.basis, supposed.low, supposed.high) == ("supposed", DULLEST_SHARE, 1.0)
    assert supposed.middle == pytest.approx(0.65)
    assert clouds_of(3, november[:5]).middle is None


def test_a_clear_december_day_of_the_almanac_is_the_published_one() -> None:
    # computed with pvlib, Ineichen, turbidity 3: flat at 47° N 8° E 500 m 1.400 kWh/m² on 21 December, 4.960
    # on 20 March, 8.480 on 21 June; the month's own day and the place's turbidity make up to a tenth of it
    supply = Supply(
        47.0, 8.0, 500.0, "UTC", 0.0, 180.0, 150.0, 22.3, 8.6, 18.2, 8.25, -0.003, -0.004, 1, 3, "mppt", 40.0,
        100.0, 12.0, 14.8,
    )  # fmt: skip
    months = {each.month: each for each in clear_months(supply)}
    for month, light_kWh_m2 in ((12, 1.400), (3, 4.960), (6, 8.480)):
        assert months[month].sun_h == pytest.approx(light_kWh_m2, rel=0.12)
    noted = {MONTHS_NOTE: months_note(supply, [*months.values()])}
    assert clear_months(supply, Kept(noted), command=["false"]) == tuple(months.values())
    assert noted_months(replace(supply, tilt_deg=60.0), Kept(noted)) is None
    assert noted_months(supply, Kept({MONTHS_NOTE: "[}"})) is None


def test_a_winter_is_safe_that_a_dark_spell_does_not_end() -> None:
    # no year of own days has the longest spell: ten days of 5 % of 40 Ah (our choice), 1.7 Ah of charge a day
    # where 4 Ah go, cost 23 Ah; the days around it give more than enough
    days = [(date(2026, month, day), 0.5) for month in range(1, 13) for day in range(1, 29)]
    gives = {month: Given(month, 40.0, clouds_of(month, days)) for month in range(1, 13)}
    begun = date(2026, 11, 26)

    def drawn(least: float) -> tuple[date | None, ...]:
        bank = Standing(charge=1.0, least_charge=least, capacity_Ah=100, self_Ah=0.4, drawn_Ah=3.6)
        return winters(bank, begun, 52, gives)

    assert cautious(drawn(least=0.70)) is None
    # 20 Ah to spare are not enough, in whichever month the spell comes
    assert all(day is not None for day in drawn(least=0.80))
    assert cautious(drawn(least=0.80)) == sorted(day for day in drawn(least=0.80) if day)[2]
