"""What every bank has: its settings, the constants by which one differs from another, its ground truth.

State of charge is 1 - (charge taken out) / (present capacity); the present capacity is the 20-hour capacity
at the present temperature and age. A bank's charge changes only by the current that is really stored or
taken.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp
from random import Random
from typing import Protocol

CHEMISTRIES = ("flooded", "agm", "gel", "lifepo4")
CELL_V = {"flooded": 2.0, "agm": 2.0, "gel": 2.0, "lifepo4": 3.2}
MONTH_H = 730.0


@dataclass(frozen=True, slots=True)
class BankSettings:
    """The scenario's [bank] table. constants: 'published', or 'drawn' at random within published ranges."""

    chemistry: str
    unit_voltage_V: float
    unit_capacity_Ah: float
    units_in_series: int
    strings_in_parallel: int
    start_soc: float
    constants: str
    health: float
    midpoint_offset_V: float

    @property
    def cells(self) -> int:
        """Cells in series."""
        return round(self.unit_voltage_V / CELL_V[self.chemistry]) * self.units_in_series

    @property
    def capacity_Ah(self) -> float:
        """Rated: strings in parallel add their Ah, units in series do not (common practice, no source)."""
        return self.unit_capacity_Ah * self.strings_in_parallel


@dataclass(frozen=True, slots=True)
class Constants:
    """What one bank differs by from another of its chemistry.

    rest_full_V and rest_span_V: cell voltage at rest when full, and how much lower when empty.
    resistance: factor on the published voltage drops. stored: factor on the exponent of the published charge
    efficiency (above 1 stores more). self_discharge: share of capacity lost in a month at 25 degrees.
    """

    rest_full_V: float
    rest_span_V: float
    health: float
    resistance: float
    stored: float
    self_discharge: float
    kinetic_c: float
    kinetic_k_per_h: float
    heat_J_per_C_Ah: float
    heat_loss_W_per_C: float


PUBLISHED: dict[str, Constants] = {
    # rest: a battery maker's table (flooded; secondary source), common tables (agm, gel; from memory);
    # self-discharge: a battery maker's manual, 10 to 12 % a month (flooded), 1 to 3 (agm, gel; from memory);
    # wells of flooded: test battery of NREL's System Simulation Core; wells, resistance and stored of agm and
    # gel: our choice; heat: 28 kg and about 900 J/(kg °C) for a 6 V 225 Ah unit (common practice, no source)
    "flooded": Constants(2.122, 0.227, 1.0, 1.0, 1.0, 0.11, 0.475, 0.677, 225.0, 3.5),
    "agm": Constants(2.133, 0.167, 1.0, 0.7, 1.3, 0.02, 0.55, 0.9, 225.0, 3.5),
    "gel": Constants(2.142, 0.175, 1.0, 0.9, 1.2, 0.02, 0.50, 0.7, 225.0, 3.5),
    "lifepo4": Constants(0.0, 0.0, 1.0, 1.0, 1.0, 0.025, 1.0, 1.0, 110.0, 2.0),
}


def draw_constants(chemistry: str, rng: Random) -> Constants:
    """Constants of one bank at random within the ranges that published sources span.

    Full rest voltage 2.085 (Copetti) to 2.15 V (strong acid), span 0.12 (Copetti) to 0.23 V (a maker's
    table); capacity 80 to 100 % (our choice); self-discharge 5 to 15 % a month (flooded, a guide) or 1
    to 3 (from memory); wells around the test battery of NREL's System Simulation Core.
    """
    base = PUBLISHED[chemistry]
    low, high = (0.05, 0.15) if chemistry == "flooded" else (0.01, 0.03)
    return replace(
        base,
        rest_full_V=rng.uniform(2.085, 2.15),
        rest_span_V=rng.uniform(0.12, 0.23),
        health=rng.uniform(0.8, 1.0),
        resistance=base.resistance * rng.uniform(0.7, 1.4),
        stored=base.stored * rng.uniform(0.8, 1.2),
        self_discharge=rng.uniform(low, high),
        kinetic_c=min(1.0, base.kinetic_c * rng.uniform(0.8, 1.2)),
        kinetic_k_per_h=base.kinetic_k_per_h * rng.uniform(0.6, 1.6),
    )


@dataclass(frozen=True, slots=True)
class BankStep:
    """What a step did to the bank's charge, all in Ah and non-negative but `stored_Ah`.

    stored_Ah is the change of charge: accepted - delivered - lost by itself. gassed_Ah went into water.
    """

    stored_Ah: float
    accepted_Ah: float
    gassed_Ah: float
    delivered_Ah: float
    self_discharged_Ah: float


class Bank(Protocol):
    """A bank as the plant sees it; currents in A into the bank, positive charges."""

    temperature_C: float
    strings: int
    """How many strings are switched on, at least one; for minutes, so their charges are not told apart."""

    @property
    def state_of_charge(self) -> float: ...

    @property
    def capacity_Ah(self) -> float:
        """The present capacity: at this temperature and age, at the 20-hour rate."""

    @property
    def removed_Ah(self) -> float:
        """Charge missing from full."""

    def voltage_V(self, current_A: float) -> float:
        """Terminal voltage under a current; rises with it."""

    def largest_discharge_A(self, hours: float) -> float:
        """The current (positive) that would just exhaust the bank in that time."""

    def step(self, current_A: float, hours: float, air_C: float) -> BankStep:
        """Let a constant current flow for that time in air of that temperature."""


def warmed_C(
    temperature_C: float,
    heat_W: float,
    air_C: float,
    hours: float,
    settings: BankSettings,
    constants: Constants,
) -> float:
    """Temperature after a time with a heat source in it, exact for constant heat and air."""
    mass_J_per_C = constants.heat_J_per_C_Ah * settings.capacity_Ah * settings.cells / 6 + 1.0
    goal = air_C + heat_W / constants.heat_loss_W_per_C
    return goal + (temperature_C - goal) * exp(-hours * 3600 * constants.heat_loss_W_per_C / mass_J_per_C)
