"""When an act of care is due: by the calendar, by use and by what was found, whichever comes first. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import floor

from monitor.care.digits import fine
from monitor.care.gravity import UNEVEN, Gravities
from monitor.care.known import Known
from monitor.care.units import UnitVoltages, lacking_words
from monitor.records import LogKind

EQUALIZE_CYCLES = 10.0
"""A maker asks for an equalization every 10 cycles (its guide, read at a dealer); counted here as full ones,
which is the longest that it can mean (our choice)."""

EQUALIZE_BELOW = 1.235
"""Or where a cell's gravity stays below this after a charge (the same guide, read at a dealer)."""

WATER_AFTER_CAPACITIES = 1.0
"""Water is looked at after so much overcharge, in capacities of the bank (our choice: 0.34 ml for each Ah of
a cell, some 5 mm of level, of the 6 to 12 mm that are usual above the plates, from memory)."""

AFTER_DAYS: dict[str, tuple[float, str]] = {
    LogKind.EQUALIZATION: (180.0, "common practice: within half a year"),  # a maker's 60 to 180 days, memory
    LogKind.WATER: (30.0, "common practice: monthly"),  # from memory
    LogKind.HYDROMETER: (91.0, "common practice: every 3 months"),  # from memory
    LogKind.VOLTAGES: (91.0, "our choice: every 3 months, with the hydrometer"),
    LogKind.TERMINALS: (182.0, "common practice: every 6 months"),  # from memory
    LogKind.CLEANING: (91.0, "common practice: each season"),  # from memory
    LogKind.CAPACITY: (365.0, "common practice: yearly"),  # from memory
}
"""The longest between two of a kind, and whose figure it is."""

END_OF_LIFE = 0.8
"""Banks are sized to serve until they have this share of their rated capacity left (IEEE 1013-2019 6.3,
secondary source)."""


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
    days = f"{floor(use.days)} {'day' if floor(use.days) == 1 else 'days'}"
    found = [Limit(most_days - use.days, f"{days} since, {most_days:.0f} at most ({source})")]
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


def by_voltages(units: UnitVoltages) -> Iterator[Limit]:
    """Why the batteries' voltages ask for an equalization now (a maker's guide, read)."""
    if units.is_uneven and units.limit_V is not None:
        words = f"the batteries differ by {units.spread_V:.2f} V, more than {units.limit_V:.2f} V"
        yield Limit(0.0, f"{words} (a maker's guide)")


def by_lacking_cell(units: UnitVoltages) -> Iterator[Limit]:
    """Why the batteries are to be measured again now: one seems to have lost a cell."""
    if units.lacks_a_cell is not None:
        yield Limit(0.0, lacking_words(units))


def by_loss(learnt: Known, tested: Known | None, rated_Ah: float) -> Iterator[Limit]:
    """Why the capacity that was learnt from use asks for a test now: by the whole of its band it is less than
    the last test found, or than END_OF_LIFE of the rated one where there was no test."""
    band_Ah = learnt.band_Ah or 0.0
    most_Ah = learnt.capacity_Ah + band_Ah
    about = f"by its use the bank has about {fine(learnt.capacity_Ah)} ± {fine(band_Ah)} Ah left"
    if tested is not None:
        if most_Ah < tested.capacity_Ah - (tested.band_Ah or 0.0):
            yield Limit(0.0, f"{about}, less than the last test found ({fine(tested.capacity_Ah)} Ah)")
    elif most_Ah < END_OF_LIFE * rated_Ah:
        share = f"{100 * END_OF_LIFE:.0f} % of the rated {fine(rated_Ah)} Ah"
        yield Limit(0.0, f"{about}, less than {share} (where planners call a bank worn, IEEE 1013)")


def soonest(reasons: Sequence[Limit]) -> Limit:
    """The reason that counts. Raises ValueError where there is none."""
    return min(reasons, key=lambda limit: limit.days_left)


def _by_use(used: float, most: float, days: float, words: str) -> list[Limit]:
    """When use at the pace so far reaches its most; nothing where there is no pace yet."""
    if used >= most:
        return [Limit(0.0, words)]
    return [Limit((most - used) * days / used, words)] if used > 0 and days >= 1 else []
