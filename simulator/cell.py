"""Published equations of lead-acid cells and the kinetic two-well reservoir, as pure functions.

Voltage, capacity and charge efficiency: Copetti, Lorenzo, Chenlo 1993, Progress in Photovoltaics 1(4),
283-292. Reservoir: Manwell, McGowan 1993, Solar Energy 50(5), 399-405. Values per cell, currents in A of
one string, c10_Ah the string's 10-hour capacity, warmer_C the temperature above 25 degrees.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log
from math import pow as power


def discharge_voltage_V(current_A: float, soc: float, c10_Ah: float, warmer_C: float = 0.0) -> float:
    """Copetti 1993, discharge; current_A is positive here."""
    return 2.085 - 0.12 * (1 - soc) - discharge_drop_V(current_A, soc, c10_Ah, warmer_C)


def discharge_drop_V(current_A: float, soc: float, c10_Ah: float, warmer_C: float = 0.0) -> float:
    """The current's part of Copetti's discharge voltage."""
    return (
        current_A
        / c10_Ah
        * (4 / (1 + power(current_A, 1.3)) + 0.27 / power(soc, 1.5) + 0.02)
        * (1 - 0.007 * warmer_C)
    )


def charge_voltage_V(current_A: float, soc: float, c10_Ah: float, warmer_C: float = 0.0) -> float:
    """Copetti 1993, charge; holds only while below `gassing_voltage_V`."""
    return 2 + 0.16 * soc + charge_rise_V(current_A, soc, c10_Ah, warmer_C)


def charge_rise_V(current_A: float, soc: float, c10_Ah: float, warmer_C: float = 0.0) -> float:
    """The current's part of Copetti's charge voltage."""
    return (
        current_A
        / c10_Ah
        * (6 / (1 + power(current_A, 0.86)) + 0.48 / power(1 - soc, 1.2) + 0.036)
        * (1 - 0.025 * warmer_C)
    )


def gassing_voltage_V(current_A: float, c10_Ah: float, warmer_C: float = 0.0) -> float:
    """Copetti 1993: where gassing begins."""
    return (2.24 + 1.970 * log(1 + current_A / c10_Ah)) * (1 - 0.002 * warmer_C)


def final_voltage_V(current_A: float, c10_Ah: float, warmer_C: float = 0.0) -> float:
    """Copetti 1993: where the voltage ends in overcharge."""
    return (2.45 + 2.011 * log(1 + current_A / c10_Ah)) * (1 - 0.002 * warmer_C)


def overcharge_time_constant_h(current_A: float, c10_Ah: float) -> float:
    """Copetti 1993: how fast the voltage goes from gassing to final."""
    return 17.3 / (1 + 852 * power(current_A / c10_Ah, 1.67))


def rate_capacity_Ah(current_A: float, c10_Ah: float, warmer_C: float = 0.0) -> float:
    """Copetti 1993: capacity at a discharge current."""
    i10_A = c10_Ah / 10
    return c10_Ah * 1.67 / (1 + 0.67 * power(current_A / i10_A, 0.9)) * temperature_factor(warmer_C)


def temperature_factor(warmer_C: float) -> float:
    """Copetti 1993: capacity at a temperature over that at 25 degrees."""
    return 1 + 0.005 * warmer_C


def charge_efficiency(current_A: float, soc: float, c10_Ah: float) -> float:
    """Copetti 1993: share of the charging current that is stored; the rest splits water."""
    return 1 - exp(20.73 * (soc - 1) / (current_A / (c10_Ah / 10) + 0.55))


@dataclass(frozen=True, slots=True)
class Wells:
    """Available and bound charge [Ah] of the kinetic battery model."""

    available_Ah: float
    bound_Ah: float

    @property
    def total_Ah(self) -> float:
        return self.available_Ah + self.bound_Ah


def kinetic_step(wells: Wells, current_A: float, hours: float, c: float, k_per_h: float) -> Wells:
    """The wells after a constant current (positive discharges). Source: Manwell, McGowan 1993."""
    r = exp(-k_per_h * hours)
    ramp = k_per_h * hours - 1 + r
    total = wells.total_Ah
    return Wells(
        wells.available_Ah * r
        + (total * k_per_h * c - current_A) * (1 - r) / k_per_h
        - current_A * c * ramp / k_per_h,
        wells.bound_Ah * r + total * (1 - c) * (1 - r) - current_A * (1 - c) * ramp / k_per_h,
    )


def largest_discharge_A(wells: Wells, hours: float, c: float, k_per_h: float) -> float:
    """The current that just empties the available well in that time. Source: Manwell, McGowan 1993."""
    r = exp(-k_per_h * hours)
    above = k_per_h * wells.available_Ah * r + wells.total_Ah * k_per_h * c * (1 - r)
    return above / (1 - r + c * (k_per_h * hours - 1 + r))


def kinetic_capacity_Ah(hours: float, maximum_Ah: float, c: float, k_per_h: float) -> float:
    """Charge delivered when emptied evenly in so many hours. Source: Manwell, McGowan 1993."""
    r = exp(-k_per_h * hours)
    return maximum_Ah * k_per_h * c * hours / (1 - r + c * (k_per_h * hours - 1 + r))


def slow_over_20h_capacity(c: float, k_per_h: float) -> float:
    """Both wells' charge over the 20-hour capacity, from the same equation."""
    return 1 / kinetic_capacity_Ah(20.0, 1.0, c, k_per_h)
