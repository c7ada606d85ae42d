"""Array and charge controller: bulk, absorption ended by time or tail, float, equalization at intervals.

All delays are ours. The controller regulates exactly: while the array offers enough, the voltage stands at
the set point.
"""

from __future__ import annotations

from dataclasses import dataclass

from tests.banks.model import BankModel, root

STAGES = ("off", "bulk", "absorption", "float", "equalization")
DAWN_W_M2 = 8.0
NIGHT_H = 1.0
SAG_V_PER_CELL, SAG_H = 0.05, 0.25
DISCONNECT_H = 60 / 3600
TAIL_H = 300 / 3600


@dataclass(frozen=True, slots=True)
class Charger:
    """Set points at 25 °C per cell, as the controller really follows them; compensation per cell and °C.

    array_W at 1000 W/m². tail: share of the rated capacity at which absorption ends early, 0 for time alone.
    """

    array_W: float
    rating_A: float
    absorption_V: float
    float_V: float | None
    absorption_h: float
    compensation_V: float = -0.005
    tail: float = 0.0
    equalization_V: float | None = None
    equalize_every_days: int = 0
    equalization_h: float = 1.5
    disconnect_V: float = 1.90
    reconnect_V: float = 2.10
    kind: str = "mppt"


@dataclass(slots=True)
class Flow:
    """What one step's balance gave."""

    voltage_V: float
    bank_A: float
    charge_A: float
    held: bool


class ChargeController:
    """Stage, timers and load switch."""

    def __init__(self, settings: Charger, rated_Ah: float, cells: int) -> None:
        self._set, self._rated_Ah, self._cells = settings, rated_Ah, cells
        self.stage = "off"
        self.load_on = True
        self._dark_h, self._absorbed_h, self._tail_h, self._sag_h = 24.0, 0.0, 0.0, 0.0
        self._switch_h, self._equalized_h, self._mornings = 0.0, 0.0, 0
        self._last_A = 0.0

    def offered_A(self, irradiance_W_m2: float, air_C: float, bank_V: float) -> float:
        """Most current the array could send now, its cells warmed by 0.03 °C per W/m² (ours)."""
        if irradiance_W_m2 < DAWN_W_M2:
            return 0.0
        heat = 1 - 0.004 * (air_C + 0.03 * irradiance_W_m2 - 25)
        watts = self._set.array_W * irradiance_W_m2 / 1000
        if self._set.kind == "pwm":  # the array's current, whatever the bank's voltage
            return min(self._set.rating_A, watts / (3.0 * self._cells))
        return min(self._set.rating_A, max(0.0, watts * heat * 0.94 - 1.0) / bank_V)

    def set_point_V(self, bank_C: float) -> float:
        """Voltage not to exceed in the present stage."""
        settings = self._set
        base = settings.absorption_V
        if self.stage == "float" and settings.float_V is not None:
            base = settings.float_V
        elif self.stage == "equalization" and settings.equalization_V is not None:
            base = settings.equalization_V
        return (base + settings.compensation_V * (bank_C - 25)) * self._cells

    def balance(self, bank: BankModel, offered_A: float, load_A: float) -> Flow:
        """Currents and voltage of this step."""
        if offered_A <= 0:
            return Flow(bank.voltage_V(-load_A), -load_A, 0.0, False)
        limit_V = self.set_point_V(bank.temperature_C)
        most_A = offered_A - load_A
        volts = bank.voltage_V(most_A)
        if volts <= limit_V:
            return Flow(volts, most_A, offered_A, False)
        # look near the last current first
        low, high = -load_A, most_A
        for near_A in (self._last_A - 0.01 * self._rated_Ah, self._last_A + 0.01 * self._rated_Ah):
            if low < near_A < high:
                if bank.voltage_V(near_A) < limit_V:
                    low = near_A
                else:
                    high = near_A
        bank_A = root(lambda amps: bank.voltage_V(amps) - limit_V, low, high, 0.0004 * self._cells)
        self._last_A = bank_A
        return Flow(bank.voltage_V(bank_A), bank_A, bank_A + load_A, True)

    def advance(self, hours: float, flow: Flow, bright: bool, bank_C: float) -> None:
        """Move stage and load switch after a step."""
        self._switch(hours, flow.voltage_V)
        if not bright:
            self.stage = "off"
            self._dark_h += hours
            return
        if self.stage == "off":
            self._wake()
        settings = self._set
        sagging = not flow.held and flow.voltage_V < self.set_point_V(bank_C) - SAG_V_PER_CELL * self._cells
        self._sag_h = self._sag_h + hours if sagging else 0.0
        if self.stage == "bulk" and flow.held:
            due = 0 < settings.equalize_every_days <= self._mornings
            self.stage = "equalization" if due else "absorption"
        elif self.stage == "absorption" and flow.held:
            self._absorbed_h += hours
            tail_A = settings.tail * self._rated_Ah
            self._tail_h = self._tail_h + hours if flow.charge_A < tail_A else 0.0
            ended = self._absorbed_h >= settings.absorption_h or self._tail_h >= TAIL_H
            if ended and settings.float_V is not None:
                self.stage = "float"
        elif self.stage == "equalization":
            self._equalized_h += hours
            if self._equalized_h >= settings.equalization_h:
                self.stage, self._equalized_h, self._mornings = "float", 0.0, 0
        if self._sag_h >= SAG_H and self.stage in ("absorption", "float", "equalization"):
            self.stage, self._sag_h = "bulk", 0.0

    def _wake(self) -> None:
        self.stage = "bulk"
        if self._dark_h >= NIGHT_H:
            self._absorbed_h = self._tail_h = 0.0
            self._mornings += 1
        self._dark_h = self._sag_h = 0.0

    def _switch(self, hours: float, voltage_V: float) -> None:
        settings, per_cell_V = self._set, voltage_V / self._cells
        wrong = per_cell_V < settings.disconnect_V if self.load_on else per_cell_V > settings.reconnect_V
        self._switch_h = self._switch_h + hours if wrong else 0.0
        if self._switch_h >= DISCONNECT_H:
            self.load_on, self._switch_h = not self.load_on, 0.0
