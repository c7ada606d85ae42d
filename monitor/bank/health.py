"""The bank's health from what was stored: capacity, acceptance, sulfation risk, imbalance, cycle life. Pure.

Each figure comes with its band, or with the reason why there is none. Resistance has its own room.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from monitor.bank.ledger import Flow
from monitor.quantities import Stage
from monitor.records import DayStat
from monitor.site.model import Chemistry, Meters

FULL_BY_DAYS, FULL_AT_LEAST_DAYS = 14.0, 31.0
"""A full charge every 7 to 14 days is preferred (from memory); at least once a month where the bank
lives on too little (a battery maker's manual, [manual] in `tables`)."""

SULFATES_BELOW = 0.80
"""Sulfation starts below 80 % charge in storage (a collection of answers on batteries)."""

FULL_SD = 0.03
"""How far two banks' charges called full may lie apart, as a share of capacity (our choice)."""

REST_C_RATE, REST_S = 0.01, 3600.0
"""At rest: no more than 1 % of the capacity in an hour, for an hour (a maker's answers to questions, [guide]
in `tables`, have the voltage settle in about 1 h)."""

HALVES_WARN_V_PER_CELL, HALVES_HIGH_V_PER_CELL = 0.22 / 6, 0.30 / 6
"""The same maker: spread between 12 V blocks at rest 0.22 V (answers) and 0.30 V (guide); 6 V blocks 0.15 V,
which is the same per cell as the guide's."""

CYCLE_LIFE: dict[str, tuple[tuple[float, float], ...]] = {
    "flooded": ((0.20, 3000), (0.30, 2000), (0.50, 1200), (0.80, 725), (1.00, 500)),
    "agm": ((0.20, 1500), (0.30, 1100), (0.50, 550), (0.80, 300), (1.00, 200)),
}
"""Cycles against depth of discharge, both rows from memory (80 % flooded: 700 to 750)."""

LEAST_DAYS = 30
"""Fewer days of state of charge tell no habit (our choice)."""


LEARNT_SD = 0.10
"""The capacity is learnt once its deviation is below a tenth of it: before anything is measured the estimator
takes 12 to 15 % (our choice)."""


@dataclass(frozen=True, slots=True)
class Banded:
    """A figure with its standard deviation."""

    value: float
    sd: float


def capacity_share(capacity_Ah: float | None, sd_Ah: float | None, rated_Ah: float) -> Banded | None:
    """Learnt capacity over the rated one; None where nothing is learnt."""
    if capacity_Ah is None or sd_Ah is None or rated_Ah <= 0:
        return None
    return Banded(capacity_Ah / rated_Ah, sd_Ah / rated_Ah)


def coulombic_efficiency(between: Flow, capacity_Ah: float, meters: Meters) -> Banded | None:
    """Charge out over charge in between two full charges, None where one of them is unknown.

    The deviation holds the current meter's offset over the time, its gain (in and out may be read by two
    meters), and that 'full' is not twice the same charge. Time without readings is missing on both sides and
    widens nothing here: ask only for spans that are well covered.
    """
    if between.out_Ah is None or not between.in_Ah:
        return None
    hours = between.covered_s / 3600
    error_Ah = math.hypot(
        meters.current_offset_tolerance_A * hours,
        meters.current_gain_tolerance * between.in_Ah,
        math.sqrt(2) * FULL_SD * capacity_Ah,
    )
    return Banded(between.out_Ah / between.in_Ah, error_Ah / between.in_Ah)


@dataclass(slots=True)
class Acceptance:
    """The current that the bank takes as absorption begins, as a share of its capacity.

    Fed with rows that hold charge_stage and a current (net before the controller's); memory is bounded.
    """

    capacity_Ah: float
    _before: Stage | None = None
    _shares: list[float] = field(default_factory=list)

    def take(self, row: Mapping[str, float]) -> None:
        code = row.get("charge_stage")
        if code is None:
            return
        stage, before, self._before = Stage(int(code)), self._before, Stage(int(code))
        current_A = row.get("battery_current_A", row.get("charge_current_A"))
        if (before, stage) == (Stage.BULK, Stage.ABSORPTION) and current_A is not None:
            self._shares = [*self._shares[-199:], current_A / self.capacity_Ah]

    def share(self) -> Banded | None:
        """Median over the absorptions seen and their scatter; None with fewer than three."""
        if len(self._shares) < 3:
            return None
        middle = median(self._shares)
        return Banded(middle, 1.4826 * median(abs(share - middle) for share in self._shares))


def sulfation_in_words(chemistry: Chemistry, days_since_full: float | None, mean_soc: float | None) -> str:
    """The risk of sulfation in one sentence."""
    if chemistry == "lifepo4":
        return "LiFePO4 does not sulfate."
    if days_since_full is None:
        return "Sulfation risk unknown: no full charge was seen yet."
    low = mean_soc is not None and mean_soc < SULFATES_BELOW
    below = ", on average below 80 % charge, where sulfation starts" if low else ""
    count = round(days_since_full)
    since = f"{'1 day' if count == 1 else f'{count} days'} since full{below}"
    if days_since_full <= FULL_BY_DAYS:
        return f"Sulfation risk low: {since}."
    if days_since_full <= FULL_AT_LEAST_DAYS:
        return f"Sulfation risk rising: {since}; every 7 to 14 days is preferred."
    return f"Sulfation risk high: {since}; makers ask for a full charge at least once a month."


@dataclass(slots=True)
class Halves:
    """The difference between the two halves of a series pair at rest, from a mid-point voltage."""

    cells: int
    capacity_Ah: float
    _rest_since_ms: int | None = None
    _last_ms: int | None = None
    _spreads: list[float] = field(default_factory=list)

    def take(self, time_ms: int, row: Mapping[str, float]) -> None:
        """A row with midpoint_voltage_V, battery_voltage_V and battery_current_A."""
        lower_V, whole_V, net_A = (
            row.get(name) for name in ("midpoint_voltage_V", "battery_voltage_V", "battery_current_A")
        )
        silent = self._last_ms is not None and time_ms - self._last_ms > 900_000
        if net_A is not None:
            self._last_ms = time_ms
            if abs(net_A) > REST_C_RATE * self.capacity_Ah or silent:
                self._rest_since_ms = None
            elif self._rest_since_ms is None:
                self._rest_since_ms = time_ms
        rested = self._rest_since_ms is not None and time_ms - self._rest_since_ms >= REST_S * 1000
        if rested and lower_V is not None and whole_V is not None:
            self._spreads = [*self._spreads[-499:], whole_V - 2 * lower_V]

    def spread_V(self) -> float | None:
        """Upper minus lower half, median of the latest rested readings; None where there is none."""
        return median(self._spreads) if self._spreads else None


def halves_in_words(spread_V: float | None, cells: int, chemistry: Chemistry) -> str:
    """The imbalance of the halves in one sentence; cells are those of the whole bank."""
    if spread_V is None:
        return "Balance of the halves unknown: no mid-point voltage at rest."
    size_V, half_cells = abs(spread_V), cells / 2
    told = f"The halves differ by {size_V:.2f} V at rest"
    if chemistry == "lifepo4":
        return f"{told}; no published limit for this chemistry."
    if size_V > HALVES_HIGH_V_PER_CELL * half_cells:
        return f"{told}, above the {HALVES_HIGH_V_PER_CELL * half_cells:.2f} V that a maker's guide allows."
    if size_V > HALVES_WARN_V_PER_CELL * half_cells:
        return f"{told}, above the {HALVES_WARN_V_PER_CELL * half_cells:.2f} V at which a maker would look."
    return f"{told}: even."


def cycles_to_depth(chemistry: str, depth: float) -> float | None:
    """Cycles of a depth (0..1) that a bank lasts, by the published curve; None for other chemistries.

    Between points the cycles follow a power of the depth; below the shallowest one cycles times depth is
    constant.
    """
    curve = CYCLE_LIFE.get(chemistry)
    if curve is None or depth <= 0:
        return None
    if depth <= curve[0][0]:
        return curve[0][1] * curve[0][0] / depth
    for (low, many), (high, few) in pairwise(curve):
        if depth <= high:
            share = math.log(depth / low) / math.log(high / low)
            return float(many * (few / many) ** share)
    return curve[-1][1]


@dataclass(frozen=True, slots=True)
class CycleLife:
    """The share of the cycle life that the known days used, and the years the rest lasts at that pace."""

    used: float
    days: int
    years_left: float | None


def cycle_life(chemistry: str, stats: Sequence[DayStat]) -> CycleLife | None:
    """A Miner sum: each day's swing of the state of charge as one cycle of that depth.

    None where no curve is published for the chemistry or fewer than LEAST_DAYS days are known. Years are
    counted from a new bank on: use before the record began is not in it, nor is age itself.
    """
    if chemistry not in CYCLE_LIFE:
        return None
    depths = [stat.maximum - stat.minimum for stat in stats if stat.quantity == "state_of_charge"]
    if len(depths) < LEAST_DAYS:
        return None
    used = 0.0
    for depth in depths:
        cycles = cycles_to_depth(chemistry, min(1.0, depth))
        used += 1 / cycles if cycles else 0.0
    pace = used / len(depths) * 365.25
    return CycleLife(used, len(depths), max(0.0, 1 - used) / pace if pace > 0 else None)


def is_learnt(capacity_Ah: float, sd_Ah: float) -> bool:
    """Whether an estimated capacity is more than what is true of any bank of its rating."""
    return sd_Ah <= LEARNT_SD * capacity_Ah
