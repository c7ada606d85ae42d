"""Of each channel the newest reading and the newest good one, followed in memory by a writer. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from monitor.records import Reading
from monitor.store.landing import Pending
from monitor.store.queries import in_rank_order, newest


@dataclass(slots=True)
class _Ends:
    """One channel's."""

    last: Reading
    good: Reading | None


class Newest:
    """The newest readings of all channels."""

    def __init__(self, known: Iterable[tuple[Reading, Reading | None]] = ()) -> None:
        """known are the newest reading and the newest good one of each channel that is there."""
        self._ends = {(last.device, last.quantity): _Ends(last, good) for last, good in known}

    def follow(self, coming: Iterable[Pending]) -> None:
        """Take readings in any order; of two with the same time the first stays."""
        ends = self._ends
        for time_ms, key, steps, reading in coming:
            known = ends.get(key)
            if known is None:
                ends[key] = _Ends(reading, None if steps is None else reading)
                continue
            if time_ms > known.last.time_ms:
                known.last = reading
            if steps is not None and (known.good is None or time_ms > known.good.time_ms):
                known.good = reading

    def latest(self, ranks: dict[str, int]) -> list[Reading]:
        """The newest reading of each channel, by the devices' rank."""
        return in_rank_order((known.last for known in self._ends.values()), ranks)

    def latest_good(self, quantity: str, ranks: dict[str, int]) -> Reading | None:
        """The newest good reading of a quantity; of equally new ones that of the best-ranked device."""
        good = (known.good for key, known in self._ends.items() if key[1] == quantity)
        return newest((reading for reading in good if reading is not None), ranks)
