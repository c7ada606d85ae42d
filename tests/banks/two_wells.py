"""Kinetic two-well bank under a published rest table, with resistance, activation and Tafel gassing.

Wells: Manwell and McGowan 1993, Solar Energy 50(5), as in NREL's System Simulation Core (SSC).
Rest tables: a battery maker's (flooded, secondary source), common ones (AGM, gel; from memory).
Capacity over temperature: battery-bank worksheets of the trade. The overvoltages are ours: an
ohmic part, a logarithmic part (Tafel), on charge one that grows as the available well fills.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import asinh, exp, log
from random import Random

from tests.banks.model import between, self_discharge_Ah, settled, split

REST_V = {  # cell volts by charge, from empty to full
    "flooded": (
        (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0),
        (1.893, 1.918, 1.943, 1.969, 1.993, 2.017, 2.040, 2.062, 2.083, 2.103, 2.122),
    ),  # a battery maker's table at 26.7 °C; 0 % carried on
    "agm": ((0.0, 0.25, 0.5, 0.75, 1.0), (1.9667, 2.0, 2.05, 2.1, 2.1333)),
    "gel": ((0.0, 0.25, 0.5, 0.75, 1.0), (1.9667, 2.0, 2.0583, 2.1083, 2.1417)),
}
WARMTH_C = (-6.7, -1.1, 4.4, 10.0, 15.6, 21.1, 26.7)
WARMTH = (1 / 1.59, 1 / 1.40, 1 / 1.30, 1 / 1.19, 1 / 1.11, 1 / 1.04, 1.0)
"""Usable fraction by temperature: 1 over the worksheets' multipliers."""


def wells_after(
    q1_Ah: float, q2_Ah: float, out_A: float, hours: float, c: float, k_per_h: float
) -> tuple[float, float]:
    """Both wells after a constant current (positive out), as in SSC."""
    r = exp(-k_per_h * hours)
    ramp, q0_Ah = k_per_h * hours - 1 + r, q1_Ah + q2_Ah
    return (
        q1_Ah * r + (q0_Ah * k_per_h * c - out_A) * (1 - r) / k_per_h - out_A * c * ramp / k_per_h,
        q2_Ah * r + q0_Ah * (1 - c) * (1 - r) - out_A * (1 - c) * ramp / k_per_h,
    )


def largest_out_A(q1_Ah: float, q0_Ah: float, hours: float, c: float, k_per_h: float) -> float:
    """The current that just empties the available well in that time, as in SSC."""
    r = exp(-k_per_h * hours)
    return (k_per_h * q1_Ah * r + q0_Ah * k_per_h * c * (1 - r)) / (1 - r + c * (k_per_h * hours - 1 + r))


def whole_over_20_h(c: float, k_per_h: float) -> float:
    """Both wells' charge over the 20-hour capacity: qmax / q20, as in SSC."""
    r = exp(-20 * k_per_h)
    return ((1 - r) * (1 - c) + 20 * k_per_h * c) / (20 * k_per_h * c)


@dataclass(frozen=True, slots=True)
class TwoWells:
    """One bank's cell. Currents in the laws are shares of capacity_Ah (20 h, 25 °C) per hour."""

    chemistry: str
    capacity_Ah: float
    c: float
    k_per_h: float
    rest_shift_V: float
    ohm_V: float  # drop per unit of current
    activation_V: float
    exchange: float  # current at which activation begins
    filling_V: float  # rise with the logarithm of what the available well still lacks
    gas: float  # gassing current at 2.4 V, 25 °C
    gas_V: float  # the voltage that multiplies it by e
    self_discharge: float

    def rest_V(self, soc: float) -> float:
        return between(*REST_V[self.chemistry], soc) + self.rest_shift_V


def sized(chemistry: str, capacity_Ah: float, rng: Random, *, sulfated: bool = False) -> TwoWells:
    """A bank of that 20-hour capacity, drawn around the published test battery (all spans ours).

    sulfated: its charging voltage rises early, so that 'a small end current without being full' (a battery
    maker's manual) is what a controller sees.
    """
    hard = 2.6 if sulfated else 1.0
    flooded = chemistry == "flooded"
    return TwoWells(
        chemistry=chemistry,
        capacity_Ah=capacity_Ah,
        c=0.475 * rng.uniform(0.8, 1.3),
        k_per_h=0.677 * rng.uniform(0.5, 1.5),
        rest_shift_V=rng.uniform(-0.015, 0.015),
        ohm_V=rng.uniform(0.12, 0.35) if not flooded else rng.uniform(0.2, 0.5),
        activation_V=rng.uniform(0.008, 0.020),
        exchange=rng.uniform(0.002, 0.008),
        filling_V=hard * rng.uniform(0.030, 0.055),
        gas=rng.uniform(0.004, 0.012) if flooded else rng.uniform(0.001, 0.004),
        gas_V=rng.uniform(0.060, 0.085),
        self_discharge=rng.uniform(0.05, 0.13) if flooded else rng.uniform(0.01, 0.03),
    )


class TwoWellBank:
    """Cells in series. Kept is what each well lacks, so that cold changes the capacity and not the charge."""

    def __init__(
        self, cell: TwoWells, cells: int, start_soc: float, temperature_C: float, warming_h: float = 12.0
    ) -> None:
        self.cell, self._cells, self.temperature_C = cell, cells, temperature_C
        self._warming_h = warming_h
        self._whole = whole_over_20_h(cell.c, cell.k_per_h)
        missing = (1 - start_soc) * self.capacity_Ah
        self._lacks = (missing * cell.c, missing * (1 - cell.c))
        self._polarised_V = 0.0

    @property
    def cells(self) -> int:
        return self._cells

    @property
    def capacity_Ah(self) -> float:
        if self.temperature_C > WARMTH_C[-1]:  # the worksheets end here; half a percent a degree on (ours)
            return self.cell.capacity_Ah * (1 + 0.005 * (self.temperature_C - WARMTH_C[-1]))
        return self.cell.capacity_Ah * between(WARMTH_C, WARMTH, self.temperature_C)

    @property
    def state_of_charge(self) -> float:
        return min(1.0, max(0.0, 1 - sum(self._lacks) / self.capacity_Ah))

    @property
    def _empty_share(self) -> float:
        """What the available well lacks over what it holds."""
        return max(0.0, self._lacks[0] / (self.cell.c * self.capacity_Ah * self._whole))

    def _main_V(self, main_A: float, empty: float) -> float:
        cell = self.cell
        share = main_A / cell.capacity_Ah
        cold = 1 + 0.012 * (25 - self.temperature_C)
        volts = cell.rest_V(1 - empty) + cold * cell.ohm_V * share
        volts += cell.activation_V * asinh(share / (2 * cell.exchange))
        if share > 0:
            volts += cell.filling_V * cold * log(1 + share / (0.25 * empty + 1e-7))
        elif empty > 0.7:  # acid runs out in the pores: the knee (ours)
            volts -= 0.06 * (-share) / max(0.01, 1.02 - empty)
        return volts

    def _gas_A(self, cell_V: float) -> float:
        cell = self.cell
        hot = 2 ** ((self.temperature_C - 25) / 10)
        return cell.capacity_Ah * cell.gas * hot * exp(min(20.0, (cell_V - 2.4) / cell.gas_V))

    def _main_A(self, current_A: float, empty: float) -> float:
        if current_A <= 0:
            return current_A
        return split(current_A, lambda amps: self._main_V(amps, empty), self._gas_A)

    def voltage_V(self, current_A: float) -> float:
        empty = self._empty_share
        return (self._main_V(self._main_A(current_A, empty), empty) + self._polarised_V) * self._cells

    def step(self, current_A: float, hours: float, air_C: float) -> None:
        cell = self.cell
        main_A = self._main_A(current_A, self._empty_share)
        # a slow polarisation of the active mass: up within half an hour of charge, gone in hours (ours)
        goal_V = 0.03 * max(-1.0, min(1.0, main_A / (0.05 * cell.capacity_Ah)))
        self._polarised_V = settled(self._polarised_V, goal_V, hours, 0.5 if abs(goal_V) > 0.003 else 3.0)
        lost_A = self_discharge_Ah(self.capacity_Ah, cell.self_discharge, self.temperature_C, 1.0)
        lacks = wells_after(*self._lacks, main_A - lost_A, hours, cell.c, cell.k_per_h)
        lowest = self.capacity_Ah * self._whole * 0.999
        self._lacks = (
            min(max(0.0, lacks[0]), lowest * cell.c),
            min(max(0.0, lacks[1]), lowest * (1 - cell.c)),
        )
        self.temperature_C = settled(self.temperature_C, air_C, hours, self._warming_h)
