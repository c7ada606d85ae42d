"""The knee of an array's curve: at which height (`rise.py`) it gives which share of what it could. Pure.

    share(r) = 1 - (exp(c r) - 1) / (exp(c) - 1)

the exponential knee of a one-diode curve with c = (Voc - Vmp) over the diode's voltage (textbook; with rated
values of crystalline panels c is about 3), a straight line for c = 0, as the mean voltage of an array that is
switched on and off has it. Which c fits, and at which height nothing is taken, is learnt: by the form under
which the days on which the bank held the array back agree best with any sky.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.sun.day import Day
from monitor.sun.drawn import Floats, Signs, evidence
from monitor.sun.expected import Supply

SHAPES = {"mppt": (1.6, 2.2, 2.8, 3.4), "pwm": (0.0,)}
STRETCHES = (0.75, 0.85, 0.95, 1.05, 1.15)
"""Values of c that are tried, and of the height at which share really is 0: open voltages are as little known
as temperatures."""

SHAPE_USUAL, SHAPE_SD = {"mppt": 2.8, "pwm": 0.0}, 0.6
STRETCH_USUAL, STRETCH_SD = 0.95, 0.1
"""Before anything is learnt (our choice: panels are rather hotter than supposed when a bank gets full)."""

WORTH = 0.2
"""What of a day's evidence counts for a form: its steps share the model's errors (our choice)."""

FITS, LEAST_HELD_S = 6, 7200
"""So many days, spread over the history, with so long held back under a read voltage tell it (our choice)."""


@dataclass(frozen=True, slots=True)
class Form:
    """The knee: c of the formula above, and the height at which nothing is taken."""

    shape: float
    stretch: float = STRETCH_USUAL

    def height(self, share: Floats) -> Floats:
        """The heights at which such shares are given: the formula solved for r."""
        if self.shape == 0.0:
            return self.stretch * (1 - share)
        return np.asarray(self.stretch * np.log1p((1 - share) * math.expm1(self.shape)) / self.shape)


def forms(supply: Supply) -> list[tuple[Form, float]]:
    """The forms that an array's knee may have, each with the log of its weight before anything is seen."""
    kind = supply.controller or "mppt"
    return [
        (
            Form(shape, stretch),
            -0.5 * ((shape - SHAPE_USUAL[kind]) / SHAPE_SD) ** 2
            - 0.5 * ((stretch - STRETCH_USUAL) / STRETCH_SD) ** 2,
        )
        for shape in SHAPES[kind]
        for stretch in STRETCHES
    ]


def form_of(
    days: Sequence[Day],
    supply: Supply,
    held: Sequence[Sequence[bool]],
    signs_at: Callable[[int, Form], Signs | None],
) -> Form:
    """The likeliest form; the usual one where no day shows it. signs_at gives the signs of a day, by its
    place in days, under a form."""
    telling = [at for at, (day, of_day) in enumerate(zip(days, held, strict=True)) if _tells(day, of_day)]
    some = telling[:: max(1, len(telling) // FITS)]
    if not some:
        return Form(SHAPE_USUAL[supply.controller or "mppt"])

    def weight(known: tuple[Form, float]) -> float:
        form, before = known
        signs = [(signs_at(at, form), days[at].step_s) for at in some]
        return before + WORTH * sum(evidence(each, step_s) for each, step_s in signs if each is not None)

    return max(forms(supply), key=weight)[0]


def _tells(day: Day, held: Sequence[bool]) -> bool:
    """Whether the array's voltage was read for long while the bank held it back."""
    seen = [
        step.array_voltage_V is not None and is_held for step, is_held in zip(day.steps, held, strict=True)
    ]
    return sum(seen) * day.step_s >= LEAST_HELD_S
