"""The array as it works: its voltage and current, whether the controller takes all it gives. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.checkup.levels import Level, level
from monitor.checkup.panel_curve import Curve
from monitor.checkup.recording import ARRAY_ON, START, Phase, Recording
from monitor.checkup.roles import LIT_SHARE, Roles, rated_V
from monitor.quantities import Stage
from monitor.sun.expected import Supply, supply_of

WARM_LIGHT = 30.0
"""Degrees that full light warms a panel above the air (a panel's label gives 45 °C at 800 W/m2 and 20 °C
air, NOCT: 31 °C at 1000)."""

TIED_V = 1.5
"""A switching controller's array stands no further above the bank while it charges all it can (our
choice)."""

FREE, THROTTLED = 0.2, 0.35
"""Of the way from best-point to open voltage: an array that stands lower gives all it can, one that stands
higher gives less than it could (our choice: an unknown temperature moves both by a tenth of that way)."""

NOT_OURS = 1.3
"""Likewise: an array that stands still higher is wired otherwise, and tells nothing (our choice)."""


@dataclass(frozen=True, slots=True)
class Working:
    """The array as it works: its means, whether the controller takes all it gives, and one panel's curve."""

    array_V: float
    array_A: float
    bank_V: float
    free: bool
    curve: Curve


def working(recording: Recording, roles: Roles) -> Working | None:
    """The array as it works now; None in the dark, or where too little is read."""
    if recording.site.array is None or roles.charger is None or not roles.lit:
        return None
    for phase in (START, ARRAY_ON):
        volts, amps = array_levels(recording, roles, phase)
        bank = level(recording, phase, roles.charger, "battery_voltage_V")
        rated = rated_V(recording)
        if volts is None or bank is None or rated is None or volts.mean < LIT_SHARE * rated:
            continue
        supply = supply_of(recording.site)
        array_A = amps.mean if amps is not None else 0.0
        curve = Curve(supply, _cell_C(recording, roles, supply, array_A))
        free = _is_free(recording, roles, phase, supply, volts.mean, bank.mean)
        return Working(volts.mean, array_A, bank.mean, free, curve)
    return None


def array_levels(recording: Recording, roles: Roles, phase: str | Phase) -> tuple[Level | None, Level | None]:
    """The array's voltage and current in a phase; the current from the charge where only that is read."""
    assert roles.charger is not None
    volts = level(recording, phase, roles.charger, "array_voltage_V")
    amps = level(recording, phase, roles.charger, "array_current_A")
    if amps is None and volts is not None and volts.mean > 0:
        charge = level(recording, phase, roles.charger, "charge_current_A")
        bank = level(recording, phase, roles.charger, "battery_voltage_V")
        if charge is not None and bank is not None:
            share = bank.mean / volts.mean
            amps = Level(
                charge.mean * share,
                charge.sd * share,
                charge.step * share,
                charge.count,
                charge.spread * share,
            )
    return volts, amps


def _cell_C(recording: Recording, roles: Roles, supply: Supply, array_A: float) -> float:
    """The cells' warmth: the bank's or the clear sky's guess of the air, and the light that the current
    shows."""
    light = min(1.2, array_A / (supply.panel_imp_A * supply.strings_in_parallel))
    air = level(recording, START, roles.charger or "", "battery_temperature_C")
    if air is not None:
        return air.mean + WARM_LIGHT * light
    return recording.sun.module_C if recording.sun is not None else 25.0 + WARM_LIGHT * light


def _is_free(
    recording: Recording, roles: Roles, phase: str, supply: Supply, array_V: float, bank_V: float
) -> bool:
    """Whether the controller takes all that the array gives: it says bulk, or holds no voltage."""
    stage = level(recording, phase, roles.charger or "", "charge_stage")
    if supply.controller == "pwm":
        return array_V < bank_V + TIED_V
    if stage is not None:
        return round(stage.mean) == Stage.BULK
    return supply.absorption_V is None or bank_V < 0.97 * supply.absorption_V


def throttled(
    recording: Recording, roles: Roles, phase: str | Phase, least: float = THROTTLED
) -> bool | None:
    """Whether the controller takes less than the array could give, by the array's voltage; None where that
    does not tell. least: from which height on."""
    height = _height(recording, roles, phase)
    if height is None or height > NOT_OURS:
        return None
    if height > least:
        return True
    return False if height < FREE else None


def _height(recording: Recording, roles: Roles, phase: str | Phase) -> float | None:
    """How high the array's voltage stands between its best point, 0, and its open voltage, 1. A switching
    controller's array stands at the bank's voltage, 0, or anywhere above it, 1."""
    if recording.site.array is None or roles.charger is None:
        return None
    volts, amps = array_levels(recording, roles, phase)
    bank = level(recording, phase, roles.charger, "battery_voltage_V")
    if volts is None or bank is None:
        return None
    supply = supply_of(recording.site)
    if supply.controller == "pwm":
        return float(volts.mean > bank.mean + TIED_V)
    array_A = amps.mean if amps is not None else 0.0
    light = array_A / (supply.panel_imp_A * supply.strings_in_parallel)
    curve = Curve(supply, _cell_C(recording, roles, supply, array_A))
    panel_V = volts.mean / supply.panels_in_series - curve.dimmed_V(light)
    return (panel_V - curve.best_V) / (curve.open_V - curve.best_V)
