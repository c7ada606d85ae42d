"""What the array gave in a season, and its yields. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.day_rows import DayRow, beside_clear

YIELDS = ("reference_yield_h", "array_yield_h", "final_yield_h")
"""What is needed of a day's entry beside its row."""


@dataclass(frozen=True, slots=True)
class Summed:
    """An energy [Wh] over the days on which it is known."""

    energy_Wh: float
    days: int


@dataclass(frozen=True, slots=True)
class Gave:
    """The array's season; None is unknown.

    came, clear_sky, unused and used are energies over the days that know them; share is what came of what a
    clear sky would have given, over the share_days that know both. The yields [h a day] and ratios are those
    of IEC 61724-1 (`monitor.sun.yields`) over yield_days, the days of which light and harvest are known.
    """

    came: Summed | None
    clear_sky: Summed | None
    unused: Summed | None
    used: Summed | None
    share: float | None
    share_days: int
    skies: Mapping[str, int]
    reference_h: float | None
    array_h: float | None
    array_ratio: float | None
    performance_ratio: float | None
    yield_days: int


def gave(days: Sequence[tuple[DayRow, Mapping[str, Any] | None]]) -> Gave:
    """The array's season from its days and their entries in the weather book."""
    rows = [row for row, _ in days if row.days]
    beside = beside_clear(rows)
    reference, array, final = YIELDS
    light, used = _pairs(days, reference, array), _pairs(days, reference, final)
    reference_h, array_h = sum(one for one, _ in light), sum(other for _, other in light)
    return Gave(
        _summed(row.harvest_Wh for row in rows),
        _summed(row.clear_sky_Wh for row in rows),
        _summed(row.unused_Wh for row in rows),
        _summed(row.used_Wh for row in rows),
        None if beside is None else beside.share,
        0 if beside is None else beside.days,
        dict(Counter(row.sky for row in rows)),
        reference_h / len(light) if light else None,
        array_h / len(light) if light else None,
        array_h / reference_h if reference_h else None,
        _ratio(used),
        len(light),
    )


def _summed(values: Iterable[float | None]) -> Summed | None:
    known = [value for value in values if value is not None]
    return Summed(sum(known), len(known)) if known else None


def _pairs(
    days: Sequence[tuple[DayRow, Mapping[str, Any] | None]], one: str, other: str
) -> list[tuple[float, float]]:
    """Two numbers of the days' entries, where both are known."""
    found = [(entry.get(one), entry.get(other)) for _, entry in days if entry is not None]
    return [(float(a), float(b)) for a, b in found if a is not None and b is not None]


def _ratio(pairs: Sequence[tuple[float, float]]) -> float | None:
    whole = sum(one for one, _ in pairs)
    return sum(other for _, other in pairs) / whole if whole else None
