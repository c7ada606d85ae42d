"""Copper conductors: cross-section, resistance at a temperature, and what they may carry. Pure.

'Secondary source' and 'from memory' stand where the document itself was not opened.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

FEET_PER_KFT, M_PER_FOOT = 1000, 0.3048

CLASS_5_OHM_PER_KM = {
    # IEC 60228, class 5 (flexible), most at 20 °C; 1 to 25 mm2 secondary source, the others from memory
    0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30, 10.0: 1.91, 16.0: 1.21, 25.0: 0.780,
    35.0: 0.554, 50.0: 0.386, 70.0: 0.272, 95.0: 0.206, 120.0: 0.161,
}  # fmt: skip

STRANDED_OHM_PER_KFT = {
    # NEC chapter 9 table 8, uncoated stranded copper at 75 °C; 6 and thicker secondary source, 18 to 8 from
    # memory. Gauges 1/0 to 4/0 count as 0 to -3.
    18: 7.95, 16: 4.99, 14: 3.14, 12: 1.98, 10: 1.24, 8: 0.778, 6: 0.491, 4: 0.308, 3: 0.245, 2: 0.194,
    1: 0.154, 0: 0.122, -1: 0.0967, -2: 0.0766, -3: 0.0608,
}  # fmt: skip

CARRIES_A = {14: 25, 12: 30, 10: 40, 8: 55, 6: 75, 4: 95, 2: 130, 1: 150, -1: 195, -3: 260}
"""What a battery cable may carry, by gauge (a battery maker's article on battery cables, read). The table for
boats and 105 °C insulation (ABYC E-11, secondary source) allows 1.4 to 1.7 times as much: the cautious one
serves here. Neither is for bundles."""

HOT_PLACE_FACTOR = 0.85
"""In an engine's room, and so in any place as hot (ABYC E-11, secondary source)."""

RESISTANCE_SOURCE = {
    "mm²": "resistance: IEC 60228, class 5, most at 20 °C, 1 to 25 mm² by secondary sources, the others from "
    "memory; 0.00393 per °C",
    "AWG": "resistance: NEC chapter 9 table 8, stranded at 75 °C, AWG 6 and thicker by secondary sources, "
    "the others from memory; 0.00323 per °C",
}
CARRIES_SOURCE = (
    "what it may carry: a battery maker's table of cables; a size between two rows counts as the thinner one"
)


@dataclass(frozen=True, slots=True)
class Conductor:
    """One size: its name as it is printed on the reel, and its resistance at the temperature of its table."""

    name: str
    area_mm2: float
    table_ohm_per_km: float
    table_C: float
    per_C: float

    @property
    def system(self) -> str:
        return "AWG" if self.name.startswith("AWG") else "mm²"

    def ohm_per_km(self, conductor_C: float) -> float:
        """Resistance of one km of it at a temperature of the copper: a straight line about its table's."""
        return self.table_ohm_per_km * (1 + self.per_C * (conductor_C - self.table_C))

    def carries_A(self, hot_place: bool = False) -> float | None:
        """What it may carry without end, by the thickest row of CARRIES_A that is not thicker; None below."""
        rows = [amps for gauge, amps in CARRIES_A.items() if gauge_mm2(gauge) <= self.area_mm2 * 1.0001]
        return max(rows) * (HOT_PLACE_FACTOR if hot_place else 1.0) if rows else None


def gauge_mm2(gauge: int) -> float:
    """Cross-section of a solid wire of an American gauge: ASTM B258, d = 0.127 mm times 92^((36 - n)/39)."""
    return float(pi / 4 * (0.127 * 92 ** ((36 - gauge) / 39)) ** 2)


def gauge_name(gauge: int) -> str:
    """'AWG 10', 'AWG 2/0'."""
    return f"AWG {gauge}" if gauge > 0 else f"AWG {1 - gauge}/0"


METRIC = tuple(
    Conductor(f"{area:g} mm²", area, ohm, 20.0, 0.00393) for area, ohm in CLASS_5_OHM_PER_KM.items()
)
"""Thinnest first."""

GAUGES = tuple(
    Conductor(gauge_name(gauge), gauge_mm2(gauge), ohm * 1000 / (FEET_PER_KFT * M_PER_FOOT), 75.0, 0.00323)
    for gauge, ohm in STRANDED_OHM_PER_KFT.items()
)
"""Thinnest first."""
