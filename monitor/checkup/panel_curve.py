"""What a panel's label says of the array under this light, and what a covered string must change. Pure.

The one-diode curve without shunt resistance, I = IL (1 - exp((V + I Rs - Voc) / a)): see `sun/diode.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

from monitor.sun.diode import diode
from monitor.sun.expected import Supply

STC_C = 25.0
LEAST_LIGHT = 0.02
"""Of 1000 W/m2: with less the logarithm of the light tells nothing sensible (our choice)."""


@dataclass(frozen=True, slots=True)
class Curve:
    """One panel's curve at a cell temperature."""

    supply: Supply
    cell_C: float

    @property
    def open_V(self) -> float:
        """Voltage without current in full light."""
        supply = self.supply
        return supply.panel_voc_V * (1 + supply.voc_temperature_coefficient_per_C * (self.cell_C - STC_C))

    @property
    def best_V(self) -> float:
        """Voltage at the best point in full light: as far below the open one as the label says."""
        return self.open_V - (self.supply.panel_voc_V - self.supply.panel_vmp_V)

    def dimmed_V(self, light: float) -> float:
        """How much lower both are at a share of full light, never above 0."""
        softness_V, _ = diode(self.supply)
        return min(0.0, softness_V * log(max(light, LEAST_LIGHT)))

    def light(self, voltage_V: float, current_A: float) -> float:
        """The share of full light under which one panel gives this current at this voltage."""
        softness_V, series_ohm = diode(self.supply)
        back = exp((voltage_V + current_A * series_ohm - self.open_V) / softness_V)
        return back + current_A / self.supply.panel_isc_A


def held_mppt_drop_V(curve: Curve, voltage_V: float, current_A: float) -> float:
    """By how much the array's voltage falls when one string of several goes dark while a converter takes
    less than it could, and goes on taking the same power; where the rest cannot give it, down to their
    best point.

    voltage_V and current_A are the whole array's. A fixed-point search: the current follows the power.
    """
    supply = curve.supply
    softness_V, series_ohm = diode(supply)
    strings, panels = supply.strings_in_parallel, supply.panels_in_series
    light = curve.light(voltage_V / panels, current_A / strings)
    power_W, new_V = voltage_V * current_A, voltage_V
    best_V = panels * (curve.best_V + curve.dimmed_V(light))
    for _ in range(30):
        each_A = power_W / max(new_V, 1.0) / (strings - 1)
        back = light - each_A / supply.panel_isc_A
        if back <= 0.01 * light:
            return max(0.0, voltage_V - best_V)
        new_V = panels * (curve.open_V + softness_V * log(back) - each_A * series_ohm)
        if new_V < best_V:
            return max(0.0, voltage_V - best_V)
    return voltage_V - new_V


def held_pwm_drop_V(curve: Curve, voltage_V: float) -> float:
    """The same for a switching controller: its array voltage is the mean of tied and open, by how long it
    is tied.

    With a string less it is tied longer by 1 of the others.
    """
    supply = curve.supply
    return max(0.0, (supply.panels_in_series * curve.open_V - voltage_V) / (supply.strings_in_parallel - 1))
