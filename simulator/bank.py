"""Banks with a ground truth: lead-acid from published equations, LiFePO4 from a published table.

State of charge is 1 - (charge taken out) / (present capacity); the present capacity is the 20-hour capacity
at the present temperature and age. A bank's charge changes only by the current that is really stored or
taken.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from math import exp
from math import pow as power
from random import Random
from typing import Protocol

from simulator.cell import (
    Wells,
    charge_efficiency,
    kinetic_step,
    largest_discharge_A,
    overcharge_time_constant_h,
    slow_over_20h_capacity,
    temperature_factor,
)
from simulator.cell import final_voltage_V as final_cell_V
from simulator.cell import gassing_voltage_V as gassing_cell_V

CHEMISTRIES = ("flooded", "agm", "gel", "lifepo4")
CELL_V = {"flooded": 2.0, "agm": 2.0, "gel": 2.0, "lifepo4": 3.2}
C10_OVER_C20 = 0.93  # test battery of NREL's System Simulation Core, facts 12.2
THERMONEUTRAL_V = 1.48  # splitting water, from memory
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
    # rest: facts 1.1 (flooded), 1.2 (agm, gel: common tables, from memory); self-discharge: facts 4.4; wells
    # of flooded: facts 12.2; wells, resistance and stored of agm and gel: our choice; heat: 28 kg and about
    # 900 J/(kg °C) for a 6 V 225 Ah unit (common practice, no source)
    "flooded": Constants(2.122, 0.227, 1.0, 1.0, 1.0, 0.11, 0.475, 0.677, 225.0, 3.5),
    "agm": Constants(2.133, 0.167, 1.0, 0.7, 1.3, 0.02, 0.55, 0.9, 225.0, 3.5),
    "gel": Constants(2.142, 0.175, 1.0, 0.9, 1.2, 0.02, 0.50, 0.7, 225.0, 3.5),
    "lifepo4": Constants(0.0, 0.0, 1.0, 1.0, 1.0, 0.025, 1.0, 1.0, 110.0, 2.0),
}


def draw_constants(chemistry: str, rng: Random) -> Constants:
    """Constants of one bank at random within the ranges that published sources span (facts 1, 3, 4, 12).

    Full rest voltage 2.085 (Copetti) to 2.15 V (strong acid), span 0.12 to 0.23 V; capacity 80 to 100 %;
    self-discharge 5 to 15 % (flooded) or 1 to 3 % a month; wells around the published test battery.
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


class LeadAcidBank:
    """Copetti's voltages over a kinetic reservoir, with surface charge, gassing and thermal mass.

    The reservoir is kept as what is missing from each well, so that a change of temperature changes the
    capacity and not the charge. Surface charge moves the voltage between the published discharge and charge
    lines (their gap, 0.035 + 0.04 SoC per cell): up within 1 % of capacity charged, down within 0.5 %
    discharged or by itself in about 3 h (our choice within the rest times of facts 1.4).
    """

    def __init__(self, settings: BankSettings, constants: Constants, temperature_C: float) -> None:
        self.settings = settings
        self.constants = constants
        self.temperature_C = temperature_C
        self._slow = slow_over_20h_capacity(constants.kinetic_c, constants.kinetic_k_per_h)
        missing = (1 - settings.start_soc) * self.capacity_Ah
        self._missing = Wells(missing * constants.kinetic_c, missing * (1 - constants.kinetic_c))
        self._surface = 0.0  # 0 on the discharge line, 1 on the charge line
        self._gassing = 0.0  # 0 at the gassing, 1 at the final voltage
        self._prepare()

    @property
    def capacity_Ah(self) -> float:
        rated = self.settings.capacity_Ah * self.constants.health * self.settings.health
        return rated * temperature_factor(self.temperature_C - 25)

    @property
    def removed_Ah(self) -> float:
        return self._missing.total_Ah

    @property
    def state_of_charge(self) -> float:
        return max(0.0, min(1.0, 1 - self.removed_Ah / self.capacity_Ah))

    @property
    def rest_V(self) -> float:
        """Terminal voltage after a long rest at this charge."""
        full, span = self.constants.rest_full_V, self.constants.rest_span_V
        return (full - span * (1 - self.available_share)) * self.settings.cells

    @property
    def available_share(self) -> float:
        """Fill of the available well, 0..1; the state of charge of the plates' surface."""
        well = self.constants.kinetic_c * self.capacity_Ah * self._slow
        return max(0.0, min(1.0, 1 - self._missing.available_Ah / well))

    def voltage_V(self, current_A: float) -> float:
        string_A = abs(current_A) / self.settings.strings_in_parallel
        if current_A <= 0:
            drop = string_A / self._c10_Ah * (4 / (1 + power(string_A, 1.3)) + self._discharge_term)
            return (self._line_V - drop * self._discharge_factor) * self.settings.cells
        rise = string_A / self._c10_Ah * (6 / (1 + power(string_A, 0.86)) + self._charge_term)
        below = self._line_V + rise * self._charge_factor
        return min(below, self._gassing_line_V(string_A)) * self.settings.cells

    def largest_discharge_A(self, hours: float) -> float:
        c, k = self.constants.kinetic_c, self.constants.kinetic_k_per_h
        total = self.capacity_Ah * self._slow
        left = Wells(
            max(0.0, c * total - self._missing.available_Ah),
            max(0.0, (1 - c) * total - self._missing.bound_Ah),
        )
        return largest_discharge_A(left, hours, c, k)

    def step(self, current_A: float, hours: float, air_C: float) -> BankStep:
        string_A = abs(current_A) / self.settings.strings_in_parallel
        voltage = self.voltage_V(current_A)
        charging = current_A > 0
        efficiency = self._efficiency(string_A) if charging else 1.0
        accepted = min(max(0.0, current_A) * efficiency * hours, self.removed_Ah)
        gassed = max(0.0, current_A) * hours - accepted
        delivered = max(0.0, -current_A) * hours
        own = (
            self.constants.self_discharge
            / MONTH_H
            * self.capacity_Ah
            * power(2, (self.temperature_C - 25) / 10)
        )
        lost = min(own * hours, self.state_of_charge * self.capacity_Ah)
        stored = accepted - delivered - lost
        self._fill(stored, hours)
        self._move_surface(current_A, hours, string_A, voltage)
        heat_W = abs(current_A * (voltage - self.rest_V))
        if charging:
            # the stored share heats by its overvoltage, the gassing share by all above splitting water
            share = gassed / (current_A * hours)
            heat_W = current_A * (
                (1 - share) * max(0.0, voltage - self.rest_V)
                + share * (voltage - THERMONEUTRAL_V * self.settings.cells)
            )
        self.temperature_C = warmed_C(self.temperature_C, heat_W, air_C, hours, self.settings, self.constants)
        self._prepare()
        return BankStep(stored, accepted, gassed, delivered, lost)

    def _fill(self, stored_Ah: float, hours: float) -> None:
        c, k = self.constants.kinetic_c, self.constants.kinetic_k_per_h
        wells = kinetic_step(self._missing, stored_Ah / hours, hours, c, k)
        available, bound = wells.available_Ah, wells.bound_Ah
        if available < 0:  # the available well is full: the rest mixes into the bound one
            available, bound = 0.0, bound + available
        if bound < 0:
            available, bound = max(0.0, available + bound), 0.0
        self._missing = Wells(available, bound)

    def _move_surface(self, current_A: float, hours: float, string_A: float, voltage_V: float) -> None:
        if current_A > 0:
            self._surface += (1 - self._surface) * (1 - exp(-current_A * hours / (0.01 * self.capacity_Ah)))
        else:
            self._surface *= exp(-hours / 3 + current_A * hours / (0.005 * self.capacity_Ah))
        gassing = current_A > 0 and voltage_V >= 0.999 * self._gassing_line_V(string_A) * self.settings.cells
        if gassing:
            slow_h = overcharge_time_constant_h(string_A, self._c10_Ah)
            self._gassing += (1 - self._gassing) * (1 - exp(-hours / slow_h))
        else:
            self._gassing *= exp(-hours / 0.5)

    def _efficiency(self, string_A: float) -> float:
        soc = 1 - self.constants.stored * (1 - self.state_of_charge)
        return charge_efficiency(string_A, soc, self._c10_Ah)

    def _gassing_line_V(self, string_A: float) -> float:
        """Copetti's overcharge voltage of one cell.

        Its time function starts no lower than the gassing share of the current, so that a bank that is
        already full goes to the final voltage at once (our addition).
        """
        low = gassing_cell_V(string_A, self._c10_Ah, self._warmer_C)
        high = final_cell_V(string_A, self._c10_Ah, self._warmer_C)
        return low + (high - low) * max(self._gassing, 1 - self._efficiency(string_A))

    def _prepare(self) -> None:
        """What does not depend on the current, once a step."""
        constants = self.constants
        self._warmer_C = self.temperature_C - 25
        self._c10_Ah = self.settings.unit_capacity_Ah * C10_OVER_C20
        soc, available = self.state_of_charge, self.available_share
        self._line_V = constants.rest_full_V - constants.rest_span_V * (1 - available)
        self._line_V += self._surface * (0.035 + 0.04 * available)
        self._discharge_term = 0.27 / power(max(available, 0.02), 1.5) + 0.02
        self._charge_term = 0.48 / power(max(1 - soc, 0.01), 1.2) + 0.036
        self._discharge_factor = max(0.3, 1 - 0.007 * self._warmer_C) * constants.resistance
        self._charge_factor = max(0.3, 1 - 0.025 * self._warmer_C) * constants.resistance


LIFEPO4_SOC = (0.0, 0.05, 0.10, 0.20, 0.30, 0.40, 0.50, 0.60, 0.70, 0.80, 0.90, 0.95, 1.0)
LIFEPO4_CELL_V = (2.000, 2.785, 2.978, 3.169, 3.206, 3.253, 3.266, 3.269, 3.274, 3.310, 3.314, 3.316, 3.600)
"""Cell equilibrium voltage, facts 4.8 (computed there with PyBaMM, parameter set Prada2013)."""


class LiFePO4Bank:
    """The published equilibrium table, a resistance of 0.1 V per C (our choice) and 99.5 % charge
    efficiency.
    """

    def __init__(self, settings: BankSettings, constants: Constants, temperature_C: float) -> None:
        self.settings = settings
        self.constants = constants
        self.temperature_C = temperature_C
        self._removed_Ah = (1 - settings.start_soc) * self.capacity_Ah

    @property
    def capacity_Ah(self) -> float:
        return self.settings.capacity_Ah * self.constants.health * self.settings.health

    @property
    def removed_Ah(self) -> float:
        return self._removed_Ah

    @property
    def state_of_charge(self) -> float:
        return max(0.0, min(1.0, 1 - self._removed_Ah / self.capacity_Ah))

    def voltage_V(self, current_A: float) -> float:
        rest = interpolate(LIFEPO4_SOC, LIFEPO4_CELL_V, self.state_of_charge)
        cold = 1 + 0.02 * max(0.0, 25 - self.temperature_C)
        drop = 0.1 * cold * self.constants.resistance * current_A / self.settings.capacity_Ah
        # a full cell takes no more: the voltage climbs steeply with what is pressed in
        over = (
            max(0.0, current_A) / self.settings.capacity_Ah * 5.0 if self.state_of_charge >= 0.9999 else 0.0
        )
        return (rest + drop + over) * self.settings.cells

    def largest_discharge_A(self, hours: float) -> float:
        return self.state_of_charge * self.capacity_Ah / hours

    def step(self, current_A: float, hours: float, air_C: float) -> BankStep:
        accepted = min(max(0.0, current_A) * 0.995 * hours, self._removed_Ah)
        delivered = max(0.0, -current_A) * hours
        lost = min(self.constants.self_discharge / MONTH_H * hours, self.state_of_charge) * self.capacity_Ah
        stored = accepted - delivered - lost
        heat_W = abs(current_A * (self.voltage_V(current_A) - self.voltage_V(0.0)))
        self._removed_Ah -= stored
        self.temperature_C = warmed_C(self.temperature_C, heat_W, air_C, hours, self.settings, self.constants)
        return BankStep(stored, accepted, max(0.0, current_A) * hours - accepted, delivered, lost)


def interpolate(xs: tuple[float, ...], ys: tuple[float, ...], x: float) -> float:
    """Straight lines between the points, held beyond the ends."""
    place = bisect_right(xs, x)
    if place == 0:
        return ys[0]
    if place == len(xs):
        return ys[-1]
    share = (x - xs[place - 1]) / (xs[place] - xs[place - 1])
    return ys[place - 1] + share * (ys[place] - ys[place - 1])


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


def build_bank(settings: BankSettings, temperature_C: float, rng: Random) -> Bank:
    """The bank a scenario describes; rng decides only where constants are drawn."""
    if settings.constants == "drawn":
        constants = draw_constants(settings.chemistry, rng)
    else:
        constants = PUBLISHED[settings.chemistry]
    kind = LiFePO4Bank if settings.chemistry == "lifepo4" else LeadAcidBank
    return kind(settings, constants, temperature_C)
