"""The days' steps as columns, and what all findings ask of them: light, free steps, smooth stretches.

The clear-sky index of a step is what the array gave over what a clear sky would have let pass (`Seen.index`).
A clear sky makes it smooth, near the array's own level; clouds make it jump or keep it low.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from monitor.quantities import Stage
from monitor.sun.day import Day, Seen

if TYPE_CHECKING:
    from monitor.sun.expected import Supply

Column = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

LEAST_ELEVATION_DEG = 8.0
"""Lower light tells of haze, horizon and glass more than of the array (our choice)."""

LEAST_LIGHT = 0.12
"""Steps are judged where a clear sky would give this share of the rated power (our choice)."""

SMOOTH_S, SMOOTH_SPREAD = 600, 0.06
"""A step is smooth if the index within ten minutes around it spreads by at most 6 % of itself; under passing
clouds it changes by tens of percent in that time (our choice)."""

LEAST_RUN_S = 2700
"""Smooth stretches of 45 minutes count: a layer of cloud seldom stays even for longer (our choice)."""

CLIP_SHARE = 0.94
"""From this share of its rated current a controller is taken to hold the array back by its rating."""

NAMES = (
    "power_W",
    "array_voltage_V",
    "array_current_A",
    "battery_voltage_V",
    "charge_current_A",
    "battery_current_A",
    "battery_temperature_C",
    "controller_temperature_C",
)


@dataclass(frozen=True)
class Record:
    """Days as columns, one element a step, days one after another; nan where nothing was read.

    day is each step's day by number, read tells which steps have readings for half of their width at least.
    blind marks steps that an earlier finding explains: they speak neither for nor against the array.
    """

    supply: Supply
    step_s: int
    days: tuple[Day, ...]
    day: npt.NDArray[np.int64]
    time_ms: npt.NDArray[np.int64]
    elevation_deg: Column
    azimuth_deg: Column
    clear_W: Column
    passed_W: Column
    module_C: Column
    index: Column
    held: Mask
    read: Mask
    stage: Column
    read_values: dict[str, Column]
    blind: Mask = field(repr=False)

    def __getitem__(self, name: str) -> Column:
        return self.read_values[name]

    @property
    def count(self) -> int:
        """Number of days."""
        return len(self.days)

    @property
    def end_ms(self) -> int:
        """End of the last step that has readings."""
        read = np.flatnonzero(self.read)
        return int(self.time_ms[read[-1]]) + 1000 * self.step_s if len(read) else self.days[-1].end_ms

    @property
    def rated_W(self) -> float:
        """The array's rated power."""
        return self.supply.power_W

    @cached_property
    def bright(self) -> Mask:
        """Steps in which a clear sky would give enough to judge by."""
        return (self.elevation_deg > LEAST_ELEVATION_DEG) & (self.passed_W > LEAST_LIGHT * self.rated_W)

    @cached_property
    def free(self) -> Mask:
        """Bright steps that show what the array could give: not held back by bank or rating, not
        explained."""
        rating_A = self.supply.rating_A or np.inf
        limit_W = CLIP_SHARE * rating_A * np.nan_to_num(self["battery_voltage_V"], nan=self.supply.charging_V)
        clipped = (self["charge_current_A"] > CLIP_SHARE * rating_A) | (self.passed_W > limit_W)
        return self.bright & ~self.held & ~clipped & ~self.blind & np.isfinite(self.index)

    @cached_property
    def smooth(self) -> Mask:
        """Free steps in a smooth stretch of 45 minutes or more."""
        return self.smooth_in(np.where(self.free, self.index, np.nan))

    def smooth_in(self, value: Column) -> Mask:
        """Steps in smooth stretches of a value; nan belongs to none."""
        reach = max(1, round(SMOOTH_S / self.step_s))
        around = np.stack([_moved(value, self.day, by) for by in range(-reach, reach + 1)])
        known = np.isfinite(around).sum(axis=0) >= reach + 1
        low = np.where(np.isfinite(around), around, np.inf).min(axis=0)
        high = np.where(np.isfinite(around), around, -np.inf).max(axis=0)
        calm = np.isfinite(value) & known & (high - low <= SMOOTH_SPREAD * value) & (value > 0.05)
        return _long_runs(calm, self.day, max(2, round(LEAST_RUN_S / self.step_s)))

    def of_day(self, number: int) -> slice:
        """The steps of a day by its number."""
        low, high = np.searchsorted(self.day, [number, number + 1])
        return slice(int(low), int(high))

    def explained(self, mask: Mask) -> Record:
        """The same record with more steps explained."""
        return replace(self, blind=self.blind | mask)

    def between(self, start_ms: int, end_ms: int | None) -> Mask:
        """Steps from start to end (None: to the last)."""
        inside = self.time_ms >= start_ms
        return inside if end_ms is None else inside & (self.time_ms < end_ms)


def record_of(days: Sequence[Day], seen: Sequence[Sequence[Seen]], supply: Supply) -> Record:
    """The columns of days in order; days whose steps are not as wide as most days' are left out.

    Raises ValueError without days.
    """
    if not days:
        raise ValueError("no days to look at")
    read = [day.step_s for day in days if any(step.covered > 0 for step in day.steps)]
    step_s = Counter(read or [days[0].step_s]).most_common(1)[0][0]
    seen = [of_day for day, of_day in zip(days, seen, strict=True) if day.step_s == step_s]
    days = [day for day in days if day.step_s == step_s]
    clear = [c for day in days for c in day.clear]
    steps = [s for day in days for s in day.steps]
    shown = [s for of_day in seen for s in of_day]
    values = {name: _column([getattr(step, name) for step in steps]) for name in NAMES}
    return Record(
        supply=supply,
        step_s=step_s,
        days=tuple(days),
        day=np.repeat(np.arange(len(days)), [len(day.steps) for day in days]),
        time_ms=np.array([step.start_ms for step in steps], dtype=np.int64),
        elevation_deg=_column([c.elevation_deg for c in clear]),
        azimuth_deg=_column([c.azimuth_deg for c in clear]),
        clear_W=_column([c.power_W for c in clear]),
        passed_W=_column([c.passed_W for c in clear]),
        module_C=_column([c.module_C for c in clear]),
        index=_column([s.index for s in shown]),
        held=np.array([s.held_back for s in shown], dtype=bool),
        read=np.array([step.covered >= 0.5 for step in steps], dtype=bool),
        stage=_column([None if step.stage is None else float(Stage(step.stage)) for step in steps]),
        read_values=values,
        blind=np.zeros(len(steps), dtype=bool),
    )


def runs(mask: Mask, group: npt.NDArray[Any]) -> list[tuple[int, int]]:
    """First and past-the-last position of each stretch of True within one group."""
    if not len(mask):
        return []
    new = np.ones(len(mask), dtype=bool)
    new[1:] = (mask[1:] != mask[:-1]) | (group[1:] != group[:-1])
    starts = np.flatnonzero(new)
    ends = np.append(starts[1:], len(mask))
    return [(int(a), int(b)) for a, b in zip(starts, ends, strict=True) if mask[a]]


def _long_runs(mask: Mask, group: npt.NDArray[Any], least: int) -> Mask:
    kept = np.zeros(len(mask), dtype=bool)
    for start, end in runs(mask, group):
        if end - start >= least:
            kept[start:end] = True
    return kept


def _moved(value: Column, group: npt.NDArray[Any], by: int) -> Column:
    """The values so many steps later, nan across groups."""
    moved = np.full(len(value), np.nan)
    if by == 0:
        return value.copy()
    to, of = (slice(None, -by), slice(by, None)) if by > 0 else (slice(-by, None), slice(None, by))
    same = group[to] == group[of]
    moved[to] = np.where(same, value[of], np.nan)
    return moved


def _column(values: Sequence[float | None]) -> Column:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)
