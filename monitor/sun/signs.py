"""What each step of a day says of the clear-sky index over the array's level. Pure.

A free step shows it. A held one shows that it was at least what was taken, and by the array's voltage how far
it was above: which voltage goes with the power that was taken follows, for each index, from the panel's light
and heat (`rise.py`) and from the knee of its curve (`knee.py`). By how much all voltages of a day are off is
unknown; a row of suppositions stands for it (`drawn.py`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitor.sun.day import Clear, Day, Step
from monitor.sun.drawn import INDEX, Floats, Signs
from monitor.sun.expected import Supply
from monitor.sun.knee import Form
from monitor.sun.level import Indices, Level
from monitor.sun.rise import BRIGHT, LEAST_LIGHT, Offs, least_span_V, supposed_V

FREE_SD, LOW_SUN_SD, LOW_SUN_DEG = 0.03, 0.12, 15.0
"""How exactly a free step shows the index, and under a sun that stands low: a hill, haze or a tree may take
it (our choice)."""

FLOOR_SD = 0.04
"""How exactly what was taken bounds the index below: level and meters (our choice)."""

VOLTS_SD, STRANGE = 0.008, 0.01
"""How exactly a step's voltage is known beside what is off all day, as a share of open voltage (our choice:
0.18 of 22 V), and the weight of a voltage that no index explains."""

OFF_SD, OFF_MOST, OFFS = 0.03, 2.0, 11
"""How far all voltages of a day may be off, as a share of open voltage (our choice: 10 °C), to how many of
these deviations, and in how many suppositions."""

LEAST_SHARE = 0.003
"""Where less than this of the level is taken, the array stands open, whatever the light (our choice)."""


def signs_of(
    day: Day,
    supply: Supply,
    held: Sequence[bool],
    index: Indices,
    lit: Sequence[bool],
    level: Level,
    offs: Offs,
    form: Form,
) -> Signs | None:
    """The signs of a day; None without daylight. index is that of free steps, lit whether a step's sky can
    be told, offs how far the day's voltages were seen to be off."""
    at_light = [at for at, is_lit in enumerate(lit) if is_lit]
    if not at_light:
        return None
    first, last = at_light[0], at_light[-1] + 1
    volts = supply.panels_in_series * supply.panel_voc_V * OFF_SD * np.linspace(-OFF_MOST, OFF_MOST, OFFS)
    likelihoods = np.zeros((last - first, OFFS, len(INDEX)))
    for at in range(first, last):
        step, clear, value = day.steps[at], day.clear[at], index[at]
        says = likelihoods[at - first]
        if value is not None:
            sd = FREE_SD if clear.elevation_deg >= LOW_SUN_DEG else LOW_SUN_SD
            says -= 0.5 * ((min(value / level.at(clear), INDEX[-1]) - INDEX) / sd) ** 2
        elif held[at] and lit[at] and step.power_W is not None:
            taken = max(0.0, step.power_W) / (level.at(clear) * clear.passed_W)
            says -= 0.5 * (np.maximum(0.0, min(taken, INDEX[-1]) - INDEX) / FLOOR_SD) ** 2
            if taken > LEAST_SHARE:
                says += _by_voltage(step, clear, supply, taken, offs, form, volts)
    weights = -0.5 * np.linspace(-OFF_MOST, OFF_MOST, OFFS) ** 2
    return Signs(first, likelihoods, weights)


def _by_voltage(
    step: Step, clear: Clear, supply: Supply, taken: float, offs: Offs, form: Form, off_V: Floats
) -> Floats | float:
    """Log likelihoods of a held step's array voltage, by supposition and INDEX; 0 where none was read."""
    if step.array_voltage_V is None or clear.passed_W < BRIGHT * supply.power_W:
        return 0.0
    supposed = supposed_V(step, clear, supply, offs.warmer_C, INDEX)
    if supposed is None:
        return 0.0
    dimmer = -np.log(np.maximum(LEAST_LIGHT, INDEX * (clear.beam_W_m2 + clear.diffuse_W_m2) / 1000))
    best_V, open_V = supposed[0] + offs.best_V + offs.dim_V * dimmer, supposed[1] + offs.open_V
    span_V = np.maximum(least_span_V(supply), open_V - best_V)
    expected_V = best_V + span_V * form.height(np.minimum(1.0, taken / INDEX))
    sd_V = VOLTS_SD * supply.panels_in_series * supply.panel_voc_V
    off = (step.array_voltage_V - expected_V[None, :] - off_V[:, None]) / sd_V
    return np.asarray(np.log(np.exp(-0.5 * off**2) + STRANGE))
