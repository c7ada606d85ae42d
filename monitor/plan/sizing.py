"""The published formulas of sizing, one function a step. Pure.

[SAND] is SAND87-7023, Stand-Alone Photovoltaic Systems: A Handbook of Recommended Design Practices (1988,
rev. 1995): outline of its worksheets read, default efficiencies from a secondary source, derates from memory.
[1013] is IEEE 1013-2019 and [1562] IEEE 1562-2021, both for lead-acid banks whose only source is the sun:
their factors from secondary sources, the worksheet's form and the count of strings from memory.
"""

from __future__ import annotations

from math import ceil

from monitor.bank.tables import capacity_share

WIRE_EFFICIENCY, BATTERY_EFFICIENCY = 0.98, 0.90  # [SAND], secondary source
MODULE_DERATE = 0.90
"""What a crystalline panel gives of its rated current in the field ([SAND], from memory)."""

END_OF_LIFE = 0.8
"""A bank counts as worn out at this share of its rating ([1013] 6.3, secondary source)."""

DAILY_DISCHARGE = 0.2
"""How deep an ordinary day may go (the facts' worked example; our choice as the default)."""

MARGIN = 1.10
"""Design margin, the lower end of 1.10 to 1.25 ([1013] 6.3, secondary source; the end is our choice)."""

STORAGE_DAYS = 5.0
"""Days of storage without sun where none are asked for (our choice; worked examples take 4, 5 and 7)."""

ARRAY_TO_LOAD = {"usual": 1.2, "critical": 1.4}
"""Ampere hours of the array over those of the load in the worst month: 1.1 to 1.2 for usual loads, 1.3 to 1.4
or more for critical ones ([1562] 9.1, secondary source; the upper ends are our choice)."""


def load_Ah(energy_Wh: float, bank_V: float) -> float:
    """Charge a day at nominal voltage ([SAND] sheet 1)."""
    return energy_Wh / bank_V


def corrected_Ah(load_Ah: float) -> float:
    """What must come from the array a day: the losses in wire and bank on top ([SAND] sheet 1)."""
    return load_Ah / WIRE_EFFICIENCY / BATTERY_EFFICIENCY


def design_current_A(corrected_Ah: float, sun_h: float) -> float:
    """Current that the array must give in the peak sun hours ([SAND] sheet 2)."""
    return corrected_Ah / sun_h


def rated_current_A(design_A: float) -> float:
    """Rated current of an array that gives so much in the field ([SAND] sheet 4)."""
    return design_A / MODULE_DERATE


def bank_by_handbook_Ah(corrected_Ah: float, days: float, deepest: float, cold_share: float) -> float:
    """Capacity for so many days of storage ([SAND] sheet 3)."""
    return corrected_Ah * days / deepest / cold_share


def cold_factor(temperature_C: float) -> float | None:
    """How much larger a lead-acid bank must be for the cold (battery-bank worksheets of the trade, read; 1
    from 26.7 °C up), below -6.7 °C, where they end, by an army manual on motive-power batteries [TM10],
    whose 6-hour rate asks for rather too much. None below -17.8 °C, where that ends, too."""
    share = capacity_share(temperature_C) or capacity_share(temperature_C, "TM10")
    return None if share is None else 1 / share


def bank_by_product_Ah(
    load_Ah: float, days: float, deepest: float, cold: float, margin: float = MARGIN
) -> float:
    """Capacity by the product of all factors ([1013] 6.3)."""
    return load_Ah * days / (deepest * END_OF_LIFE) * cold * margin


def bank_by_worksheet_Ah(
    load_Ah: float,
    days: float,
    deepest: float,
    cold: float,
    margin: float = MARGIN,
    daily: float = DAILY_DISCHARGE,
) -> float:
    """Capacity by the largest of three: storage, an ordinary day, the end of life ([1013])."""
    largest = max(load_Ah * days / deepest, load_Ah / daily, load_Ah * days / END_OF_LIFE)
    return largest * cold * margin


def strings_needed(load_Ah: float, ratio: float, sun_h: float, string_A: float) -> float:
    """Strings in parallel for an array-to-load ratio, losses counted ([1562]): L ratio / ((1 - losses) H I).

    With the ratio 1 it is the handbook's count: rated current over that of a string.
    """
    return rated_current_A(design_current_A(corrected_Ah(load_Ah), sun_h)) * ratio / string_A


def array_Ah(strings: int, string_A: float, sun_h: float) -> float:
    """What the array gives in a day with so many peak sun hours."""
    return strings * string_A * MODULE_DERATE * sun_h


def storage_days(capacity_Ah: float, deepest: float, cold_share: float, load_Ah: float) -> float:
    """Days that a full bank carries a load ([SAND], check of sheet 3)."""
    return capacity_Ah * deepest * cold_share / load_Ah


def whole(number: float) -> int:
    """The next whole number up; what is above one by rounding alone is that one."""
    return max(1, ceil(number - 1e-9))
