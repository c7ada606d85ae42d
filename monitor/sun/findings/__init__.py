"""What is wrong with the array, from the readings alone: one module a kind or family.

`find_all` runs them in this order, since what one explains must not be told again by another:

    clock     the sun's clock, and the site's place
    sensors   readings that cannot be true
    dead      an open array, and snow
    heat      a controller that holds back
    losses    lost panels and diodes
    shade     what stands in the light
    soiling   dirt

What they share:

    finding   one thing wrong, with its evidence and what to look at first
    record    the days as columns
    levels    what the array reaches under a clear sky
    spans     when something was so

Every kind prefers silence to a wrong word: what clouds, seasons or a site file that is a little wrong could
do is not told. Needs numpy; the daemon does not import it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from monitor.sun.day import Day, Seen
from monitor.sun.findings import clock, dead, heat, losses, sensors, shade, soiling
from monitor.sun.findings.finding import Finding, Kind
from monitor.sun.findings.levels import levels_of
from monitor.sun.findings.record import record_of

if TYPE_CHECKING:
    from monitor.sun.expected import Supply

__all__ = ["Finding", "Kind", "Looked", "find_all", "looked_at"]


@dataclass(frozen=True, slots=True)
class Looked:
    """What the findings rest on: days with readings, and hours of smooth sky in which the array was free."""

    days: int
    clear_h: float


def find_all(days: Sequence[Day], seen: Sequence[Sequence[Seen]], supply: Supply) -> list[Finding]:
    """All findings in the days, in order of their start; empty where nothing is wrong or nothing can be told.

    days and seen belong together, in order of time (`taken.seen`).
    """
    if not days:
        return []
    record = record_of(days, seen, supply)
    found = clock.find(record)
    astray = found[:]
    by_sensor, mask = sensors.find(record)
    found += by_sensor
    record = record.explained(mask)
    by_dead, mask = dead.find(record)
    found += by_dead
    for finding in astray:
        mask |= record.between(finding.start_ms, finding.end_ms)
    record = record.explained(mask)
    by_heat, mask = heat.find(record, levels_of(record))
    found += by_heat
    record = record.explained(mask)
    lost = losses.find(record, levels_of(record))
    found += lost
    gone = [(finding.start_ms, finding.end_ms, finding.size) for finding in lost]
    levels = levels_of(record).corrected(record, gone)
    found += shade.find(record, levels)
    found += soiling.find(record, levels)
    return sorted(found, key=lambda finding: finding.start_ms)


def looked_at(days: Sequence[Day], seen: Sequence[Sequence[Seen]], supply: Supply) -> Looked:
    """How much there was to judge by."""
    if not days:
        return Looked(0, 0.0)
    record = record_of(days, seen, supply)
    read_days = len(np.unique(record.day[record.read]))
    return Looked(read_days, float(record.smooth.sum()) * record.step_s / 3600)
