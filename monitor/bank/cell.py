"""How a cell answers a current, for many supposed banks at once: acceptance, polarisation, voltage. Pure.

Every function takes numpy arrays, one element a supposed bank (`cloud.py`), and returns such arrays.
Charges and currents are shares of the rated 20-hour capacity as in `priors.py`; out and in are both positive.
The forms are the simplest that show what every published model shows; where models disagree, the constants
have wide priors instead.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

import numpy as np
from numpy.typing import NDArray

from monitor.bank.priors import ACCEPTANCE_AT_REST, ACCEPTANCE_PER_CURRENT
from monitor.bank.tables import LIFEPO4_CHART, REST_VOLTAGE, Rows

Floats = NDArray[np.float64]

REFERENCE_C = 25.0
MONTH_H = 730.0

REST_V_PER_C = 0.0002
"""Change of a lead-acid cell's rest voltage with temperature (Bode 1977, Linden; from memory)."""

ACTIVATION_CURRENT = 0.003
"""Where the logarithmic part of the drop begins: the current of 300 hours (our choice)."""

EMPTY_KNEE = 0.06
"""Keeps finite by how much the drop grows toward empty; at this charge it is half of that (our choice)."""

COLD_STIFFENS_PER_C = 0.010
"""Resistance rises about so much for each degree of cold (Copetti 1993 has 0.007 out, 0.025 in)."""

GASSING_FROM_V, GASSING_V_PER_C, GASSING_SOFTENS_V = 2.36, -0.004, 0.07
"""Above it the charging voltage grows only with the logarithm of what is pressed in: a battery maker's manual
sets gassing at 2.40 V and 25 °C, and makers' set points fall 4 to 5 mV a degree (both in `tables` and
`site.chemistry`); softness our choice."""

GASSING_AT_V, GASSING_E_FOLD_V = 2.40, 0.085

SURFACE_UP, SURFACE_DOWN = 0.015, 0.007
"""Shares of capacity that bring the surface charge up and take it down again (our choice)."""

_GRID = np.linspace(0.0, 1.0, 201)


def _on_grid(rows: Rows) -> Floats:
    return np.asarray(np.interp(_GRID, [soc for soc, _ in rows], [volts for _, volts in rows]))


_COMPUTED_V, _CHART_V = _on_grid(REST_VOLTAGE["lifepo4"]), _on_grid(LIFEPO4_CHART)

LIFEPO4_TOP, LIFEPO4_TOP_V = 0.985, 0.06
"""Where a LiFePO4 cell's charging voltage leaves the plateau, and how far at full (our choice)."""


def accepted_share(soc: Floats, current_in: Floats, taper: Floats, loss: Floats) -> Floats:
    """Share of a charging current that is stored: near 1 - loss at low charge, 0 when full.

    Falls toward full as published: above 95 % at low charge, half near the top (Stevens & Corey), sooner at
    high currents (Copetti 1993).
    """
    width = taper * (ACCEPTANCE_AT_REST + ACCEPTANCE_PER_CURRENT * current_in)
    return np.asarray((1 - loss) * np.tanh((1 - soc) / width))


def gassing(at_2_40_V: Floats, cell_V: float, temperature_C: float) -> Floats:
    """Current that turns water into gas at a cell voltage: none in a cell that is not read yet (0 V).

    e-fold for each 85 mV, steeper than from 1 to 4 mA per Ah between 2.23 and 2.40 V (the currents behind
    the ventilation rule of IEC 62485-2, safety factor taken off; from memory). It doubles every 10 °C (common
    practice, no source).
    """
    rise_V = min(cell_V - GASSING_AT_V, 0.3)
    return np.asarray(
        at_2_40_V * (exp(rise_V / GASSING_E_FOLD_V) * 2 ** ((temperature_C - REFERENCE_C) / 10))
    )


def self_discharge(self_month: Floats, temperature_C: float) -> Floats:
    """Share of capacity lost in an hour; doubles every 10 °C (facts of the trade, from memory)."""
    return np.asarray(self_month / MONTH_H * 2 ** ((temperature_C - REFERENCE_C) / 10))


def capacity(at_25: Floats, per_C: Floats, temperature_C: float) -> Floats:
    """Capacity at a temperature: linear as in Copetti 1993, kept between 0.3 and 1.3 of that at 25 °C."""
    return np.asarray(at_25 * np.clip(1 + per_C * (temperature_C - REFERENCE_C), 0.3, 1.3))


def lead_rest_V(soc: Floats, full_V: Floats, span_V: Floats, temperature_C: float) -> Floats:
    """Rest voltage: a straight line in charge, as specific gravity is (DOE-HDBK-1084-95)."""
    return np.asarray(full_V - span_V * (1 - soc) + REST_V_PER_C * (temperature_C - REFERENCE_C))


def lifepo4_rest_V(soc: Floats, offset_V: Floats, blend: Floats) -> Floats:
    """Rest voltage between two published curves that differ: blend 0 is the computed one, 1 the chart."""
    place = soc * (len(_GRID) - 1)
    below = np.minimum(place.astype(np.intp), len(_GRID) - 2)
    part = place - below
    computed_V = _COMPUTED_V[below] + part * (_COMPUTED_V[below + 1] - _COMPUTED_V[below])
    chart_V = _CHART_V[below] + part * (_CHART_V[below + 1] - _CHART_V[below])
    share = np.clip(blend, 0.0, 1.0)
    return np.asarray((1 - share) * computed_V + share * chart_V + offset_V)


def stiffness(temperature_C: float) -> float:
    """Factor on all drops: 1 at 25 °C, higher in the cold."""
    return exp(-COLD_STIFFENS_PER_C * (temperature_C - REFERENCE_C))


@dataclass(frozen=True, slots=True)
class Answer:
    """A cell's predicted voltage: at rest, how far below or above it is under current, and the slope.

    volt_per_current is how much the voltage falls for a little more current out.
    """

    rest_V: Floats
    drop_V: Floats
    rise_V: Floats
    volt_per_current: Floats


@dataclass(frozen=True, slots=True)
class Drops:
    """The constants of a cell's drops, each an array with one element a supposed bank (`priors.py`)."""

    ohm_out: Floats
    ohm_in: Floats
    activation_V: Floats
    end_rise: Floats
    low_knee: Floats
    slow: Floats


def answer(
    soc: Floats,
    rest_V: Floats,
    current: Floats,
    slow_out: Floats,
    slow_in: Floats,
    drops: Drops,
    temperature_C: float,
    *,
    lithium: bool,
) -> Answer:
    """Voltage under a current (into the cell positive) beside the rest voltage (surface charge included).

    Ohmic, logarithmic (Tafel) and slow parts; toward empty the drop grows, toward full the rise, as in
    Shepherd's and Copetti's models. slow_out and slow_in are the currents as the slow part remembers them.
    """
    current_in = np.maximum(current, 0.0)
    current_out = current_in - current
    stiff = stiffness(temperature_C)
    ohm = drops.ohm_out + drops.low_knee / (soc + EMPTY_KNEE)
    drop = stiff * (
        ohm * current_out
        + drops.activation_V * np.log1p(current_out / ACTIVATION_CURRENT)
        + drops.slow * slow_out
    )
    rise = stiff * (
        drops.ohm_in * current_in
        + drops.activation_V * np.log1p(current_in / ACTIVATION_CURRENT)
        + drops.end_rise * current_in / (1.03 - soc)
        + 0.5 * drops.slow * slow_in
    )
    if lithium:
        rise = rise + LIFEPO4_TOP_V * np.maximum(soc - LIFEPO4_TOP, 0.0) / (1 - LIFEPO4_TOP)
    else:
        top_V = GASSING_FROM_V + GASSING_V_PER_C * (temperature_C - REFERENCE_C)
        over_V = np.maximum(rest_V + rise - top_V, 0.0)
        soft_V = GASSING_SOFTENS_V * np.log1p(over_V / GASSING_SOFTENS_V)
        rise = rise - over_V + soft_V
    slope = stiff * (ohm + drops.activation_V / (current_out + ACTIVATION_CURRENT))
    return Answer(rest_V, drop, rise, slope)
