"""A bank left in the cold: the charge that keeps it from freezing, and how long it has that charge. Pure.

Sources are those of `bank.tables`: the freezing curve, self-discharge and its rise with warmth.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.bank.tables import freezing_point_at_C, self_discharge_per_month
from monitor.site.model import Chemistry

MARGIN_C = 5.0
"""The acid must freeze so much below the coldest night expected (our choice: a night colder than any before,
and acid that has settled is weaker on top; the alarm that watches a live bank keeps 3 °C)."""

DAYS_PER_MONTH = 365.25 / 12

REFRESH_DAYS = 91
"""A stored flooded bank is charged anew every 3 months, whatever the frost (maker's manual [RLS], read)."""

_STEPS = 40
"""Halvings: the charge is found far finer than any meter knows it."""


@dataclass(frozen=True, slots=True)
class Standing:
    """A bank that stands: charge and least_charge 0..1; least_charge None where even a full one would freeze.

    self_Ah and drawn_Ah are what a day takes by self-discharge and by what stays connected.
    """

    charge: float
    least_charge: float | None
    capacity_Ah: float
    self_Ah: float
    drawn_Ah: float

    @property
    def spare_Ah(self) -> float | None:
        """What may go before the bank is at risk; negative where that is so already."""
        return None if self.least_charge is None else (self.charge - self.least_charge) * self.capacity_Ah

    @property
    def days_safe(self) -> float | None:
        """Days until it is at risk, 0 where it is now; None where even a full bank would freeze."""
        if self.spare_Ah is None:
            return None
        return max(0.0, self.spare_Ah / (self.self_Ah + self.drawn_Ah))


def least_charge(coldest_C: float, margin_C: float = MARGIN_C) -> float | None:
    """The charge (0..1) at which the acid freezes margin_C below the coldest night; None: not even full.

    With the weakest usual acid, so that it is rather too much. Source: `bank.tables.freezing_point_at_C`.
    """
    wanted_C = coldest_C - margin_C
    if freezing_point_at_C(1.0) > wanted_C:
        return None
    too_little, enough = 0.0, 1.0
    if freezing_point_at_C(0.0) <= wanted_C:
        return 0.0
    for _ in range(_STEPS):
        middle = (too_little + enough) / 2
        if freezing_point_at_C(middle) <= wanted_C:
            enough = middle
        else:
            too_little = middle
    return enough


def standing(
    chemistry: Chemistry,
    charge: float,
    capacity_Ah: float,
    coldest_C: float,
    standing_C: float,
    drawn_A: float,
) -> Standing:
    """A lead-acid bank that stands at a mean temperature, what still draws from it, and nothing coming in.

    Raises ValueError for LiFePO4, which has no acid.
    """
    if chemistry == "lifepo4":
        raise ValueError("LiFePO4 has no acid that could freeze")
    return Standing(
        charge=charge,
        least_charge=least_charge(coldest_C),
        capacity_Ah=capacity_Ah,
        self_Ah=self_discharge_per_month(chemistry, standing_C) / DAYS_PER_MONTH * capacity_Ah,
        drawn_Ah=24 * drawn_A,
    )


def heater_Ah(power_W: float, voltage_V: float, hours: float = 24.0) -> float:
    """What a heater takes from the bank in so many hours at its nominal voltage."""
    return power_W * hours / voltage_V
