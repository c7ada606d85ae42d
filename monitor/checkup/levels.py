"""What a meter shows in a phase, and how far it moved from one phase to another, with its own uncertainty.
Pure.

A steady value is rounded the same way each time, so that a mean over many samples is no better than one
step; a difference of two means of one meter is free of its offset, and off by at most one step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import fmean, median, pstdev

from monitor.checkup.recording import Phase, Recording
from monitor.site.model import Meters

LEAST_SAMPLES = 3
"""Fewer samples of a phase tell nothing (our choice: one is noise, two cannot say which)."""

ODD_STEPS, ODD_TIMES = 4, 6
"""A sample is odd and left out that lies further from the median than so many steps and so many times the
median distance (our choice: 6 of these are 4 standard deviations of a normal spread; a spike lies far
beyond)."""

UNKNOWN_STEP = 0.0


@dataclass(frozen=True, slots=True)
class Level:
    """A mean in the quantity's unit, its standard deviation, what the meter rounds to, and how far the
    values lie apart."""

    mean: float
    sd: float
    step: float
    count: int
    spread: float = 0.0


@dataclass(frozen=True, slots=True)
class Move:
    """How far a meter moved from one phase to another."""

    by: float
    sd: float
    step: float

    def beyond(self, least: float) -> bool:
        """Whether it surely moved by more than nothing: more than least, three deviations and 1.5 steps (our
        choice: rounding alone can make one step)."""
        return abs(self.by) > max(least, 3 * self.sd, 1.5 * self.step)


def level(recording: Recording, phase: str | Phase, device: str, quantity: str) -> Level | None:
    """What a device showed of a quantity in a phase; None with fewer than LEAST_SAMPLES good values."""
    found = (sample.values.get(quantity) for sample in recording.within(phase, device))
    values = sorted(value for value in found if value is not None)
    return _level(values, step_of(recording.site.meters, quantity))


def move(recording: Recording, before: str, after: str, device: str, quantity: str) -> Move | None:
    """How far a quantity of a device moved between two phases; None where either is unknown."""
    first, second = level(recording, before, device, quantity), level(recording, after, device, quantity)
    return None if first is None or second is None else moved(first, second)


def moved(first: Level, second: Level) -> Move:
    """The move from one level to another of the same meter."""
    return Move(second.mean - first.mean, sqrt(first.sd**2 + second.sd**2), first.step)


def step_of(meters: Meters, quantity: str) -> float:
    """What the site's meters round a quantity to."""
    unit = quantity.rpartition("_")[2]
    return {
        "V": meters.voltage_step_V,
        "A": meters.current_step_A,
        "C": meters.temperature_step_C,
    }.get(unit, UNKNOWN_STEP)


def _level(values: Sequence[float], step: float) -> Level | None:
    count = len(values)
    if count < LEAST_SAMPLES:
        return None
    middle = median(values)
    apart = median(abs(value - middle) for value in values)
    reach = max(ODD_STEPS * step, ODD_TIMES * apart)
    kept = [value for value in values if abs(value - middle) <= reach] or [middle]
    rounding = step**2 / 12
    return Level(
        fmean(kept), sqrt(pstdev(kept) ** 2 / len(kept) + rounding), step, count, max(kept) - min(kept)
    )
