"""One batch on its way: a refused point is found by halving and set aside, all others go on.

A server that refuses a request for its content says 400 and does not reliably say which line was meant, and
may or may not have kept the others; sending the very same again would end the same. So halves are sent, down
to a single value. A channel that was refused three times (a type that the server's table does not have, a
time beyond what it keeps) is not worth a search for each value: its further values go apart, the newest of
them first as a trial for all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace

from monitor.errors import ServerError, Trouble
from monitor.store.mirrored_place import Channel, Point, What

DOUBTED_AFTER = 3
"""Refused values that make a channel doubtful (our choice: one or two may be odd by themselves)."""

WHOLE = frozenset({What.FLAWED, What.RECORD})
"""What no server can take in parts."""

RECORDS = "the records"
"""What stands in the place of a device where a record is refused."""

Write = Callable[[Sequence[Point]], None]


class Delivery:
    """Hands one batch over; afterwards `refused` has what was not taken, each a single value or a whole
    record, with why."""

    def __init__(self, write: Write, doubtful: set[Channel]) -> None:
        """write raises ServerError. doubtful are the channels in doubt from earlier batches; changed here."""
        self._write = write
        self._doubtful = doubtful
        self._counts: Counter[Channel] = Counter()
        self._apart: dict[Channel, list[Point]] = {}
        self.refused: list[tuple[Point, str]] = []
        self.taken = 0
        self.taken_of: set[Channel] = set()

    def run(self, points: Sequence[Point]) -> None:
        """Hand all points over. Raises ServerError for any trouble but the points' own; nothing is said of
        what was taken then."""
        left = list(points)
        while left:
            self._halve(left)
            left = self._try_apart()

    def _try_apart(self) -> list[Point]:
        """Try the newest value of each channel that was put apart; what is worth going on with then."""
        left: list[Point] = []
        for channel, apart in self._apart.items():
            apart.sort(key=lambda point: point.time_ms)
            words = self._try_write(apart[-1:])
            if words is None:
                self._doubtful.discard(channel)
                self._counts[channel] = 0
                left += apart[:-1]
            else:
                self.refused += ((point, words) for point in apart)
        self._apart = {}
        return sorted(left, key=lambda point: point.time_ms)

    def _halve(self, points: list[Point]) -> None:
        """Later halves first: what lies beyond a server's memory is known by its newest values."""
        stack = [points]
        while stack:
            group = self._without(stack.pop())
            words = self._try_write(group) if group else None
            if words is None:
                continue
            if len(group) > 1:
                middle = len(group) // 2
                stack += (group[:middle], group[middle:])
            elif len(channels_of(group[0])) > 1:
                stack += ([half] for half in _parted(group[0]))
            else:
                (channel,) = channels_of(group[0])
                self.refused.append((group[0], words))
                self._counts[channel] += 1
                if self._counts[channel] >= DOUBTED_AFTER:
                    self._doubtful.add(channel)

    def _without(self, points: list[Point]) -> list[Point]:
        """The points without the values of doubtful channels, which are put apart."""
        if not self._doubtful:
            return points
        kept: list[Point] = []
        for point in points:
            if point.what in WHOLE:
                (channel,) = channels_of(point)
                (self._apart.setdefault(channel, []) if channel in self._doubtful else kept).append(point)
                continue
            rest: dict[str, float | str] = {}
            for channel, (name, value) in zip(channels_of(point), point.values.items(), strict=True):
                if channel in self._doubtful:
                    alone = replace(point, values={name: value})
                    self._apart.setdefault(channel, []).append(alone)
                else:
                    rest[name] = value
            if rest:
                kept.append(replace(point, values=rest) if len(rest) < len(point.values) else point)
        return kept

    def _try_write(self, points: Sequence[Point]) -> str | None:
        """None where the server took them, its words where it refuses their content."""
        try:
            self._write(points)
        except ServerError as error:
            if error.trouble is not Trouble.CONTENT:
                raise
            return str(error)
        self.taken += len(points)
        self.taken_of.update(channel for point in points for channel in channels_of(point))
        return None


def _parted(point: Point) -> tuple[Point, Point]:
    """A point with several values as two."""
    values = [*point.values.items()]
    middle = len(values) // 2
    return replace(point, values=dict(values[:middle])), replace(point, values=dict(values[middle:]))


def channels_of(point: Point) -> list[Channel]:
    """What a server may take or refuse by itself: device and quantity, of statistics each figure; a flawed
    reading or a record as a whole."""
    if point.what is What.RECORD:
        return [(RECORDS, f"{point.device} {point.of}".rstrip())]
    if point.what is What.FLAWED:
        return [(point.device, f"flawed {point.of}")]
    of = f"{point.of} of the {point.what or 'day'}, " if point.of else ""
    return [(point.device, f"{of}{name}") for name in point.values]
