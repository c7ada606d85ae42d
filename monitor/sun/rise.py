"""What the array's voltage tells of how far it is held back. Pure.

An array at its best point stands at its best voltage (or, behind a controller that only switches, at the
bank's). Held back it rises toward its open-circuit voltage, the higher the less is taken. Its height between
the two, 0 the one and 1 the other, is what is learnt here; which share of its power goes with it: `knee.py`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import fmean, median

import numpy as np

from monitor.quantities import Stage
from monitor.sun.day import Clear, Day, Step
from monitor.sun.diode import diode
from monitor.sun.drawn import Floats
from monitor.sun.expected import Supply

COLDER_PER_W_M2 = 0.027
"""A panel in less light is colder than under a clear sky by so much for each W/m² less: Faiman (2008) with
25.0 + 6.84 v at the mean wind of 1.8 m/s (the wind: our choice)."""

FREE_STAGES = (Stage.BULK,)
HELD_STAGES = (Stage.ABSORPTION, Stage.FLOAT, Stage.EQUALIZATION)
IDLE = 0.01
"""Taking less than this of a clear sky's power is taking nothing: meters show no better (our choice)."""

BRIGHT = 0.05
"""The light must be a share of the rated power for voltages to count (our choice)."""

DIM_SHARE, LEAST_LIGHT = 0.045, 0.01
"""Voltages fall with the logarithm of light by this share of open circuit: about n k T / q of a cell over its
0.62 V (from memory), down to a hundredth of full light."""

DIM_MOST, DIM_DRAWN = 0.05, 10.0
"""Bound of what is learnt of that, as a share of open circuit, and how much light (squares of logarithms) it
takes to believe half of it (our choice)."""

MOST_WARMER_C = 15.0
"""No further is the bank's temperature believed to speak for the air's (our choice)."""

LOW_SHARE = 0.95
"""A bank below this share of its absorption voltage takes all: 13.7 of 14.4 V (our choice)."""

LEAST_SPAN = 0.08
"""Open circuit and best point are no nearer than this share of the former (crystalline silicon has 0.16 to
0.22; our choice)."""

LEAST_STEPS = 5
"""So few free steps tell no voltage of the best point (our choice)."""

STRONGEST_S = 3600
"""The hour of most power tells it: it is nearest to the hours in which a bank holds back, and hours held back
unseen give less of it (our choice)."""

NEAR_DAYS = 7
"""Days around that tell it where a day has too few free steps (our choice)."""

LEAST_INDEX = 0.15
"""In less light the best point itself moves (our choice)."""


@dataclass(frozen=True, slots=True)
class Offs:
    """How far a day's best point and open voltage were seen to be off the supposed ones, 0 where unseen, and
    how much warmer the day was than supposed. dim_V is by how much the best point falls less than supposed as
    the logarithm of light falls by one, as the history's free hours show it."""

    best_V: float
    open_V: float
    warmer_C: float
    dim_V: float = 0.0


@dataclass(frozen=True, slots=True)
class Rise:
    """The voltage's heights of a history: if_free[day][step] in 0..1 and beyond, None where unknown.

    They suppose a light that gives just what was taken: where it does, and the array is free, they are about
    0 under any sky.
    """

    if_free: tuple[tuple[float | None, ...], ...]
    offs: tuple[Offs, ...]


def rises(days: Sequence[Day], supply: Supply) -> Rise:
    """The heights of all steps in which an array voltage was read in daylight."""
    clear = [_supposed(day, supply, as_taken=False) for day in days]
    taken = [_supposed(day, supply, as_taken=True) for day in days]
    best = [_off_V(day, supply, volts, _free, 0) for day, volts in zip(days, taken, strict=True)]
    opened = [_off_V(day, supply, volts, _idle, 1) for day, volts in zip(days, clear, strict=True)]
    dim_V = 0.0 if supply.controller == "pwm" else _dim_V(days, supply, taken, best)
    if_free, offs = [], []
    for at, day in enumerate(days):
        best_off_V = _near(best, days, at)
        open_off_V = _near(opened, days, at)
        if open_off_V is None and supply.controller != "pwm":
            # what makes the one higher than supposed, cold panels say, does so with both
            open_off_V = best_off_V
        offs.append(Offs(best_off_V or 0.0, open_off_V or 0.0, _warmer_C(day), dim_V))
        if_free.append(
            tuple(
                _height(step, clear_of, volts, supply, offs[-1])
                for step, clear_of, volts in zip(day.steps, day.clear, taken[at], strict=True)
            )
        )
    return Rise(tuple(if_free), tuple(offs))


Volts = tuple[float, float] | None
"""Supposed voltages of the best point and of the open array; None in the dark or without the bank's."""


def _supposed(day: Day, supply: Supply, *, as_taken: bool) -> tuple[Volts, ...]:
    """The voltages of a day's steps by a clear sky's light, or as_taken by such as gives what was taken."""
    warmer_C = _warmer_C(day)
    found: list[Volts] = []
    for step, clear in zip(day.steps, day.clear, strict=True):
        if clear.passed_W < BRIGHT * supply.power_W:
            found.append(None)
            continue
        gives = min(1.0, max(0.0, step.power_W or 0.0) / clear.passed_W) if as_taken else 1.0
        volts = supposed_V(step, clear, supply, warmer_C, np.array([gives]))
        found.append(None if volts is None else (float(volts[0][0]), float(volts[1][0])))
    return tuple(found)


def supposed_V(
    step: Step, clear: Clear, supply: Supply, warmer_C: float, index: Floats
) -> tuple[Floats, Floats] | None:
    """Voltages of the best point and of the open array at each clear-sky index: as rated, at the panel's
    supposed temperature and light; less light loses less in the panel's resistance. A switched array works at
    the bank's; None where that is unread."""
    light_W_m2 = clear.beam_W_m2 + clear.diffuse_W_m2
    hot_C = clear.module_C + warmer_C - COLDER_PER_W_M2 * (1 - np.minimum(1.0, index)) * light_W_m2 - 25
    light = np.maximum(LEAST_LIGHT, index * light_W_m2 / 1000)
    shift = supply.voc_temperature_coefficient_per_C * hot_C + DIM_SHARE * np.log(light)
    open_V = supply.panels_in_series * supply.panel_voc_V * (1 + shift)
    if supply.controller != "pwm":
        _, series_ohm = diode(supply)
        below_V = supply.panel_voc_V - supply.panel_vmp_V - supply.panel_imp_A * series_ohm * (1 - light)
        return open_V - supply.panels_in_series * below_V, open_V
    return None if step.battery_voltage_V is None else (np.full_like(open_V, step.battery_voltage_V), open_V)


def _warmer_C(day: Day) -> float:
    """How much warmer the day was than supposed for the season, by the bank's temperature, 0 where unread."""
    bank = [step.battery_temperature_C for step in day.steps if step.battery_temperature_C is not None]
    if not bank:
        return 0.0
    air = [each.module_C - COLDER_PER_W_M2 * (each.beam_W_m2 + each.diffuse_W_m2) for each in day.clear]
    return max(-MOST_WARMER_C, min(MOST_WARMER_C, fmean(bank) - fmean(air)))


def _free(step: Step, clear: Clear, supply: Supply) -> bool:
    """Whether the bank surely takes all: in bulk, well below absorption, at a light that tells."""
    enough = step.power_W is not None and step.power_W > LEAST_INDEX * clear.passed_W
    low = supply.absorption_V is None or (step.battery_voltage_V or 0.0) < LOW_SHARE * supply.absorption_V
    return enough and low and step.stage in FREE_STAGES


def _idle(step: Step, clear: Clear, supply: Supply) -> bool:
    """Whether nothing is taken from a lit array: its voltage is then the open one."""
    return step.power_W is not None and step.power_W <= IDLE * clear.passed_W and step.stage in HELD_STAGES


def _off_V(
    day: Day,
    supply: Supply,
    supposed: Sequence[Volts],
    shows: Callable[[Step, Clear, Supply], bool],
    which: int,
) -> float | None:
    """How far from the supposed one the best point's (0) or the open voltage (1) was on a day; None where few
    steps show it."""
    offs = [
        (step.power_W or 0.0, step.array_voltage_V - volts[which])
        for step, clear, volts in zip(day.steps, day.clear, supposed, strict=True)
        if step.array_voltage_V is not None and volts is not None and shows(step, clear, supply)
    ]
    if len(offs) < LEAST_STEPS:
        return None
    strongest = sorted(offs, reverse=True)[: max(LEAST_STEPS, STRONGEST_S // day.step_s)]
    return median(off_V for _, off_V in strongest)


def _light_taken(step: Step, clear: Clear) -> float:
    """The light that gives just what was taken, 1 at 1000 W/m²."""
    gives = min(1.0, max(0.0, step.power_W or 0.0) / clear.passed_W)
    return gives * (clear.beam_W_m2 + clear.diffuse_W_m2) / 1000


def _dim_V(
    days: Sequence[Day], supply: Supply, taken: Sequence[Sequence[Volts]], best: Sequence[float | None]
) -> float:
    """What the best point falls less than supposed, from how far it was off in free steps of little light,
    least squares drawn to none; a panel's resistance and its cells' softness are only supposed."""
    bound_V = DIM_MOST * supply.panel_voc_V * supply.panels_in_series
    both = square = 0.0
    for day, volts_of, off_V in zip(days, taken, best, strict=True):
        if off_V is None:
            continue
        for step, clear, volts in zip(day.steps, day.clear, volts_of, strict=True):
            if step.array_voltage_V is None or volts is None or not _free(step, clear, supply):
                continue
            dimmer = -math.log(max(LEAST_LIGHT, _light_taken(step, clear)))
            both += dimmer * (step.array_voltage_V - volts[0] - off_V)
            square += dimmer**2
    return max(-bound_V, min(bound_V, both / (square + DIM_DRAWN)))


def _near(offs: Sequence[float | None], days: Sequence[Day], at: int) -> float | None:
    if offs[at] is not None:
        return offs[at]
    near = [
        off
        for off, day in zip(offs, days, strict=True)
        if off is not None and abs((day.day - days[at].day).days) <= NEAR_DAYS
    ]
    return median(near) if near else None


def _height(step: Step, clear: Clear, volts: Volts, supply: Supply, offs: Offs) -> float | None:
    if step.array_voltage_V is None or volts is None:
        return None
    higher_V = offs.best_V - offs.dim_V * math.log(max(LEAST_LIGHT, _light_taken(step, clear)))
    from_V, to_V = volts[0] + higher_V, volts[1] + offs.open_V
    return (step.array_voltage_V - from_V) / max(least_span_V(supply), to_V - from_V)


def least_span_V(supply: Supply) -> float:
    """Open circuit and best point are no nearer than this."""
    return LEAST_SPAN * supply.panel_voc_V * supply.panels_in_series
