"""From light on the panels to what the array gives and the controller passes on; pure, over numpy arrays.

Only `almanac.py` imports this: numpy and what follows from it stay out of the daemon's sun.
"""

from __future__ import annotations

from math import log
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from monitor.sun.expected import Supply

Values: TypeAlias = npt.NDArray[np.float64]

STC_W_M2 = 1000.0
STC_C = 25.0

STILL_AIR_LOSS = 25.0
WIND_LOSS = 6.84
"""Faiman's constants u0 [W/m2/K] and u1 [W s/m3/K]: Faiman 2008, as in pvlib's source."""

WIND_M_S = 1.0
"""No wind is measured; pvlib's own default."""

ISC_COEFFICIENT_PER_C = 0.0005
"""Crystalline silicon: +0.05 to +0.06 % a degree (facts of the trade, makers' sheets)."""

CONVERTER_MARGIN_V = 1.0
"""A converter that steps down needs so much more than the bank's voltage (our choice; common practice, no
source: 1 to 5 V)."""

CONVERTER_EFFICIENCY = 0.95
"""Share of an MPPT controller's input that reaches the bank (our choice; makers print 0.93 to 0.98)."""

DARK_W_M2 = 1.0
"""Below this the array gives nothing (our choice)."""


def module_C(light_W_m2: Values, air_C: Values, wind_m_s: float = WIND_M_S) -> Values:
    """Tm = Ta + G / (u0 + u1 v). Source: Faiman 2008, doi 10.1002/pip.813."""
    return air_C + light_W_m2 / (STILL_AIR_LOSS + WIND_LOSS * wind_m_s)


def best_power_W(supply: Supply, light_W_m2: Values, module_C: Values) -> Values:
    """The array's power at its best point: P0 G/1000 (1 + γ (Tm - 25)), nothing in the dark.

    light_W_m2 is what enters the cells. Source: PVWatts, Dobos 2014, NREL/TP-6A20-62641, equation 8.
    """
    warmth = 1 + supply.power_temperature_coefficient_per_C * (module_C - STC_C)
    power_W = supply.power_W * light_W_m2 / STC_W_M2 * warmth
    return np.where(light_W_m2 < DARK_W_M2, 0.0, np.maximum(0.0, power_W))


def array_current_A(
    supply: Supply, voltage_V: Values | float, light_W_m2: Values, module_C: Values
) -> Values:
    """The array's current at a voltage that someone else holds; never negative.

    I = Isc (1 - C1 (exp(V / (C2 Voc)) - 1)), C2 = (Vmp/Voc - 1) / ln(1 - Imp/Isc),
    C1 = (1 - Imp/Isc) exp(-Vmp / (C2 Voc)): through short circuit, best point and (but for C1's part in a
    thousand) open circuit of the data sheet. The curve moves by Voc's coefficient with temperature, by
    C2 Voc ln(G/1000) with light. From memory: the usual explicit form of the one-diode curve.
    """
    isc, share = supply.panel_isc_A, supply.panel_imp_A / supply.panel_isc_A
    softness_V = _softness_V(supply)
    c1 = (1 - share) * np.exp(-supply.panel_vmp_V / softness_V)
    lit = np.maximum(light_W_m2, DARK_W_M2)
    moved_V = _moved_V(supply, lit, module_C)
    light_A = isc * lit / STC_W_M2 * (1 + ISC_COEFFICIENT_PER_C * (module_C - STC_C))
    at_stc_V = voltage_V / supply.panels_in_series - moved_V
    # an exponent above 50 is far beyond open circuit, where the current is nothing anyway
    current_A = light_A * (1 - c1 * (np.exp(np.minimum(at_stc_V / softness_V, 50.0)) - 1))
    return (
        np.where(light_W_m2 < DARK_W_M2, 0.0, np.clip(current_A, 0.0, light_A)) * supply.strings_in_parallel
    )


def open_V(supply: Supply, light_W_m2: Values, module_C: Values) -> Values:
    """The array's voltage without current."""
    lit = np.maximum(light_W_m2, DARK_W_M2)
    return supply.panels_in_series * np.maximum(0.0, supply.panel_voc_V + _moved_V(supply, lit, module_C))


def passed_W(supply: Supply, light_W_m2: Values, module_C: Values) -> Values:
    """What of the array's power the controller can pass on, at the array's side.

    A PWM controller is a switch: the array works at the charging bank's voltage. A converter (MPPT) takes the
    best point as long as that lies above the bank's voltage by its margin, else it works there, and stops
    altogether where the array's open voltage is above its limit. Both stop at the rated current. Without a
    controller everything passes.
    """
    best_W = best_power_W(supply, light_W_m2, module_C)
    if supply.controller is None or supply.rating_A is None:
        return best_W
    bank_V = supply.charging_V
    if supply.controller == "pwm":
        current_A = array_current_A(supply, bank_V, light_W_m2, module_C)
        return np.minimum(best_W, bank_V * np.minimum(current_A, supply.rating_A))
    floor_V = bank_V + CONVERTER_MARGIN_V
    best_V = _best_V(supply, light_W_m2, module_C)
    held_W = floor_V * array_current_A(supply, floor_V, light_W_m2, module_C)
    power_W = np.where(best_V < floor_V, np.minimum(best_W, held_W), best_W)
    if supply.array_voltage_limit_V is not None:
        too_high = open_V(supply, light_W_m2, module_C) > supply.array_voltage_limit_V
        power_W = np.where(too_high, 0.0, power_W)
    return np.minimum(power_W, supply.rating_A * bank_V / CONVERTER_EFFICIENCY)


def _softness_V(supply: Supply) -> float:
    """C2 Voc: how gently a panel's curve bends."""
    share = supply.panel_imp_A / supply.panel_isc_A
    return (supply.panel_vmp_V - supply.panel_voc_V) / log(1 - share)


def _moved_V(supply: Supply, lit_W_m2: Values, module_C: Values) -> Values:
    """How far temperature and light move a panel's voltages from those at standard conditions."""
    by_heat = supply.voc_temperature_coefficient_per_C * supply.panel_voc_V * (module_C - STC_C)
    return by_heat + _softness_V(supply) * np.log(lit_W_m2 / STC_W_M2)


def _best_V(supply: Supply, light_W_m2: Values, module_C: Values) -> Values:
    """The array's voltage at its best point, moved as its open voltage."""
    lit = np.maximum(light_W_m2, DARK_W_M2)
    return supply.panels_in_series * (supply.panel_vmp_V + _moved_V(supply, lit, module_C))
