"""A LiFePO4 bank: a published equilibrium table and a resistance."""

from __future__ import annotations

from bisect import bisect_right

from simulator.bank import MONTH_H, BankSettings, BankStep, Constants, warmed_C

LIFEPO4_SOC = (0.0, 0.05, 0.10, 0.20, 0.30, 0.40, 0.50, 0.60, 0.70, 0.80, 0.90, 0.95, 1.0)
LIFEPO4_CELL_V = (2.000, 2.785, 2.978, 3.169, 3.206, 3.253, 3.266, 3.269, 3.274, 3.310, 3.314, 3.316, 3.600)
"""Cell equilibrium voltage, computed with PyBaMM 26.10 from its parameter set Prada2013 (2.3 Ah)."""


class LiFePO4Bank:
    """The published equilibrium table, a resistance of 0.1 V per C (our choice) and 99.5 % charge
    efficiency.
    """

    def __init__(self, settings: BankSettings, constants: Constants, temperature_C: float) -> None:
        self.settings = settings
        self.constants = constants
        self.temperature_C = temperature_C
        self.strings = settings.strings_in_parallel
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
        joined_Ah = self.settings.unit_capacity_Ah * self.strings
        drop = 0.1 * cold * self.constants.resistance * current_A / joined_Ah
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
