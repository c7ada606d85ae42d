"""The water that overcharge splits into hydrogen and oxygen: Faraday's law. Pure.

Warmth lets more current split water at the same voltage; the meters count that current, so it is in the
overcharge. What merely evaporates is not: no published figure is at hand. Catalysts and sealed cells that
give water back are not for this either.
"""

from __future__ import annotations

FARADAY_C_PER_MOL = 96485.33212
"""The charge of a mole of electrons: exact in the SI since 2019, rounded."""

ELECTRONS_PER_WATER = 2
"""2 H2O -> 2 H2 + O2 moves four electrons for two molecules."""

WATER_G_PER_MOL = 18.015
WATER_G_PER_L = 998.2
"""At 20 °C (textbook, from memory)."""

WATER_L_PER_AH = 3600 / FARADAY_C_PER_MOL / ELECTRONS_PER_WATER * WATER_G_PER_MOL / WATER_G_PER_L
"""Litres that one Ah of overcharge takes from one cell, at most: 0.337 ml."""


def water_L(overcharge_Ah: float, cells_in_series: int) -> float:
    """Litres that a bank loses at most by an overcharge, in all cells together.

    Each Ah goes through every cell of a string; parallel strings share it between them.
    """
    return overcharge_Ah * cells_in_series * WATER_L_PER_AH
