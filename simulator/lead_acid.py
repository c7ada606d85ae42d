"""A lead-acid bank: Copetti's voltages over a kinetic reservoir, with surface charge, gassing and warmth."""

from __future__ import annotations

from math import exp
from math import pow as power

from simulator.bank import MONTH_H, BankSettings, BankStep, Constants, warmed_C
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

C10_OVER_C20 = 0.93  # test battery of NREL's System Simulation Core
THERMONEUTRAL_V = 1.48  # splitting water, from memory


class LeadAcidBank:
    """Copetti's voltages over a kinetic reservoir, with surface charge, gassing and thermal mass.

    The reservoir is kept as what is missing from each well, so that a change of temperature changes the
    capacity and not the charge. Surface charge moves the voltage between the published discharge and charge
    lines (their gap, 0.035 + 0.04 SoC per cell): up within 1 % of capacity charged, down within 0.5 %
    discharged or by itself in about 3 h (our choice; battery makers: 1 to 24 h).
    """

    def __init__(self, settings: BankSettings, constants: Constants, temperature_C: float) -> None:
        self.settings = settings
        self.constants = constants
        self.temperature_C = temperature_C
        self.strings = settings.strings_in_parallel
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
        string_A = abs(current_A) / self.strings
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
        string_A = abs(current_A) / self.strings
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
