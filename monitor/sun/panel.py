"""From light on the panels to what the array gives and the controller passes on; pure, over numpy arrays.

Only `almanac.py` imports this: numpy and what follows from it stay out of the daemon's sun.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from monitor.sun.diode import diode
from monitor.sun.expected import CONVERTER_EFFICIENCY, Supply

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

HALVINGS = 30
"""Steps of the search for a current: one part in 10^9 (our choice)."""

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


def array_current_A(supply: Supply, voltage_V: float, light_W_m2: Values, module_C: Values) -> Values:
    """The array's current at a voltage that someone else holds; never negative.

    The one-diode curve without shunt resistance, I = IL (1 - exp((V + I Rs - Voc) / a)), with IL in
    proportion to the light and Voc moved by heat and by a ln(light). Textbook; see `diode.py` for a and Rs.
    """
    softness_V, series_ohm = diode(supply)
    light_A = supply.panel_isc_A * light_W_m2 / STC_W_M2
    light_A = light_A * (1 + ISC_COEFFICIENT_PER_C * (module_C - STC_C))
    reached_V = voltage_V / supply.panels_in_series - _panel_open_V(supply, light_W_m2, module_C)
    low, high = np.zeros_like(light_A), np.ones_like(light_A)
    for _ in range(HALVINGS):  # voltage falls as the share of the light's current rises
        share = (low + high) / 2
        above = softness_V * np.log1p(-share) - share * light_A * series_ohm > reached_V
        low, high = np.where(above, share, low), np.where(above, high, share)
    lit = (light_W_m2 >= DARK_W_M2) & (reached_V < 0)
    return np.where(lit, low * light_A, 0.0) * supply.strings_in_parallel


def open_V(supply: Supply, light_W_m2: Values, module_C: Values) -> Values:
    """The array's voltage without current."""
    return supply.panels_in_series * np.maximum(0.0, _panel_open_V(supply, light_W_m2, module_C))


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


def _panel_open_V(supply: Supply, light_W_m2: Values, module_C: Values) -> Values:
    """A panel's voltage without current, moved by heat and light from that at standard conditions."""
    softness_V, _ = diode(supply)
    by_heat = 1 + supply.voc_temperature_coefficient_per_C * (module_C - STC_C)
    return supply.panel_voc_V * by_heat + softness_V * np.log(np.maximum(light_W_m2, DARK_W_M2) / STC_W_M2)


def _best_V(supply: Supply, light_W_m2: Values, module_C: Values) -> Values:
    """The array's voltage at its best point: below the open one as rated, less what Rs takes no more."""
    _, series_ohm = diode(supply)
    below_V = supply.panel_voc_V - supply.panel_vmp_V
    kept_V = supply.panel_imp_A * series_ohm * (1 - light_W_m2 / STC_W_M2)
    return supply.panels_in_series * (_panel_open_V(supply, light_W_m2, module_C) - below_V + kept_V)
