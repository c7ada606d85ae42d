"""Between which snapshots no day began: only when a day begins does a record of its highest fall, or one of
its lowest rise.

Where the display shows the energy of the day, that tells it: it never falls within one. Else only the time
between two looks does, since nobody knows how far the device's clock is from UTC.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

from monitor.match.seen import Look
from monitor.records import HOUR_MS

SURE_H = 16
"""So long at most a day's energy that is no lower than before is that of the same day (our choice: a new day
whose first light comes after a night has far less)."""

USUAL_H = 9
"""Looks no further apart lie in one day (our choice: a person's day of work, and no night's rest)."""


def no_day_began(times_ms: Sequence[int] | None, looks: Sequence[Look]) -> tuple[bool, ...] | None:
    """For each two snapshots one behind the other if they lie in one day; None where no times are known."""
    if times_ms is None:
        return None
    energy = {
        look.index: told.value for look in looks if (told := look.shown.get("energy_today_Wh")) is not None
    }
    return tuple(
        _in_one(after - before, energy, number) for number, (before, after) in enumerate(pairwise(times_ms))
    )


def _in_one(gap_ms: int, energy: Mapping[int, float], number: int) -> bool:
    before, after = energy.get(number), energy.get(number + 1)
    if before is not None and after is not None:
        if after < before:
            return False
        if before > 0:
            return gap_ms <= SURE_H * HOUR_MS
    return gap_ms <= USUAL_H * HOUR_MS
