"""What is published on batteries, as functions: rest voltage, acid, freezing, cold, rate, charging, standing.

Between the rows of a table values are interpolated in a straight line; what happens outside its rows each
function says. Charges are shares of capacity, 0..1; voltages are per cell.

Sources: [guide] is one battery maker's guide for owners, its answers to questions and its data sheet of a
flooded battery of 330 Ah; [manual] another maker's manual and articles; [TM10] and [TM5] the US Army's
TM 10-6140-200-14 on motive-power batteries and TM 5-1185 on a roller with its battery; [SHEET] a worksheet of
the trade for battery banks (two copies). Those were read, unless 'secondary source' or 'from memory' stands
beside a value. The tables disagree, most of all where the acid's strength differs, so a value keeps the name
of its table. Set points and their compensation are in `stage.SetPoints`, rated capacities at other rates in
`site.chemistry`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from monitor.site.chemistry import USUAL
from monitor.site.model import Chemistry

Rows = tuple[tuple[float, float], ...]
"""A table's rows (x, y), x rising."""

REST_VOLTAGE: dict[Chemistry, Rows] = {
    # [guide] table at 80 °F for a 12 V block, secondary source
    "flooded": tuple(
        (percent / 100, block_V / 6)
        for percent, block_V in (
            (10, 11.51), (20, 11.66), (30, 11.81), (40, 11.96), (50, 12.10),
            (60, 12.24), (70, 12.37), (80, 12.50), (90, 12.62), (100, 12.73),
        )
    ),
    # common in the trade, from memory; the lower four agree with a vehicle maker's bands (read)
    "agm": tuple((q / 4, block_V / 6) for q, block_V in enumerate((11.80, 12.00, 12.30, 12.60, 12.80))),
    # common in the trade, from memory
    "gel": tuple((q / 4, block_V / 6) for q, block_V in enumerate((11.80, 12.00, 12.35, 12.65, 12.85))),
    # computed with the published parameter set Prada2013 of a 2.3 Ah cell (PyBaMM), limits 2.0 to 3.6 V
    "lifepo4": (
        (0.0, 2.000), (0.05, 2.785), (0.1, 2.978), (0.2, 3.169), (0.3, 3.206), (0.4, 3.253), (0.5, 3.266),
        (0.6, 3.269), (0.7, 3.274), (0.8, 3.310), (0.9, 3.314), (0.95, 3.316), (1.0, 3.600),
    ),
}  # fmt: skip
"""Rest voltage per cell by charge, each chemistry's default table."""

LIFEPO4_CHART: Rows = (  # 4 cells, a chart of the kind makers print, from memory
    (0.0, 2.500), (0.09, 3.000), (0.14, 3.125), (0.17, 3.200), (0.2, 3.225), (0.3, 3.250),
    (0.4, 3.275), (0.7, 3.300), (0.9, 3.325), (0.99, 3.350), (1.0, 3.400),
)  # fmt: skip
"""A second rest curve of LiFePO4: how far two such curves lie apart shows how little voltage tells there."""

AcidTable = Literal["guide", "manual", "TM10", "TM5"]

SPECIFIC_GRAVITY: dict[AcidTable, Rows] = {
    "guide": (  # from memory of the same table as the flooded rest voltages
        (0.1, 1.073), (0.2, 1.098), (0.3, 1.124), (0.4, 1.148), (0.5, 1.172),
        (0.6, 1.195), (0.7, 1.217), (0.8, 1.238), (0.9, 1.258), (1.0, 1.277),
    ),
    "manual": ((0.0, 1.120), (0.25, 1.160), (0.5, 1.190), (0.75, 1.225), (1.0, 1.265)),  # its bands' middles
    "TM10": ((0.25, 1.160), (0.5, 1.220), (0.75, 1.250), (1.0, 1.280)),
    "TM5": ((0.0, 1.130), (0.25, 1.190), (0.5, 1.220), (0.75, 1.250), (1.0, 1.280)),
}  # fmt: skip
"""Specific gravity at 80 °F (26.7 °C) by charge. TM10 and TM5 are of stronger acid than solar banks have."""

HYDROMETER_C = 80 / 1.8 - 32 / 1.8
"""80 °F: where hydrometers are right."""

HydrometerRule = Literal["guide", "manual"]

HYDROMETER_PER_10_F: dict[HydrometerRule, float] = {"guide": 0.004, "manual": 0.003}
"""What a maker adds to a reading for each 10 °F (5.6 °C) above 80 °F. An article of the second maker
prints 0.0003: a misprint."""

FREEZING: Rows = (
    (1.000, 0.0),  # [TM5]: water
    (1.100, -7.2), (1.150, -15.0), (1.200, -26.7), (1.250, -52.2), (1.265, -57.4), (1.280, -69.0),  # [manual]
)  # fmt: skip
"""Freezing point in °C by specific gravity corrected to 80 °F."""

STRONGEST_GRAVITY = 1.300
"""Still stronger acid freezes sooner again, and no table here tells it."""

SheetName = Literal["SHEET", "TM10"]

CAPACITY_BY_TEMPERATURE: dict[SheetName, Rows] = {
    "SHEET": tuple(  # its multipliers of the bank's size at °F
        ((fahrenheit - 32) / 1.8, 1 / multiplier)
        for fahrenheit, multiplier in (
            (20, 1.59), (30, 1.40), (40, 1.30), (50, 1.19), (60, 1.11), (70, 1.04), (80, 1.00),
        )
    ),
    "TM10": ((-32 / 1.8, 0.40), (0.0, 0.75), (HYDROMETER_C, 1.0)),  # at the 6-hour rate
}  # fmt: skip
"""Usable share of capacity by temperature in °C, 1 at 80 °F."""

PEUKERT_VALID_H = (5.0, 100.0)
"""Discharge times between which published capacities (271/304/330/367 Ah at 5/10/20/100 h [guide]) carry the
exponents; beyond 100 h the exponent falls toward 1, and nothing is published below 5 h."""

PEUKERT_ROUNDING = 0.01
"""How far beyond these the published end rows themselves come out, by the exponents' rounding."""

ABSORPTION_FACTOR: dict[Chemistry, float] = {"flooded": 0.42, "agm": 0.38}
"""[manual]: absorption hours are this times capacity over charge current."""

SELF_DISCHARGE_PER_MONTH: dict[Chemistry, float] = {
    "flooded": 0.11,  # [manual] 10 to 12 % at 25 °C; [guide] 5 to 15 % by temperature
    "agm": 0.02,  # 1 to 3 %, from memory
    "gel": 0.02,  # 1 to 3 %, from memory
    "lifepo4": 0.02,  # from memory, no source
}
"""Share of capacity lost in a month of standing at 25 °C."""


def rest_voltage_V(chemistry: Chemistry, charge: float) -> float:
    """Voltage per cell after a long rest at room temperature; outside the table that of its end row.

    Source: REST_VOLTAGE. A LiFePO4 cell's moves 0.06 V between 90 and 40 %.
    """
    return _between(charge, REST_VOLTAGE[chemistry])


def charge_at_rest(chemistry: Chemistry, voltage_V: float) -> float:
    """Charge of a cell that has rested for long at room temperature; outside the table that of its end row.

    At least 6 h of rest, better 24 h [guide]; after a live load or charge the voltage says nothing like this.
    """
    return _between(voltage_V, _turned(REST_VOLTAGE[chemistry]))


def specific_gravity(charge: float, table: AcidTable = "guide") -> float:
    """Specific gravity at 80 °F of a flooded cell; outside the table that of its end row."""
    return _between(charge, SPECIFIC_GRAVITY[table])


def charge_by_gravity(gravity: float, table: AcidTable = "guide") -> float:
    """Charge of a flooded cell by its specific gravity at 80 °F; outside the table that of its end row."""
    return _between(gravity, _turned(SPECIFIC_GRAVITY[table]))


def corrected_gravity(reading: float, temperature_C: float, rule: HydrometerRule = "guide") -> float:
    """A hydrometer's reading as it would be at 80 °F (26.7 °C), by a maker's rule."""
    return reading + HYDROMETER_PER_10_F[rule] * (temperature_C - HYDROMETER_C) * 1.8 / 10


def freezing_point_C(gravity: float) -> float:
    """Where electrolyte of a specific gravity (corrected to 80 °F) begins to freeze.

    Above the table's last row, 1.280, that row's. Raises ValueError outside 1.000 to 1.300.
    """
    if not 1.0 <= gravity <= STRONGEST_GRAVITY:
        raise ValueError(f"{gravity:g} is no battery acid's specific gravity; 1.000 is water, 1.300 strong")
    return _between(gravity, FREEZING)


def freezing_point_at_C(charge: float, table: AcidTable = "guide") -> float:
    """Where a flooded bank's electrolyte begins to freeze, from its charge.

    The default acid is the weakest and so the cautious one; another is for an owner with a hydrometer.
    Below the lowest charge of a table that does not reach 0 the line goes on to 0 °C at empty: the manual
    says 'just below 0 °C' there.
    """
    charge = max(0.0, charge)
    lowest, gravity = SPECIFIC_GRAVITY[table][0]
    if charge >= lowest:
        return freezing_point_C(specific_gravity(charge, table))
    return freezing_point_C(gravity) * charge / lowest


def capacity_share(temperature_C: float, table: SheetName = "SHEET") -> float | None:
    """Share of the capacity at 80 °F (26.7 °C) that a lead-acid bank gives at a temperature.

    Warmer than the table: 1, warmth is not counted as a gain. Colder than the table (SHEET ends at -6.7 °C,
    TM10 at -17.8 °C): None, nothing is published here.
    """
    rows = CAPACITY_BY_TEMPERATURE[table]
    return _between(temperature_C, rows) if temperature_C >= rows[0][0] - 1e-9 else None


def peukert_h(current_A: float, *, capacity_Ah: float, rate_h: float, exponent: float) -> float:
    """Hours that a bank rated capacity_Ah at rate_h gives a steady current: t = H (C / (I H))^k.

    The formula as it stands, at any current; where it may be believed `effective_capacity_Ah` says.
    Raises ValueError for a current that is not positive.
    """
    if not current_A > 0:
        raise ValueError(f"a discharge needs a current above 0 A, not {current_A:g}")
    return float(rate_h * (capacity_Ah / (current_A * rate_h)) ** exponent)


def effective_capacity_Ah(chemistry: Chemistry, capacity_Ah: float, current_A: float) -> float | None:
    """Ah that a bank of this 20-hour capacity gives at a steady current; None outside PEUKERT_VALID_H.

    Source: Peukert with the exponents of `site.chemistry.USUAL`.
    """
    usual = USUAL[chemistry]
    exponent = usual.peukert_shorter if current_A * 20 > capacity_Ah else usual.peukert_longer
    hours = peukert_h(current_A, capacity_Ah=capacity_Ah, rate_h=20, exponent=exponent)
    shortest_h, longest_h = PEUKERT_VALID_H
    inside = shortest_h * (1 - PEUKERT_ROUNDING) <= hours <= longest_h * (1 + PEUKERT_ROUNDING)
    return current_A * hours if inside else None


def absorption_h(chemistry: Chemistry, capacity_Ah: float, charge_A: float) -> float | None:
    """Hours of absorption after a charge at charge_A, from the 20-hour capacity; None where none is known.

    Source: [manual], 0.42 C/I flooded and 0.38 C/I AGM. Raises ValueError for a current that is not positive.
    """
    if not charge_A > 0:
        raise ValueError(f"a charge needs a current above 0 A, not {charge_A:g}")
    factor = ABSORPTION_FACTOR.get(chemistry)
    return None if factor is None else factor * capacity_Ah / charge_A


def self_discharge_per_month(chemistry: Chemistry, temperature_C: float) -> float:
    """Share of capacity that a standing bank loses in a month; doubles each 10 °C (from memory)."""
    return float(SELF_DISCHARGE_PER_MONTH[chemistry] * 2 ** ((temperature_C - 25) / 10))


def _turned(rows: Rows) -> Rows:
    return tuple((y, x) for x, y in rows)


def _between(x: float, rows: Sequence[tuple[float, float]]) -> float:
    """y on the straight line between the neighbouring rows, the end row's outside."""
    before_x, before_y = rows[0]
    if x <= before_x:
        return before_y
    for row_x, row_y in rows:
        if x <= row_x:
            return before_y + (row_y - before_y) * (x - before_x) / (row_x - before_x)
        before_x, before_y = row_x, row_y
    return before_y
