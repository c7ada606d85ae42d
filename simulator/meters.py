"""What an instrument makes of a true value."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class MeterSettings:
    """The scenario's [meters] table: gain (1 is true), offset and the step the display rounds to."""

    voltage_gain: float
    voltage_step_V: float
    current_gain: float
    current_offset_A: float
    current_step_A: float
    temperature_offset_C: float
    temperature_step_C: float

    def voltage_V(self, true_V: float) -> float:
        return rounded(true_V * self.voltage_gain, self.voltage_step_V)

    def current_A(self, true_A: float) -> float:
        return rounded(true_A * self.current_gain + self.current_offset_A, self.current_step_A)

    def temperature_C(self, true_C: float) -> float:
        return rounded(true_C + self.temperature_offset_C, self.temperature_step_C)


def rounded(value: float, step: float) -> float:
    """To the nearest multiple of the step."""
    return round(value / step) * step
