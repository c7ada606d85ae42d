"""What a clear sky gives the array in each month, from one day that stands for it; kept as one small note.

Neither a plan nor a winter needs every day's table. Nothing here imports pvlib, pandas or numpy.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date

from monitor.sun.day import Clear
from monitor.sun.expected import NOTE_PREFIX, Notes, Supply, clear_days
from monitor.sun.helper import COMMAND

MONTHS_NOTE = f"{NOTE_PREFIX}months"
"""Key of the store's note."""

MEAN_DAYS = (17, 16, 16, 15, 15, 11, 17, 16, 15, 15, 14, 10)
"""The day of each month whose sun stands for the month's mean (Klein 1977, from memory)."""


@dataclass(frozen=True, slots=True)
class ClearMonth:
    """A clear day of a month (1..12): the light on the array's plane in peak sun hours (kWh/m²), and what the
    controller can pass on of it by the array's rating [Wh, at the array]."""

    month: int
    sun_h: float
    passed_Wh: float


def mean_days() -> tuple[date, ...]:
    """The twelve days that stand for their months; the sun's course is the same each year (to a minute)."""
    return tuple(date(2025, month, day) for month, day in enumerate(MEAN_DAYS, 1))


def months_of(tables: Mapping[date, Sequence[Clear]]) -> tuple[ClearMonth, ...]:
    """The months from the tables of their mean days. Raises KeyError where one is missing."""
    return tuple(_month(day.month, tables[day]) for day in mean_days())


def _month(month: int, steps: Sequence[Clear]) -> ClearMonth:
    """A month from its day; means over the day, so that the one whose clocks change counts as others do."""
    light_W_m2 = sum(step.beam_W_m2 + step.diffuse_W_m2 for step in steps) / len(steps)
    passed_W = sum(step.passed_W for step in steps) / len(steps)
    return ClearMonth(month, 24 * light_W_m2 / 1000, 24 * passed_W)


def clear_months(
    supply: Supply, notes: Notes | None = None, command: Sequence[str] = COMMAND
) -> tuple[ClearMonth, ...]:
    """The twelve months, from the note of a store where it fits, else by one run of the almanac's process.
    Raises SunError where that fails."""
    found = None if notes is None else noted_months(supply, notes)
    return found or months_of(clear_days(supply, mean_days(), command=command))


def months_note(supply: Supply, months: Sequence[ClearMonth]) -> str:
    """The text of the note."""
    return json.dumps({"supply": supply.key, "months": [asdict(month) for month in months]})


def noted_months(supply: Supply, notes: Notes) -> tuple[ClearMonth, ...] | None:
    """The months from their note; None where there is none, it is of another supply or damaged."""
    try:
        kept = json.loads(notes.note(MONTHS_NOTE) or "null")
        months = tuple(
            ClearMonth(int(each["month"]), float(each["sun_h"]), float(each["passed_Wh"]))
            for each in kept["months"]
        )
        fits = kept["supply"] == supply.key and [each.month for each in months] == [*range(1, 13)]
    except (ValueError, KeyError, TypeError):
        return None
    return months if fits else None
