"""LiFePO4 by a maker's rest chart (from memory), two polarisations and hysteresis.

The overvoltages, hysteresis and the rise at full are ours; no other rest voltages were found published
beside the table of which the simulator's LiFePO4 bank is made.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from random import Random

from tests.banks.model import between, self_discharge_Ah, settled

CHART_SOC = (0.0, 0.09, 0.14, 0.17, 0.20, 0.30, 0.40, 0.70, 0.90, 0.99, 1.0)
CHART_V = tuple(volts / 4 for volts in (10.0, 12.0, 12.5, 12.8, 12.9, 13.0, 13.1, 13.2, 13.3, 13.4, 13.6))


@dataclass(frozen=True, slots=True)
class Lithium:
    """One bank's cell. Currents in the laws are shares of the capacity per hour."""

    capacity_Ah: float
    rest_shift_V: float
    ohm_V: float
    fast_V: float  # polarisation per unit of current, minutes
    fast_h: float
    slow_V: float
    slow_h: float
    hysteresis_V: float  # half the gap between the curves after long charge and discharge
    self_discharge: float
    capacity_per_C: float


def sized(capacity_Ah: float, rng: Random) -> Lithium:
    """A bank of that capacity at 25 °C; all spans ours."""
    return Lithium(
        capacity_Ah=capacity_Ah,
        rest_shift_V=rng.uniform(-0.008, 0.008),
        ohm_V=rng.uniform(0.04, 0.12),
        fast_V=rng.uniform(0.02, 0.05),
        fast_h=rng.uniform(2, 6) / 60,
        slow_V=rng.uniform(0.02, 0.06),
        slow_h=rng.uniform(0.4, 1.5),
        hysteresis_V=rng.uniform(0.003, 0.010),
        self_discharge=rng.uniform(0.015, 0.035),
        capacity_per_C=rng.uniform(0.002, 0.005),
    )


class LithiumBank:
    """Cells in series. Every ampere is stored until the bank is full."""

    def __init__(
        self, cell: Lithium, cells: int, start_soc: float, temperature_C: float, warming_h: float = 8.0
    ) -> None:
        self.cell, self._cells, self.temperature_C = cell, cells, temperature_C
        self._warming_h = warming_h
        self._missing_Ah = (1 - start_soc) * self.capacity_Ah
        self._fast_V = self._slow_V = 0.0
        self._branch = 0.0  # -1 on the discharge curve, +1 on the charge curve

    @property
    def cells(self) -> int:
        return self._cells

    @property
    def capacity_Ah(self) -> float:
        cooler = min(0.0, self.temperature_C - 25)
        return self.cell.capacity_Ah * (1 + self.cell.capacity_per_C * cooler)

    @property
    def state_of_charge(self) -> float:
        return min(1.0, max(0.0, 1 - self._missing_Ah / self.capacity_Ah))

    @property
    def _cold(self) -> float:
        return 1 + 0.02 * max(0.0, 25 - self.temperature_C)

    def voltage_V(self, current_A: float) -> float:
        cell, soc = self.cell, self.state_of_charge
        share = current_A / cell.capacity_Ah
        volts = between(CHART_SOC, CHART_V, soc) + cell.rest_shift_V + cell.hysteresis_V * self._branch
        volts += self._fast_V + self._slow_V + cell.ohm_V * self._cold * share
        if share > 0:  # nothing left to take: the voltage climbs
            volts += share * 0.03 / (1 - soc + 0.004)
        return volts * self._cells

    def step(self, current_A: float, hours: float, air_C: float) -> None:
        cell = self.cell
        share = current_A / cell.capacity_Ah
        self._fast_V = settled(self._fast_V, cell.fast_V * self._cold * share, hours, cell.fast_h)
        self._slow_V = settled(self._slow_V, cell.slow_V * self._cold * share, hours, cell.slow_h)
        goal = 1.0 if share > 0 else -1.0
        self._branch = goal + (self._branch - goal) * exp(-abs(share) * hours / 0.05)
        lost = self_discharge_Ah(self.capacity_Ah, cell.self_discharge, self.temperature_C, hours)
        self._missing_Ah = min(max(0.0, self._missing_Ah - current_A * hours) + lost, self.capacity_Ah)
        self.temperature_C = settled(self.temperature_C, air_C, hours, self._warming_h)
