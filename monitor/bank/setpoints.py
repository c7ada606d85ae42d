"""Charging set points at the bank's temperature."""

from __future__ import annotations

from dataclasses import dataclass

REFERENCE_C = 25.0
"""Set points are stated at 25 °C (facts of the trade: makers' sheets, e.g. flooded user's guides)."""


@dataclass(frozen=True, slots=True)
class SetPoints:
    """Charging set points at 25 °C for the whole bank; None where the controller has no such stage."""

    absorption_V: float
    float_V: float | None
    equalization_V: float | None
    compensation_V_per_C: float

    def at(self, temperature_C: float | None) -> SetPoints:
        """The set points at a bank temperature: V(T) = V25 + slope (T - 25); unknown T: as at 25 °C."""
        if temperature_C is None:
            return self
        shift_V = self.compensation_V_per_C * (temperature_C - REFERENCE_C)
        return SetPoints(
            self.absorption_V + shift_V,
            None if self.float_V is None else self.float_V + shift_V,
            None if self.equalization_V is None else self.equalization_V + shift_V,
            self.compensation_V_per_C,
        )
