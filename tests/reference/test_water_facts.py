"""The water that overcharge takes, beside Faraday's law from the constants of nature."""

from __future__ import annotations

import pytest
from scipy import constants

from monitor.care.water import water_L

WATER_KG_PER_MOL = (2 * 1.008 + 15.999) / 1000
"""Standard atomic weights of hydrogen and oxygen (IUPAC, abridged; from memory)."""

WATER_KG_PER_L = 0.998
"""At 20 °C (textbook, from memory)."""


def faraday_L(charge_Ah: float) -> float:
    """Q / (2 F) moles of water: 2 H2O -> 2 H2 + O2 moves four electrons for two molecules."""
    moles = charge_Ah * constants.hour / (2 * constants.N_A * constants.e)
    return float(moles * WATER_KG_PER_MOL / WATER_KG_PER_L)


@pytest.mark.parametrize(("overcharge_Ah", "cells"), [(1, 1), (100, 6), (250, 12), (0, 6)])
def test_water_by_faradays_law(overcharge_Ah: float, cells: int) -> None:
    assert water_L(overcharge_Ah, cells) == pytest.approx(cells * faraday_L(overcharge_Ah), rel=0.001)


def test_one_ampere_hour_takes_a_third_of_a_gram_from_each_cell() -> None:
    # 0.336 g for each Ah and cell: battery handbooks, from memory
    assert 1000 * WATER_KG_PER_L * water_L(1, 1) == pytest.approx(0.336, abs=0.0005)
