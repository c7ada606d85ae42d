"""When to stop a capacity test: half of the charge taken, a voltage that is down at a safe one or falls too
fast, or two days over. Pure.

The voltage under load tells nothing by itself: it falls with the current and with the cold. So the safe one
is what Copetti's model gives for a lead-acid cell that still holds LEFT_AT_STOP at the present current and
temperature. A sound bank has given its half long before; a weak one is stopped by it. Not each weak bank's
voltage is that low in time; but it falls faster, since the same ampere hours are more of what it holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from statistics import median

from monitor.care.capacity import END_CELL_V, SHALLOWEST
from monitor.site.chemistry import capacity_at_20_h
from monitor.site.model import Chemistry

TAKE = 0.5
"""The share of the capacity that a gentle test takes (maker's manual, read: no more than half as a
habit; for less than 0.3 the rest voltage tells no capacity, `capacity.SHALLOWEST`)."""

LEFT_AT_STOP = 0.3
"""The charge that is left at the safe voltage (our choice: between the half that a sound bank still has and
the 20 % below which a maker's guide, read, never goes)."""

USUAL_C = 20.0
"""The temperature taken where none is measured (our choice: a room)."""

LONGEST_H = 48.0
"""A longer discharge is stopped (our choice: with its rest it must lie in the days that are gone through)."""

FALL_V = 0.30
"""A cell that falls by so much for the whole capacity is a weak bank's: a sound one's rest voltage falls by
0.17 to 0.24 V at half charge (both makers' tables of `bank/tables.py`), one of half the capacity twice
as fast."""

FALL_OVER = 0.1
"""The fall is judged over the last tenth of the capacity (our choice: past a load's first hour, which a bank
answers with a fall of its own, and long against the meter's step)."""

LIKE, LEAST_PAIRS = 0.1, 6
"""Currents are alike that differ by no more than a tenth, and fewer pairs of steps of five minutes tell no
slope (our choice: four steps of one load)."""

AHEAD_STEPS = 6
"""The last half hour tells how fast the voltage comes down (our choice)."""


@dataclass(frozen=True, slots=True)
class Step:
    """Five minutes of a discharge: when they end, in hours, the share of the capacity that was taken until
    then, and means of the current and of a cell's voltage."""

    time_h: float
    taken: float
    out_A: float
    cell_V: float


@dataclass(frozen=True, slots=True)
class Course:
    """How a discharge goes on: how far a cell is above its safe voltage, in how many hours it is down there
    (None: it does not fall), and how far it falls for a whole capacity (None: not told yet)."""

    margin_V: float
    safe_in_h: float | None
    fall_V: float | None

    @property
    def falls_too_fast(self) -> bool:
        return self.fall_V is not None and self.fall_V >= FALL_V


def copetti_cell_V(charge: float, rate_C10: float, current_A: float, temperature_C: float) -> float:
    """Voltage of a lead-acid cell under load, by its charge (above 0, to 1).

    rate_C10 is the current over the 10-hour capacity. Source: Copetti, Lorenzo, Chenlo 1993, Prog.
    Photovolt. 1(4), 283-292, discharge (secondary source: two independent codes agree).
    """
    rest_V = 2.085 - 0.12 * (1 - charge)
    drop_V = 4 / (1 + current_A**1.3) + 0.27 / charge**1.5 + 0.02
    return float(rest_V - rate_C10 * drop_V * (1 - 0.007 * (temperature_C - 25)))


def safe_cell_V(
    chemistry: Chemistry, capacity_Ah: float, current_A: float, temperature_C: float | None
) -> float:
    """The voltage of a cell at which a test of a lead-acid bank ends, at this current; never below the rated
    end. capacity_Ah is at the 20-hour rate; temperature_C None takes USUAL_C."""
    at_10_h = capacity_at_20_h(chemistry, 1.0, 10.0) or 1.0
    rate_C10 = current_A * at_10_h / capacity_Ah
    warmth_C = USUAL_C if temperature_C is None else temperature_C
    return max(END_CELL_V, copetti_cell_V(LEFT_AT_STOP, rate_C10, max(0.0, current_A), warmth_C))


def course_of(
    chemistry: Chemistry, capacity_Ah: float, temperature_C: float | None, steps: Sequence[Step]
) -> Course | None:
    """How a discharge goes on, from its steps under load in order; None without any.

    What is followed is how far each step lies above the safe voltage at its own current, so that a lamp more
    is no fall.
    """
    if not steps:
        return None
    above = [
        (step, step.cell_V - safe_cell_V(chemistry, capacity_Ah, step.out_A, temperature_C)) for step in steps
    ]
    margin_V = above[-1][1]
    hourly_V = _slope([(step.time_h, step.out_A, volts) for step, volts in above[-AHEAD_STEPS:]])
    last, slope = steps[-1].taken, None
    if last >= SHALLOWEST:
        slope = _slope(
            [(step.taken, step.out_A, volts) for step, volts in above if step.taken >= last - FALL_OVER]
        )
    return Course(
        margin_V,
        -margin_V / hourly_V if hourly_V is not None and hourly_V < 0 else None,
        None if slope is None else -slope,
    )


def _slope(points: Sequence[tuple[float, float, float]]) -> float | None:
    """How volts go with the first of (time or share, current, volts): the median of the slopes between all
    pairs (Theil 1950, Sen 1968) of nearly the same current, so that neither a pump's start nor a lamp more
    turns it."""
    slopes = [
        (b[2] - a[2]) / (b[0] - a[0])
        for a, b in combinations(points, 2)
        if b[0] > a[0] and abs(b[1] - a[1]) <= LIKE * max(a[1], b[1])
    ]
    return median(slopes) if len(slopes) >= LEAST_PAIRS else None
