"""The charge stage from voltage, charge current and set points, for controllers that report none."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.quantities import Stage

REFERENCE_C = 25.0
"""Set points are stated at 25 °C (facts of the trade: makers' sheets, e.g. flooded user's guides)."""

HOLD_BAND_V_PER_CELL = 0.025
"""How far a held voltage may sit beside its set point: meters, wire; 0.15 V on 12 V (our choice)."""

CHARGING_FRACTION = 0.002
"""A charge current below 0.2 % of capacity is meter offset, not charging (our choice)."""


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


def detect_stage(
    voltage_V: float,
    charge_current_A: float,
    temperature_C: float | None,
    *,
    set_points: SetPoints,
    cells: int,
    capacity_Ah: float,
    before: Stage,
) -> Stage:
    """The stage that these readings show, `before` being the stage until now.

    Float is told from a bulk that passes the same voltage only by what came before: float follows
    absorption, equalization or float. Equalization is anything clearly above the absorption voltage.
    """
    if charge_current_A < CHARGING_FRACTION * capacity_Ah:
        held_float = before is Stage.FLOAT and charge_current_A > 0
        if not held_float:
            return Stage.OFF
    now = set_points.at(temperature_C)
    band_V = HOLD_BAND_V_PER_CELL * cells
    if now.equalization_V is not None and voltage_V > now.absorption_V + 2 * band_V:
        return Stage.EQUALIZATION
    if voltage_V >= now.absorption_V - band_V:
        return Stage.ABSORPTION
    follows_full = before in (Stage.ABSORPTION, Stage.EQUALIZATION, Stage.FLOAT)
    if now.float_V is not None and follows_full and abs(voltage_V - now.float_V) <= band_V:
        return Stage.FLOAT
    return Stage.BULK
