"""A bank left in the cold: the charge that keeps it from freezing, for how long it has it, and whether the
array alone keeps it. Pure.

Sources are those of `bank.tables`: the freezing curve, self-discharge and its rise with warmth.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import exp, sqrt
from statistics import fmean, pstdev
from typing import Literal

from monitor.bank.tables import freezing_point_at_C, self_discharge_per_month
from monitor.site.model import Chemistry

MARGIN_C = 5.0
"""The acid must freeze so much below the coldest night expected (our choice: a night colder than any before,
and acid that has settled is weaker on top; the alarm that watches a live bank keeps 3 °C)."""

DAYS_PER_MONTH = 365.25 / 12

REFRESH_MONTHS = 3
"""A stored flooded bank is charged anew so often, whatever the frost (maker's manual [RLS], read)."""

CHARGE_EFFICIENCY = 0.85
"""Share of what is charged into a lead-acid bank that it gives back (typical, secondary source)."""

DULLEST_SHARE = 0.15
"""The least share of a clear sky's yield that a month lets through where this site's own clouds are unknown
(our choice: half of a cloudy coast's dullest month, see tests/reference/test_winter_clouds.py)."""

LEAST_DAYS = 20
"""So many days of a month and its neighbours tell its clouds (our choice: several spells of weather)."""

LEAST_ANY_DAYS = 10
"""So many days of any season give the middle that is supposed elsewhere (our choice)."""

PERSISTENCE = (1 + 0.3) / (1 - 0.3)
"""A day's clearness goes with that of the day before, with a correlation of about 0.3 (0.32 and 0.37 in two
years of the National Solar Radiation Data Base, computed there): a mean of days is as uncertain as one of
fewer independent ones, by this factor."""

BAND_SDS = 2.0

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
        """Days until it is at risk without any sun, 0 where it is now; None where even a full bank would
        freeze."""
        if self.spare_Ah is None:
            return None
        return max(0.0, self.spare_Ah / (self.self_Ah + self.drawn_Ah))


@dataclass(frozen=True, slots=True)
class Clouds:
    """The share of a clear sky's yield that a month lets through: middle (None: nothing tells it) and band.

    basis is 'seen' where `days` of this site in the month and its neighbours tell it, 'supposed' where the
    middle is that of its other days, and 'unknown' without enough of those.
    """

    low: float
    middle: float | None
    high: float
    basis: Literal["seen", "supposed", "unknown"]
    days: int


@dataclass(frozen=True, slots=True)
class Given:
    """What the array gives the bank on a mean day of a month (1..12) [Ah]; clear_Ah under a clear sky every
    day."""

    month: int
    clear_Ah: float
    low_Ah: float
    middle_Ah: float | None
    high_Ah: float
    clouds: Clouds


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
    """A lead-acid bank that stands at a mean temperature, and what still draws from it.

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


def clouds_of(month: int, own: Sequence[tuple[date, float]]) -> Clouds:
    """What a month (1..12) lets through, by this site's own days (day, share of a clear sky's light)."""
    near = [share for day, share in own if (day.month - month) % 12 in (11, 0, 1)]
    if len(near) >= LEAST_DAYS:
        middle = fmean(near)
        mean_sd = pstdev(near) * sqrt(PERSISTENCE * (1 / DAYS_PER_MONTH + 1 / len(near)))
        spread = exp(BAND_SDS * mean_sd / middle) if middle > 0 else 1.0
        return Clouds(middle / spread, middle, min(1.0, middle * spread), "seen", len(near))
    supposed = min(1.0, fmean(share for _, share in own)) if len(own) >= LEAST_ANY_DAYS else None
    basis: Literal["supposed", "unknown"] = "unknown" if supposed is None else "supposed"
    return Clouds(DULLEST_SHARE, supposed, 1.0, basis, len(own))


def given(month: int, clear_Ah: float, clouds: Clouds) -> Given:
    """What a month gives, from a clear day's and its clouds."""
    middle_Ah = None if clouds.middle is None else clear_Ah * min(1.0, clouds.middle)
    return Given(month, clear_Ah, clear_Ah * clouds.low, middle_Ah, clear_Ah * clouds.high, clouds)


def months_ahead(today: date, latitude_deg: float) -> list[int]:
    """The months from today to the end of the coming or present winter: March, in the south September."""
    last, months = (3 if latitude_deg >= 0 else 9), [today.month]
    while months[-1] != last:
        months.append(months[-1] % 12 + 1)
    return months


def at_risk_on(
    found: Standing, today: date, latitude_deg: float, gives_Ah: Callable[[int], float]
) -> date | None:
    """The first day until the winter's end on which the bank holds too little, None where there is none.

    gives_Ah tells what the array gives on a day of a month; what it charges counts by CHARGE_EFFICIENCY, a
    full bank takes no more. The bank must not be one that would freeze even when full.
    """
    assert found.least_charge is not None, "asked only where a charge is enough"
    charge, day = found.charge, today
    gone = (found.self_Ah + found.drawn_Ah) / found.capacity_Ah
    for month in months_ahead(today, latitude_deg):
        gain = CHARGE_EFFICIENCY * gives_Ah(month) / found.capacity_Ah
        while day.month == month:
            if charge < found.least_charge:
                return day
            charge = min(1.0, charge + gain - gone)
            day += timedelta(days=1)
    return None


def heater_Ah(power_W: float, voltage_V: float, hours: float = 24.0) -> float:
    """What a heater takes from the bank in so many hours at its nominal voltage."""
    return power_W * hours / voltage_V
