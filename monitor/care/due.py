"""When an act of care is due: by the calendar, by use and by what was found, whichever comes first. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from monitor.care.gravity import UNEVEN, Gravities
from monitor.records import LogKind

EQUALIZE_CYCLES = 10.0
"""A maker asks for an equalization every 10 cycles ([TRJ], read at a dealer); counted here as full ones,
which is the longest that it can mean (our choice)."""

EQUALIZE_BELOW = 1.235
"""Or where a cell's gravity stays below this after a charge ([TRJ], read at a dealer)."""

WATER_AFTER_CAPACITIES = 1.0
"""Water is looked at after so much overcharge, in capacities of the bank (our choice: 0.34 ml for each Ah of
a cell, some 5 mm of level, of the 6 to 12 mm that are usual above the plates, from memory)."""

AFTER_DAYS: dict[str, tuple[float, str]] = {
    LogKind.EQUALIZATION: (180.0, "a maker's 60 to 180 days, from memory"),
    LogKind.WATER: (30.0, "monthly, from memory"),
    LogKind.HYDROMETER: (91.0, "every 3 months, from memory"),
    LogKind.TERMINALS: (182.0, "every 6 months, from memory"),
    LogKind.CLEANING: (91.0, "each season, from memory"),
}
"""The longest between two of a kind, and whose figure it is."""


@dataclass(frozen=True, slots=True)
class Use:
    """What has happened since an act was done last; None is unknown.

    days since then; watched_days of them have readings behind them, in which `cycles` full cycles and
    `overcharge` (in capacities) were counted.
    """

    days: float
    watched_days: float
    cycles: float | None = None
    overcharge: float | None = None


@dataclass(frozen=True, slots=True)
class Limit:
    """One reason for an act: days_left until it holds (0 or less: it holds), in words with its source."""

    days_left: float
    words: str


def limits(kind: str, use: Use) -> list[Limit]:
    """The reasons by calendar and use, soonest first."""
    most_days, source = AFTER_DAYS[kind]
    found = [Limit(most_days - use.days, f"{use.days:.0f} days since, {most_days:.0f} at most ({source})")]
    if kind == LogKind.EQUALIZATION and use.cycles is not None:
        words = f"{use.cycles:.1f} full cycles since, {EQUALIZE_CYCLES:.0f} at most (a maker's guide)"
        found += _by_use(use.cycles, EQUALIZE_CYCLES, use.watched_days, words)
    if kind == LogKind.WATER and use.overcharge is not None:
        words = (
            f"overcharged by {100 * use.overcharge:.0f} % of its capacity since, 100 % at most (our choice)"
        )
        found += _by_use(use.overcharge, WATER_AFTER_CAPACITIES, use.watched_days, words)
    return sorted(found, key=lambda limit: limit.days_left)


def by_gravity(cells: Gravities, after_full: bool) -> Iterator[Limit]:
    """Why a hydrometer's readings ask for an equalization now; after_full: the bank had just been full."""
    if cells.is_uneven:
        words = f"the cells differ by {cells.spread:.3f}, more than {UNEVEN:.3f} (a maker's guide)"
        yield Limit(0.0, words)
    if after_full and cells.corrected is not None and cells.lowest < EQUALIZE_BELOW:
        yield Limit(
            0.0, f"{cells.lowest:.3f} after a full charge, {EQUALIZE_BELOW:.3f} at least (a maker's guide)"
        )


def soonest(reasons: Sequence[Limit]) -> Limit:
    """The reason that counts. Raises ValueError where there is none."""
    return min(reasons, key=lambda limit: limit.days_left)


def _by_use(used: float, most: float, days: float, words: str) -> list[Limit]:
    """When use at the pace so far reaches its most; nothing where there is no pace yet."""
    if used >= most:
        return [Limit(0.0, words)]
    return [Limit((most - used) * days / used, words)] if used > 0 and days >= 1 else []
