"""The charge controller: takes what the array gives and what the bank may have.

MPPT keeps the array at its best point and converts; PWM ties the array to the bank and switches. Charge
stages: bulk, absorption (ended by time or tail current), float, equalization; set points move with
temperature.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from math import exp

from simulator.array import Array, ArrayPoint, Light

WAKE_MARGIN_V = 1.5  # our choice: array above the bank before the controller wakes
PWM_DROP_V = 0.3  # switch and wiring, our choice
TAIL_HOLD_S = 300.0  # the tail current must stay low so long, our choice
SHORTEST_ABSORPTION_S = 600.0
SAG_V, SAG_HOLD_S = 0.3, 600.0  # so far and so long below the set point ends a held stage, our choice
NIGHT_S = 3600.0  # off so long makes the next start a new day
LOAD_SWITCH_S = 60.0  # delay of load disconnect and reconnect: 30-60 s in use (from memory)
OWN_DRAW_W = 0.6  # the controller's own consumption, from the bank, our choice
THERMAL_C_PER_W, THERMAL_S = 1.2, 900.0
HOTTEST_C, COLDEST_C = 50.0, -20.0  # compensation stops here, our choice


class Stage(Enum):
    """Charge stage; the value is the canonical code."""

    OFF = 0
    BULK = 1
    ABSORPTION = 2
    FLOAT = 3
    EQUALIZATION = 4


@dataclass(frozen=True, slots=True)
class ControllerSettings:
    """The scenario's [controller] table; set points at 25 degrees for the whole bank."""

    kind: str
    rating_A: float
    absorption_V: float
    absorption_h: float
    float_V: float
    equalization_V: float
    equalization_h: float
    equalize_every_days: int
    temperature_compensation_V_per_C: float
    tail_current_fraction: float
    disconnect_V: float
    reconnect_V: float


def mppt_output_W(input_W: float, rating_W: float) -> float:
    """What a converter passes on of its input: a fixed, a proportional and a quadratic loss (our choice),
    giving 0.95 to 0.97 between a tenth and the whole of its rating.
    """
    if input_W <= 0:
        return 0.0
    return max(0.0, input_W - 0.7 - 0.022 * input_W - 0.018 * input_W**2 / rating_W)


def mppt_input_W(output_W: float, rating_W: float) -> float:
    """The input that gives an output: the way back through `mppt_output_W`."""
    if output_W <= 0:
        return 0.0
    a, b, c = 0.018 / rating_W, -(1 - 0.022), output_W + 0.7
    return float((-b - (b * b - 4 * a * c) ** 0.5) / (2 * a))


class Controller:
    """Stage, timers, load switch and temperature of one controller."""

    def __init__(
        self, settings: ControllerSettings, capacity_Ah: float, nominal_V: float, air_C: float
    ) -> None:
        self.settings = settings
        self.rating_W = settings.rating_A * nominal_V * 1.2
        self.tail_A = settings.tail_current_fraction * capacity_Ah
        self.temperature_C = air_C
        self.load_on = True
        self.restart()

    def restart(self) -> None:
        """As after a loss of supply: the stage is forgotten, the load switch stays as it was."""
        self.stage = Stage.OFF
        self._absorbed_s = self._tail_s = self._sag_s = self._switch_s = 0.0
        self._equalized_s = 0.0
        self._off_s = 0.0
        self._days_since_equalization = 0
        self._new_day = True

    def set_point_V(self, bank_C: float | None) -> float:
        """The voltage not to exceed now; bank_C None (no probe) is taken as 25 degrees."""
        settings = self.settings
        base = {
            Stage.FLOAT: settings.float_V,
            Stage.EQUALIZATION: settings.equalization_V,
        }.get(self.stage, settings.absorption_V)
        return self.compensated_V(base, bank_C)

    def compensated_V(self, at_25_V: float, bank_C: float | None) -> float:
        """A set point at the bank's temperature."""
        warmer = min(HOTTEST_C, max(COLDEST_C, 25.0 if bank_C is None else bank_C)) - 25.0
        return at_25_V + self.settings.temperature_compensation_V_per_C * warmer

    def awake(self, bank_V: float, light: Light) -> bool:
        """Whether there is sun enough to charge with."""
        if self.settings.kind == "pwm":
            return light.open_V > bank_V + PWM_DROP_V + 0.2 and light.best.current_A > 0.01
        return light.best.voltage_V > bank_V + WAKE_MARGIN_V and light.best.power_W > 1.5

    def offered_A(self, bank_V: float, array: Array, light: Light) -> float:
        """The most current the array can send into the bank at that bank voltage, within the rating."""
        if self.settings.kind == "pwm":
            current = array.at_voltage(bank_V + PWM_DROP_V, light.irradiance_W_m2, light.cell_C).current_A
        else:
            current = mppt_output_W(light.best.power_W, self.rating_W) / bank_V
        return min(current, self.settings.rating_A)

    def array_point(self, charge_A: float, bank_V: float, array: Array, light: Light) -> ArrayPoint:
        """Where the array works while charge_A flows into the bank side."""
        if self.settings.kind == "pwm":
            tied = array.at_voltage(bank_V + PWM_DROP_V, light.irradiance_W_m2, light.cell_C)
            if tied.current_A <= charge_A:
                return tied
            # the switch is open part of the time: mean current, and the mean of tied and open voltage
            duty = charge_A / tied.current_A
            return ArrayPoint(duty * tied.voltage_V + (1 - duty) * light.open_V, charge_A)
        taken_W = mppt_input_W(charge_A * bank_V, self.rating_W)
        return array.at_power(taken_W, light.irradiance_W_m2, light.cell_C)

    def advance(
        self, seconds: float, bank_V: float, charge_A: float, held: bool, awake: bool, bank_C: float | None
    ) -> None:
        """Move stage and load switch after a step at these values; held: regulated at the set point."""
        self._switch_load(seconds, bank_V)
        if not awake:
            self.stage = Stage.OFF
            self._off_s += seconds
            self._new_day = self._new_day or self._off_s >= NIGHT_S
            return
        self._off_s = 0.0
        if self.stage is Stage.OFF:
            self._wake()
        sagging = not held and bank_V < self.set_point_V(bank_C) - SAG_V
        self._sag_s = self._sag_s + seconds if sagging else 0.0
        if self.stage is Stage.BULK:
            if held:
                due = self.settings.equalize_every_days
                self.stage = (
                    Stage.EQUALIZATION if 0 < due <= self._days_since_equalization else Stage.ABSORPTION
                )
                self._sag_s = self._tail_s = 0.0
        elif self.stage is Stage.ABSORPTION:
            self._absorb(seconds, charge_A, held)
        elif self.stage is Stage.EQUALIZATION:
            self._equalized_s += seconds
            if self._equalized_s >= self.settings.equalization_h * 3600:
                self.stage, self._equalized_s, self._days_since_equalization = Stage.FLOAT, 0.0, 0
        if self._sag_s >= SAG_HOLD_S:
            self.stage, self._sag_s = Stage.BULK, 0.0

    def warm(self, seconds: float, loss_W: float, air_C: float) -> None:
        """First-order warming by the losses."""
        goal = air_C + THERMAL_C_PER_W * loss_W
        self.temperature_C = goal + (self.temperature_C - goal) * exp(-seconds / THERMAL_S)

    def _wake(self) -> None:
        self.stage = Stage.BULK
        if self._new_day:
            self._absorbed_s = self._equalized_s = 0.0
            self._days_since_equalization += 1
            self._new_day = False
        self._sag_s = self._tail_s = 0.0

    def _absorb(self, seconds: float, charge_A: float, held: bool) -> None:
        if not held:
            return
        self._absorbed_s += seconds
        self._tail_s = self._tail_s + seconds if charge_A < self.tail_A else 0.0
        timed_out = self._absorbed_s >= self.settings.absorption_h * 3600
        tail = self._tail_s >= TAIL_HOLD_S and self._absorbed_s >= SHORTEST_ABSORPTION_S
        if timed_out or tail:
            self.stage, self._sag_s = Stage.FLOAT, 0.0

    def _switch_load(self, seconds: float, bank_V: float) -> None:
        settings = self.settings
        wrong = bank_V < settings.disconnect_V if self.load_on else bank_V > settings.reconnect_V
        self._switch_s = self._switch_s + seconds if wrong else 0.0
        if self._switch_s >= LOAD_SWITCH_S:
            self.load_on, self._switch_s = not self.load_on, 0.0
