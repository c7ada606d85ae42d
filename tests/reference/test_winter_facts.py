"""The bank in the cold beside published tables and stated examples.

[TRJ] and [RLS] are battery makers' guides and sheets, [TM5] an army manual, 'read' in a stored copy;
'computed' is worked out from such numbers.
"""

from __future__ import annotations

import pytest

from monitor.bank.tables import specific_gravity
from monitor.care.winter import heater_Ah, least_charge, standing


@pytest.mark.parametrize(
    ("coldest_C", "charge"),
    # computed: [TRJ] gravity row by [RLS] freezing column, straight lines between
    [
        (-55.0, 0.9), (-46.1, 0.8), (-35.4, 0.7), (-25.5, 0.6),
        (-20.1, 0.5), (-14.7, 0.4), (-10.9, 0.3), (-7.1, 0.2),
    ],
)  # fmt: skip
def test_the_charge_that_a_night_asks_for(coldest_C: float, charge: float) -> None:
    assert least_charge(coldest_C, margin_C=0) == pytest.approx(charge, abs=0.004)


def test_makers_own_examples() -> None:
    # [RLS] read: a 50 % bank may freeze at -20 °C, a full one at about -65 °C; an empty one just below 0 °C
    assert least_charge(-20, margin_C=0) == pytest.approx(0.5, abs=0.01)
    full = least_charge(-65, margin_C=0)
    assert full is not None
    assert 0.95 < full <= 1
    assert least_charge(0.5, margin_C=0) == 0
    # [TRJ] read: below 0 °C hold the charge above 60 %; with our margin that is enough down to -20 °C
    assert least_charge(-20) == pytest.approx(0.6, abs=0.02)


def test_no_charge_saves_a_bank_from_the_coldest_nights() -> None:
    assert least_charge(-70, margin_C=0) is None  # the full one freezes at -66.7 °C (computed)
    assert least_charge(-62) is None


def test_what_a_month_of_standing_takes() -> None:
    # [RLS] read: flooded 10 to 12 % a month at 25 °C; [TRJ] read: 5 to 15 % by storage temperature
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
    with pytest.raises(ValueError, match="no acid"):
        standing("lifepo4", 1.0, 100, -10, 25, 0)
