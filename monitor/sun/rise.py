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
from dataclasses import dataclass, replace
from statistics import fmean, median

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

DIM_SHARE, LEAST_LIGHT = 0.045, 0.01
"""Voltages fall with the logarithm of light by this share of open circuit: about n k T / q of a cell over its
0.62 V (from memory), down to a hundredth of full light."""

MOST_WARMER_C = 15.0
"""No further is the bank's temperature believed to speak for the air's (our choice)."""

LOW_SHARE = 0.95
"""A bank below this share of its absorption voltage takes all: 13.7 of 14.4 V (our choice)."""

LEAST_SPAN = 0.08
"""Open circuit and best point are no nearer than this share of the former (crystalline silicon has 0.16 to
0.22; our choice)."""

LEAST_STEPS = 5
"""So few free steps tell no voltage of the best point (our choice)."""

BRIGHTEST_S = 3600
"""The hour of most light tells it: it is nearest to the hours in which a bank holds back, and how voltages
go with light and heat differs from panel to panel (our choice)."""

NEAR_DAYS = 7
"""Days around that tell it where a day has too few free steps (our choice)."""

LEAST_INDEX = 0.15
"""In less light the best point itself moves (our choice)."""

RISE_SD = 0.2
"""How well the height is known before its form is fitted: the panel's temperature and its open voltage are
only supposed (our choice; 0.8 V of 4 V)."""

LITTLE, LOW_SEEN = 0.3, 0.3
"""Where a floating bank takes less than the first share of a clear sky's power, the height tells nothing
before its form was seen at less than the second: an array may stand open at half the supposed height (our
choice)."""

SHARE_SD = 0.03
"""What the form of the knee leaves uncertain even at a well-known height (our choice)."""

NOISE_SD, NOISE_SHARE = 0.015, 0.03
"""How far single heights and powers of a day are off for themselves: 0.06 V of 4 V, as coarse meters round
(our choice)."""

FITTED_SD, TO_SD = 0.06, 1.48
"""How well heights are known once their form is fitted (our choice), and a normal distribution's deviation
over its median size."""

SHAPES = (0.0, 1.0, 2.0, 3.0, 4.0)
"""Values of c that are tried."""

SHAPE_USUAL = {"mppt": 3.0, "pwm": 0.0}
"""Before anything is learnt."""

STRETCHES = tuple(0.05 * step for step in range(6, 25))
"""Where share really is 0, in heights: open voltages are as little known as temperatures."""

USUAL_STRETCH = 0.95
"""Before anything is learnt: panels are rather hotter than supposed when a bank gets full (our choice)."""

LEAST_PAIRS, MOST_PAIRS = 12, 400
"""So many steps shortly before or after free ones must agree on a form; more are thinned (our choice)."""


@dataclass(frozen=True, slots=True)
class Rise:
    """The voltage's heights of a history: height[day][step] in 0..1 and beyond, None where unknown.

    heights suppose a clear sky's light; if_free a light that gives just what was taken: where it does, and
    the array is free, they are about 0 under any sky.
    """

    heights: tuple[tuple[float | None, ...], ...]
    if_free: tuple[tuple[float | None, ...], ...]
    shape: float
    stretch: float = USUAL_STRETCH
    sd: float = RISE_SD
    share_sd: float = SHARE_SD
    low_seen: bool = False

    def share(self, height: float) -> float:
        """The share that the array gives at a height, 0..1."""
        return share_at(height / self.stretch, self.shape)

    def shown(self, gave: float, height: float, *, floating: bool) -> Shown | None:
        """The index that a step could have given, by the one that it gave and its height; None where nothing
        was taken. gave = share(height) index."""
        share = self.share(height)
        if gave <= 0.0 or share <= 0.0:
            return None
        if floating and gave < LITTLE and not self.low_seen:
            return None

        def relative(sd: float) -> float:
            return 0.5 * (self.share(height - sd) - self.share(height + sd)) / share

        common_sd = math.hypot(self.share_sd / share, relative(self.sd))
        return Shown(gave / share, share, common_sd, math.hypot(NOISE_SHARE, relative(NOISE_SD)))


@dataclass(frozen=True, slots=True)
class Shown:
    """What a held step's voltage shows: the index that it could have given and the share that was taken.

    common_sd is the relative deviation that all steps of a day share, noise_sd that of each for itself.
    """

    index: float
    share: float
    common_sd: float
    noise_sd: float


def share_at(height: float, shape: float) -> float:
    """The share at a height for one c."""
    within = min(1.0, max(0.0, height))
    if shape == 0.0:
        return 1.0 - within
    return 1.0 - math.expm1(shape * within) / math.expm1(shape)


def rises(days: Sequence[Day], supply: Supply) -> Rise:
    """The heights of all steps in which an array voltage was read in daylight."""
    switched = supply.controller == "pwm"
    clear = [_supposed(day, supply, switched, as_taken=False) for day in days]
    taken = [_supposed(day, supply, switched, as_taken=True) for day in days]
    best = [_off_V(day, supply, volts, _free, 0) for day, volts in zip(days, taken, strict=True)]
    opened = [_off_V(day, supply, volts, _idle, 1) for day, volts in zip(days, clear, strict=True)]
    heights, if_free = [], []
    for at, day in enumerate(days):
        best_off_V = _near(best, days, at)
        open_off_V = _near(opened, days, at)
        if open_off_V is None and not switched:
            open_off_V = (
                best_off_V  # what makes the one higher than supposed, cold panels say, does so with both
            )
        offs_V = (best_off_V or 0.0, open_off_V or 0.0)
        heights.append(_heights(day, clear[at], supply, offs_V))
        if_free.append(_heights(day, taken[at], supply, offs_V))
    return Rise(tuple(heights), tuple(if_free), SHAPE_USUAL["pwm" if switched else "mppt"])


def _heights(
    day: Day, supposed: Sequence[Volts], supply: Supply, offs_V: tuple[float, float]
) -> tuple[float | None, ...]:
    return tuple(
        _height(step, volts, supply, *offs_V) for step, volts in zip(day.steps, supposed, strict=True)
    )


Volts = tuple[float, float] | None
"""Supposed voltages of the best point and of the open array; None in the dark or without the bank's."""


def _supposed(day: Day, supply: Supply, switched: bool, *, as_taken: bool) -> tuple[Volts, ...]:
    """As rated, at the panel's supposed temperature and light; a switched array works at the bank's.

    The light is a clear sky's, or as_taken such that it gives just what was taken.
    """
    warmer_C = _warmer_C(day)
    found: list[Volts] = []
    for step, clear in zip(day.steps, day.clear, strict=True):
        if clear.passed_W < BRIGHT * supply.power_W:
            found.append(None)
            continue
        gives = min(1.0, max(0.0, step.power_W or 0.0) / clear.passed_W) if as_taken else 1.0
        cooling_C = COLDER_PER_W_M2 * (1 - gives) * (clear.beam_W_m2 + clear.diffuse_W_m2)
        hot_C = clear.module_C + warmer_C - cooling_C - 25
        light = max(LEAST_LIGHT, gives * (clear.beam_W_m2 + clear.diffuse_W_m2) / 1000)
        shift = supply.voc_temperature_coefficient_per_C * hot_C + DIM_SHARE * math.log(light)
        open_V = supply.panels_in_series * supply.panel_voc_V * (1 + shift)
        if not switched:
            span_V = supply.panels_in_series * (supply.panel_voc_V - supply.panel_vmp_V)
            found.append((open_V - span_V, open_V))
        else:
            found.append(None if step.battery_voltage_V is None else (step.battery_voltage_V, open_V))
    return tuple(found)


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
        (clear.passed_W, step.array_voltage_V - volts[which])
        for step, clear, volts in zip(day.steps, day.clear, supposed, strict=True)
        if step.array_voltage_V is not None and volts is not None and shows(step, clear, supply)
    ]
    if len(offs) < LEAST_STEPS:
        return None
    brightest = sorted(offs, reverse=True)[: max(LEAST_STEPS, BRIGHTEST_S // day.step_s)]
    return median(off_V for _, off_V in brightest)


def _near(offs: Sequence[float | None], days: Sequence[Day], at: int) -> float | None:
    if offs[at] is not None:
        return offs[at]
    near = [
        off
        for off, day in zip(offs, days, strict=True)
        if off is not None and abs((day.day - days[at].day).days) <= NEAR_DAYS
    ]
    return median(near) if near else None


def _height(step: Step, volts: Volts, supply: Supply, best_off_V: float, open_off_V: float) -> float | None:
    if step.array_voltage_V is None or volts is None:
        return None
    from_V, to_V = volts[0] + best_off_V, volts[1] + open_off_V
    least_V = LEAST_SPAN * supply.panel_voc_V * supply.panels_in_series
    return (step.array_voltage_V - from_V) / max(least_V, to_V - from_V)


def fitted(rise: Rise, pairs: Sequence[tuple[float, float]]) -> Rise:
    """The rise with the form and the stretch of height that make shares of heights as they were seen.

    pairs: height and share. With few of them it stays as it is.
    """
    if len(pairs) < LEAST_PAIRS:
        return rise
    some = pairs[:: 1 + len(pairs) // MOST_PAIRS]

    def wrong(form: tuple[float, float]) -> float:
        shape, stretch = form
        return sum(min(0.3, abs(share_at(height / stretch, shape) - share)) for height, share in some)

    shape, stretch = min(((shape, stretch) for shape in SHAPES for stretch in STRETCHES), key=wrong)
    wrong_by = sorted(abs(share_at(height / stretch, shape) - share) for height, share in some)
    share_sd = max(SHARE_SD, TO_SD * wrong_by[len(wrong_by) // 2])
    low_seen = sorted(share for _, share in some)[len(some) // 10] < LOW_SEEN
    return replace(rise, shape=shape, stretch=stretch, sd=FITTED_SD, share_sd=share_sd, low_seen=low_seen)
