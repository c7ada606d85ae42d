"""The bank's internal resistance from load steps: voltage change over current change between two readings.

The readings are seconds apart, so that the fast part of polarization is in it: it serves to compare a bank
with itself, not with a maker's sheet. Streaming; the memory does not grow with time. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from heapq import heappush, heappushpop
from itertools import pairwise
from math import sqrt
from statistics import median

from monitor.bank.setpoints import REFERENCE_C
from monitor.site.model import Chemistry, Meters

FARTHEST_S = 60.0
"""Readings further apart show polarization rather than resistance (our choice)."""

LEAST_STEPS, LEAST_C_RATE = 20.0, 0.01
"""A load step is at least so many meter steps, and so much of the capacity in an hour (our choice)."""

STEADY_SHARE = 0.25
"""The current before and after it stands still to this share of the step (our choice)."""

COARSEST_V_PER_CELL = 0.0025
"""Voltage steps up to 15 mV on 12 V can show a resistance, coarser ones cannot (our choice)."""

KEPT_A_MONTH = 300
"""So many of a month's largest load steps are kept (our choice)."""

LEAST_EVENTS = 10
"""Fewer load steps give no figure for a month (our choice)."""

PER_C = {"flooded": -0.008, "agm": -0.008, "gel": -0.008, "lifepo4": -0.015}
"""Change of resistance per °C, as a share of that at 25 °C (our choice; no source seen)."""


@dataclass(frozen=True, slots=True)
class MonthResistance:
    """One month's (UTC) median at 25 °C in ohms with the median's standard deviation."""

    month: str
    ohm: float
    sd_ohm: float
    events: int


@dataclass(frozen=True, slots=True)
class Trend:
    """Change of the resistance in a year as a share of its mean, with its standard deviation."""

    per_year: float
    sd_per_year: float


@dataclass(slots=True)
class ResistanceMeter:
    """Finds the load steps in rows of battery_voltage_V, battery_current_A and battery_temperature_C."""

    chemistry: Chemistry
    cells: int
    capacity_Ah: float
    meters: Meters
    _last: list[tuple[int, float, float]] = field(default_factory=list)
    _kept: dict[str, list[tuple[float, float]]] = field(default_factory=dict)

    @property
    def too_coarse(self) -> bool:
        """Whether the meters cannot show a resistance of this bank."""
        return self.meters.voltage_step_V > COARSEST_V_PER_CELL * self.cells

    def take(self, time_ms: int, row: Mapping[str, float]) -> None:
        """The next row in time; one without voltage or net current tells nothing."""
        voltage_V, net_A = row.get("battery_voltage_V"), row.get("battery_current_A")
        if voltage_V is None or net_A is None:
            return
        self._last = [*self._last[-3:], (time_ms, voltage_V, net_A)]
        if len(self._last) == 4:
            self._look(row.get("battery_temperature_C"))

    def months(self) -> list[MonthResistance]:
        """Each month with enough load steps, in order."""
        found = []
        for month, kept in sorted(self._kept.items()):
            ohms = [ohm for _, ohm in kept]
            if len(ohms) >= LEAST_EVENTS:
                middle = median(ohms)
                # the median's sd from the median absolute deviation, for about normal scatter
                spread = 1.4826 * median(abs(ohm - middle) for ohm in ohms)
                found.append(MonthResistance(month, middle, 1.2533 * spread / sqrt(len(ohms)), len(ohms)))
        return found

    def _look(self, temperature_C: float | None) -> None:
        """Whether the middle two of the last four readings enclose a load step."""
        (_, _, a0), (_, v1, a1), (t2, v2, a2), (_, _, a3) = self._last
        step_A = a2 - a1
        least_A = max(LEAST_STEPS * self.meters.current_step_A, LEAST_C_RATE * self.capacity_Ah)
        close = all(0 < later[0] - former[0] <= FARTHEST_S * 1000 for former, later in pairwise(self._last))
        steady = max(abs(a1 - a0), abs(a3 - a2)) <= STEADY_SHARE * abs(step_A)
        if not (close and steady and abs(step_A) >= least_A):
            return
        ohm = (v2 - v1) / step_A
        if temperature_C is not None:
            ohm /= 1 + PER_C[self.chemistry] * (temperature_C - REFERENCE_C)
        month = f"{datetime.fromtimestamp(t2 / 1000, UTC):%Y-%m}"
        kept = self._kept.setdefault(month, [])
        if len(kept) < KEPT_A_MONTH:
            heappush(kept, (abs(step_A), ohm))
        else:
            heappushpop(kept, (abs(step_A), ohm))


def trend(months: list[MonthResistance]) -> Trend | None:
    """A straight line through the months, weighted by their deviations; None with fewer than three.

    Its deviation is the larger of what the months' own deviations and their scatter about the line say.
    """
    if len(months) < 3:
        return None
    times = [_year(month.month) for month in months]
    weights = [1 / max(month.sd_ohm, 0.005 * month.ohm, 1e-9) ** 2 for month in months]
    total = sum(weights)
    mean_t = sum(w * t for w, t in zip(weights, times, strict=True)) / total
    mean_ohm = sum(w * m.ohm for w, m in zip(weights, months, strict=True)) / total
    spread = sum(w * (t - mean_t) ** 2 for w, t in zip(weights, times, strict=True))
    slope = sum(w * (t - mean_t) * (m.ohm - mean_ohm) for w, t, m in zip(weights, times, months, strict=True))
    slope /= spread
    residual = sum(
        w * (m.ohm - mean_ohm - slope * (t - mean_t)) ** 2
        for w, t, m in zip(weights, times, months, strict=True)
    )
    sd = sqrt(max(1.0, residual / (len(months) - 2)) / spread)
    return Trend(slope / mean_ohm, sd / mean_ohm)


def _year(month: str) -> float:
    year, number = month.split("-")
    return int(year) + (int(number) - 0.5) / 12
