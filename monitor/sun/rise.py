"""What the array's voltage tells of how far it is held back. Pure.

An array at its best point stands at its best voltage (or, behind a controller that only switches, at the
bank's). Held back it rises toward its open-circuit voltage, the higher the less is taken. `Rise.share` is the
share of what it could give that it gives at a height between the two, 0 the one and 1 the other:

    share(r) = 1 - (exp(c r) - 1) / (exp(c) - 1)

the exponential knee of a one-diode curve with c = (Voc - Vmp) over the diode's voltage (textbook; with rated
values of crystalline panels c is about 3), a straight line for c = 0, as the mean voltage of an array that is
switched on and off has it. Which c fits is learnt.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median

from monitor.quantities import Stage
from monitor.sun.day import Clear, Day, Step
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

LEAST_SPAN = 0.08
"""Open circuit and best point are no nearer than this share of the former (crystalline silicon has 0.16 to
0.22; our choice)."""

LEAST_STEPS = 5
"""So few free steps tell no voltage of the best point (our choice)."""

NEAR_DAYS = 7
"""Days around that tell it where a day has too few free steps (our choice)."""

LEAST_INDEX = 0.15
"""In less light the best point itself moves (our choice)."""

RISE_SD = 0.08
"""How well the height is known: the panel's temperature is only supposed (our choice; 0.3 V of 4 V)."""

SHARE_SD = 0.03
"""What the form of the knee leaves uncertain even at a well-known height (our choice)."""

SHAPES = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0)
"""Values of c that are tried."""

SHAPE_USUAL = {"mppt": 3.0, "pwm": 0.0}
"""Before anything is learnt."""

LEAST_PAIRS = 20
"""So many steps shortly before or after free ones must agree on a c (our choice)."""


@dataclass(frozen=True, slots=True)
class Rise:
    """The voltage's heights of a history: height[day][step] in 0..1 and beyond, None where unknown."""

    heights: tuple[tuple[float | None, ...], ...]
    shape: float
    sd: float = RISE_SD

    def share(self, height: float) -> float:
        """The share that the array gives at a height, 0..1."""
        return share_at(height, self.shape)

    def spread(self, height: float, index: float, gave: float) -> float:
        """The deviation of an index that follows from a height; gave is the index that was taken.

        share(height) = gave / index, so d index = index^2 / gave d share: nothing taken tells nothing.
        """
        if gave <= 0.0:
            return math.inf
        slope = share_at(height - self.sd, self.shape) - share_at(height + self.sd, self.shape)
        return index**2 / gave * math.hypot(SHARE_SD, 0.5 * slope)


def share_at(height: float, shape: float) -> float:
    """The share at a height for one c."""
    within = min(1.0, max(0.0, height))
    if shape == 0.0:
        return 1.0 - within
    return 1.0 - math.expm1(shape * within) / math.expm1(shape)


def rises(days: Sequence[Day], supply: Supply) -> Rise:
    """The heights of all steps in which an array voltage was read in daylight."""
    switched = supply.controller == "pwm"
    best = [_off_V(day, supply, switched, _free) for day in days]
    opened = [_off_V(day, supply, switched, _idle, opened=True) for day in days]
    heights = []
    for at, day in enumerate(days):
        best_off_V, open_off_V = _near(best, days, at), _near(opened, days, at)
        heights.append(
            tuple(
                None if best_off_V is None else _height(step, clear, supply, switched, best_off_V, open_off_V)
                for step, clear in zip(day.steps, day.clear, strict=True)
            )
        )
    return Rise(tuple(heights), SHAPE_USUAL["pwm" if switched else "mppt"])


def _best_V(step: Step, clear: Clear, supply: Supply, switched: bool) -> float | None:
    """The voltage of the best point as rated at the panel's supposed temperature, or the bank's."""
    if switched:
        return step.battery_voltage_V
    return supply.panels_in_series * (supply.panel_vmp_V + _warmer_V(step, clear, supply))


def _open_V(step: Step, clear: Clear, supply: Supply) -> float:
    """The open-circuit voltage as rated at the panel's supposed temperature."""
    return supply.panels_in_series * (supply.panel_voc_V + _warmer_V(step, clear, supply))


def _warmer_V(step: Step, clear: Clear, supply: Supply) -> float:
    slope_V = supply.voc_temperature_coefficient_per_C * supply.panel_voc_V
    return slope_V * (module_C(step, clear) - 25)


def module_C(step: Step, clear: Clear) -> float:
    """The panel's supposed temperature, colder than under a clear sky where the free array gives less."""
    gives = 1.0
    if step.stage in FREE_STAGES and step.power_W is not None and clear.passed_W > 0:
        gives = min(1.0, step.power_W / clear.passed_W)
    return clear.module_C - COLDER_PER_W_M2 * (1 - gives) * (clear.beam_W_m2 + clear.diffuse_W_m2)


def _free(step: Step, clear: Clear) -> bool:
    enough = step.power_W is not None and step.power_W > LEAST_INDEX * clear.passed_W
    return enough and step.stage in FREE_STAGES


def _idle(step: Step, clear: Clear) -> bool:
    """Whether nothing is taken from a lit array: its voltage is then the open one."""
    return step.power_W is not None and step.power_W <= IDLE * clear.passed_W and step.stage in HELD_STAGES


def _off_V(
    day: Day,
    supply: Supply,
    switched: bool,
    shows: Callable[[Step, Clear], bool],
    *,
    opened: bool = False,
) -> float | None:
    """How far from the supposed one the best point's or the open voltage was on a day; None where few steps
    show it."""
    offs = []
    for step, clear in zip(day.steps, day.clear, strict=True):
        if step.array_voltage_V is None or clear.passed_W <= BRIGHT * supply.power_W:
            continue
        supposed_V = _open_V(step, clear, supply) if opened else _best_V(step, clear, supply, switched)
        if supposed_V is not None and shows(step, clear):
            offs.append(step.array_voltage_V - supposed_V)
    return median(offs) if len(offs) >= LEAST_STEPS else None


def _near(offs: Sequence[float | None], days: Sequence[Day], at: int) -> float | None:
    if offs[at] is not None:
        return offs[at]
    near = [
        off
        for off, day in zip(offs, days, strict=True)
        if off is not None and abs((day.day - days[at].day).days) <= NEAR_DAYS
    ]
    return median(near) if near else None


def _height(
    step: Step, clear: Clear, supply: Supply, switched: bool, best_off_V: float, open_off_V: float | None
) -> float | None:
    best_V = _best_V(step, clear, supply, switched)
    if step.array_voltage_V is None or best_V is None or clear.passed_W <= 0:
        return None
    from_V = best_V + best_off_V
    # what makes the one higher than supposed, cold panels say, does so with the other
    shared_V = 0.0 if switched else best_off_V
    to_V = _open_V(step, clear, supply) + (shared_V if open_off_V is None else open_off_V)
    least_V = LEAST_SPAN * supply.panel_voc_V * supply.panels_in_series
    return (step.array_voltage_V - from_V) / max(least_V, to_V - from_V)


def shape_of(pairs: Sequence[tuple[float, float]], usual: float) -> float:
    """The c that makes shares of heights as they were seen: pairs of height and share.

    The usual one where there are few pairs.
    """
    if len(pairs) < LEAST_PAIRS:
        return usual
    return min(
        SHAPES,
        key=lambda shape: sum(min(0.3, abs(share_at(height, shape) - share)) for height, share in pairs),
    )
