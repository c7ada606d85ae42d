"""What people wrote down in a season: each kind of act, the water, the equalizations. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from monitor.care.numbers import WATER
from monitor.quantities import Stage
from monitor.records import DayStat, LogEntry, LogKind


@dataclass(frozen=True, slots=True)
class Act:
    """A kind of entry (a value of LogKind): how often it was written down, and the newest time."""

    kind: str
    times: int
    last_ms: int


@dataclass(frozen=True, slots=True)
class Done:
    """The log in short. water_L is what was added in all, None where no entry has an amount; without_amount
    counts entries of water that have none. equalized are the local days on which the controller was seen to
    equalize, whether anybody wrote it down or not."""

    acts: tuple[Act, ...]
    water_L: float | None
    without_amount: int
    equalized: tuple[date, ...]


def done(entries: Sequence[LogEntry], stats: Iterable[DayStat]) -> Done:
    """What the log and the stages of a season tell, each kind of act in the order of LogKind."""
    times = {kind: [entry.time_ms for entry in entries if entry.kind == kind] for kind in LogKind}
    acts = tuple(Act(kind, len(some), max(some)) for kind, some in times.items() if some)
    watered = [entry for entry in entries if entry.kind == LogKind.WATER]
    amounts_L = [entry.details[WATER] for entry in watered if WATER in entry.details]
    return Done(
        acts,
        sum(amounts_L) if amounts_L else None,
        len(watered) - len(amounts_L),
        tuple(sorted(stat.day for stat in stats if is_equalizing(stat))),
    )


def is_equalizing(stat: DayStat) -> bool:
    """Whether a day's statistics are those of the charge stage, and the controller was seen to equalize."""
    return stat.quantity == "charge_stage" and stat.maximum == Stage.EQUALIZATION
