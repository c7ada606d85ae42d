"""What hangs on the bank: lamps, a fridge, parties, pumps, and the monitor itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random


@dataclass(frozen=True, slots=True)
class Use:
    """One load. It runs from from_h to to_h (past 24: into the next morning), both moved by up to jitter_h.

    days: 'all', 'weekend', or a share of days at random. cycle_min and duty: runs that share of each cycle,
    as a fridge's compressor does. metered: through the controller's load output, else straight on the bank.
    It is there from first_day on until before end_day of the record.
    """

    power_W: float
    from_h: float = 0.0
    to_h: float = 24.0
    jitter_h: float = 0.0
    days: str | float = "all"
    cycle_min: float = 0.0
    duty: float = 1.0
    metered: bool = True
    first_day: int = 0
    end_day: int = 100_000


class Consumption:
    """Several loads together, seeded."""

    def __init__(self, uses: Sequence[Use], seed: str) -> None:
        self._uses, self._seed = tuple(uses), seed
        self._drawn: dict[tuple[int, int], tuple[float, float] | None] = {}

    def powers_W(self, day: int, hour: float) -> tuple[float, float]:
        """Metered and unmetered power at that time."""
        metered = straight = 0.0
        for place, use in enumerate(self._uses):
            if self._runs(place, use, day, hour):
                if use.metered:
                    metered += use.power_W
                else:
                    straight += use.power_W
        return metered, straight

    def _runs(self, place: int, use: Use, day: int, hour: float) -> bool:
        for start, at in ((day, hour), (day - 1, hour + 24)):
            span = self._span(place, use, start)
            if span is not None and span[0] <= at < span[1]:
                break
        else:
            return False
        if not use.cycle_min:
            return True
        # a cycle's length wanders by day, so that it does not lock to the poll
        length = use.cycle_min * Random(f"{self._seed}/{place}/cycle/{day}").uniform(0.8, 1.2)
        return (hour * 60 / length) % 1.0 < use.duty

    def _span(self, place: int, use: Use, day: int) -> tuple[float, float] | None:
        if not use.first_day <= day < use.end_day:
            return None
        if (place, day) not in self._drawn:
            rng = Random(f"{self._seed}/{place}/{day}")
            on = {"all": True, "weekend": day % 7 in (5, 6)}.get(str(use.days))
            if on is None:
                on = rng.random() < float(use.days)
            shift = [rng.uniform(-1, 1) * use.jitter_h for _ in range(2)]
            self._drawn[place, day] = (use.from_h + shift[0], use.to_h + shift[1]) if on else None
        return self._drawn[place, day]
