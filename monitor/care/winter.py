"""A bank left in the cold: the charge that keeps it from freezing, for how long it has it, and whether the
array alone keeps it. Pure.

Sources are those of `bank.tables`: the freezing curve, self-discharge and its rise with warmth.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import exp, sqrt
from statistics import NormalDist, fmean, pstdev
from typing import Literal

from monitor.bank.tables import freezing_point_at_C, self_discharge_per_month
from monitor.site.model import Chemistry

MARGIN_C = 5.0
"""The acid must freeze so much below the coldest night expected (our choice: a night colder than any before,
and acid that has settled is weaker on top; the alarm that watches a live bank keeps 3 °C)."""

DAYS_PER_MONTH = 365.25 / 12

LEAST_LEFT = 0.2
"""No bank is left emptier than this, whatever the frost: a maker's guide (read) never discharges
deeper; LiFePO4 by our choice, so that its own protection does not switch it off. A larger reserve counts."""

REFRESH_MONTHS = 3
"""A stored flooded bank is charged anew so often, whatever the frost (maker's manual, read)."""

CHARGE_EFFICIENCY = 0.85
"""Share of what is charged into a lead-acid bank that it gives back (typical, secondary source)."""

DARK_SHARE, DARK_DAYS = 0.05, 10
"""So little of a clear sky's yield for so many days is reckoned with once a winter: one year of own days
has not seen the longest spell that comes (our choice; heavy overcast lets through some hundredths, from
memory)."""

DULLEST_MONTH = (*[DARK_SHARE] * DARK_DAYS, *[0.2] * 20)
"""The days of the dullest month that is reckoned with where this site's clouds are unknown, as shares of a
clear sky's yield: dark ones in a row, the others grey (our choice; the mean is half of the dullest month of a
cloudy coast, see tests/reference/test_winter_clouds.py)."""

DULLEST_SHARE = fmean(DULLEST_MONTH)

LEAST_DAYS = 20
"""So many days of a month and its neighbours tell its clouds (our choice: several spells of weather)."""

LEAST_ANY_DAYS = 10
"""So many days of any season give the middle that is supposed elsewhere (our choice)."""

PERSISTENCE = (1 + 0.3) / (1 - 0.3)
"""A day's clearness goes with that of the day before, with a correlation of about 0.3 (0.32 and 0.37 in two
years of the National Solar Radiation Data Base, computed there): a mean of days is as uncertain as one of
fewer independent ones, by this factor."""

BAND_SDS = 2.0

WINTERS = 40
"""So many winters are drawn from the days that are known (our choice)."""

CAUTIOUS = 0.05
"""Somebody is told to act so soon that of the drawn winters no more than this share came to risk before (our
choice: one of twenty)."""

_STEPS = 40
"""Halvings: the charge is found far finer than any meter knows it."""


@dataclass(frozen=True, slots=True)
class Standing:
    """A bank that stands: charge and least_charge 0..1; least_charge None where even a full one would freeze.

    by_frost: least_charge is what the frost asks for, else what a bank keeps without any. self_Ah and
    drawn_Ah are what a day takes by self-discharge and by what stays connected.
    """

    charge: float
    least_charge: float | None
    capacity_Ah: float
    self_Ah: float
    drawn_Ah: float
    by_frost: bool = True

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
    """The share of a clear sky's yield that a month lets through: middle (None: nothing tells it) and band of
    its mean, and single days in their order, spells and all.

    basis is 'seen' where `seen` days of this site in the month and its neighbours tell it, 'supposed' where
    the middle is that of its other days, and 'unknown' without enough of those. unsure is the deviation of
    the days' mean, as a share of it.
    """

    low: float
    middle: float | None
    high: float
    basis: Literal["seen", "supposed", "unknown"]
    seen: int
    days: tuple[float, ...] = DULLEST_MONTH
    unsure: float = 0.0


@dataclass(frozen=True, slots=True)
class Given:
    """What the array gives the bank on a day of a month (1..12) [Ah]: under a clear sky, and on the mean."""

    month: int
    clear_Ah: float
    clouds: Clouds

    @property
    def low_Ah(self) -> float:
        return self.clear_Ah * self.clouds.low

    @property
    def middle_Ah(self) -> float | None:
        return None if self.clouds.middle is None else self.clear_Ah * min(1.0, self.clouds.middle)

    @property
    def high_Ah(self) -> float:
        return self.clear_Ah * self.clouds.high


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
    reserve: float = LEAST_LEFT,
) -> Standing:
    """A bank that stands at a mean temperature, and what still draws from it; LiFePO4 has no acid that could
    freeze. It keeps its reserve in any case, and LEAST_LEFT."""
    kept = max(reserve, LEAST_LEFT)
    by_frost = 0.0 if chemistry == "lifepo4" else least_charge(coldest_C)
    return Standing(
        charge=charge,
        least_charge=None if by_frost is None else max(kept, by_frost),
        capacity_Ah=capacity_Ah,
        self_Ah=self_discharge_per_month(chemistry, standing_C) / DAYS_PER_MONTH * capacity_Ah,
        drawn_Ah=24 * drawn_A,
        by_frost=by_frost is None or by_frost > kept,
    )


def clouds_of(month: int, own: Sequence[tuple[date, float]]) -> Clouds:
    """What a month (1..12) lets through, by this site's own days in order (day, share of a clear sky)."""
    near = tuple(share for day, share in own if (day.month - month) % 12 in (11, 0, 1))
    if len(near) >= LEAST_DAYS and fmean(near) > 0:
        middle = fmean(near)
        apart = pstdev(near) * sqrt(PERSISTENCE) / middle
        unsure = apart / sqrt(len(near))
        spread = exp(BAND_SDS * sqrt(unsure**2 + apart**2 / DAYS_PER_MONTH))
        high = min(1.0, middle * spread)
        return Clouds(middle / spread, middle, high, "seen", len(near), near, unsure)
    supposed = min(1.0, fmean(share for _, share in own)) if len(own) >= LEAST_ANY_DAYS else None
    return Clouds(DULLEST_SHARE, supposed, 1.0, "unknown" if supposed is None else "supposed", len(own))


def months_ahead(today: date, latitude_deg: float) -> list[int]:
    """The months from today to the end of the coming or present winter: March, in the south September."""
    last, months = _last_month(latitude_deg), [today.month]
    while months[-1] != last:
        months.append(months[-1] % 12 + 1)
    return months


def winter_days(today: date, latitude_deg: float) -> int:
    """The days from today, which counts, to the winter's end."""
    last = _last_month(latitude_deg)
    return (date(today.year + (today.month > last), last + 1, 1) - today).days


def _last_month(latitude_deg: float) -> int:
    return 3 if latitude_deg >= 0 else 9


def at_risk_on(
    found: Standing, today: date, latitude_deg: float, gives_Ah: Callable[[date], float]
) -> date | None:
    """The first day until the winter's end on which the bank holds too little, None where there is none.

    gives_Ah tells what the array gives on a day; what it charges counts by CHARGE_EFFICIENCY, a full bank
    takes no more, and the charge is that of dawn. The bank must not be one that would freeze even when full.
    """
    assert found.least_charge is not None, "asked only where a charge is enough"
    charge, gone = found.charge, (found.self_Ah + found.drawn_Ah) / found.capacity_Ah
    for ahead in range(winter_days(today, latitude_deg)):
        if charge < found.least_charge:
            return today + timedelta(days=ahead)
        gained_Ah = CHARGE_EFFICIENCY * gives_Ah(today + timedelta(days=ahead))
        charge = min(1.0, charge + gained_Ah / found.capacity_Ah) - gone
    return None


def winters(
    found: Standing, today: date, latitude_deg: float, gives: Mapping[int, Given]
) -> tuple[date | None, ...]:
    """The day on which each of the drawn winters is at risk, the soonest first, those that never are last.

    Each month runs through the days that tell it from another of them on, so that spells stay together; how
    far their mean may be off is one and the same all winter, and once a dark spell comes.
    """
    latest = max(0, winter_days(today, latitude_deg) - DARK_DAYS)
    days = [
        at_risk_on(
            found,
            today,
            latitude_deg,
            _drawn(gives, each, today + timedelta(days=each * latest // WINTERS)),
        )
        for each in range(WINTERS)
    ]
    return tuple(sorted(days, key=lambda day: (day is None, day or today)))


def _drawn(gives: Mapping[int, Given], number: int, dark_from: date) -> Callable[[date], float]:
    """What the array gives in one of the drawn winters, with a dark spell from a day on."""
    off = NormalDist().inv_cdf(((number * 17) % WINTERS + 0.5) / WINTERS)  # 17 shares no factor with 40

    def gives_Ah(day: date) -> float:
        told = gives[day.month]
        days = told.clouds.days
        share = days[(number * len(days) // WINTERS + day.day) % len(days)] * exp(off * told.clouds.unsure)
        if 0 <= (day - dark_from).days < DARK_DAYS:
            share = min(share, DARK_SHARE)
        return told.clear_Ah * min(1.0, share)

    return gives_Ah


def cautious(drawn: Sequence[date | None]) -> date | None:
    """The day before which no more than CAUTIOUS of the winters came to risk, None where there is none."""
    return drawn[int(CAUTIOUS * len(drawn))]


def heater_Ah(power_W: float, voltage_V: float, hours: float = 24.0) -> float:
    """What a heater takes from the bank in so many hours at its nominal voltage."""
    return power_W * hours / voltage_V
