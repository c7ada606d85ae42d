"""What a server has around readings that are about to land: to tell late from new, and to sum days anew.

What was fetched is remembered for one batch; what the batch itself brings lies over it.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections.abc import Iterable, Sequence
from heapq import merge

from monitor.local_days import LocalDay
from monitor.records import HOUR_MS, Reading
from monitor.served.measured import Channel, Column, Measured
from monitor.store.days import FARTHEST_MS, DaySum
from monitor.store.reduce import Step, sum_parts
from monitor.store.steps import STEPS

Good = tuple[int, int]
"""Time and value in steps of a good reading."""


def whole_hours(start_ms: int, end_ms: int) -> tuple[int, int]:
    """The hours (UTC) that a span touches, as a span."""
    return start_ms // HOUR_MS * HOUR_MS, -(-end_ms // HOUR_MS) * HOUR_MS


class Around:
    """Asks for what is needed and remembers it. Calls raise ServerError."""

    def __init__(self, measured: Measured, channels: Iterable[Channel], *, by_days: bool) -> None:
        """channels are those that may be asked for. by_days says that days' statistics are up to date and
        that only what lies around whole days is asked for, so that one question tells of all of a device's
        channels."""
        self._measured, self._by_days = measured, by_days
        self._quantities: dict[str, dict[str, None]] = {}
        for device, quantity in channels:
            self._quantities.setdefault(device, {})[quantity] = None
        self._beside: dict[tuple[str, int, bool], dict[Channel, Good]] = {}
        self._columns: dict[tuple[str, int, int], dict[Channel, Column]] = {}
        self._flawed: dict[tuple[str, int, int], dict[tuple[str, int], Reading]] = {}
        self._coming: dict[Channel, tuple[list[int], dict[int, int]]] = {}

    def bring(self, channel: Channel, times: Sequence[int], values: Sequence[int]) -> None:
        """Good readings of the batch, in order of time, that follow all that the channel has brought."""
        known, of = self._coming.setdefault(channel, ([], {}))
        known.extend(times)
        of.update(zip(times, values, strict=True))

    def bring_late(self, channel: Channel, time_ms: int, value: int) -> None:
        """A good reading of the batch at any time."""
        known, of = self._coming.setdefault(channel, ([], {}))
        insort(known, time_ms)
        of[time_ms] = value

    def at(self, channel: Channel, day: LocalDay, time_ms: int) -> Reading | None:
        """What the server has of a channel at a time of a day."""
        device, quantity = channel
        times, values = self._day(device, day).get(channel, ([], []))
        at = bisect_left(times, time_ms)
        if at < len(times) and times[at] == time_ms:
            return Reading(time_ms, device, quantity, values[at] / STEPS[quantity])
        key = (device, day.start_ms, day.end_ms)
        if key not in self._flawed:
            found = self._measured.flawed([device], day.start_ms, day.end_ms)
            self._flawed[key] = {(each.quantity, each.time_ms): each for each in found}
        return self._flawed[key].get((quantity, time_ms))

    def sum_up(self, channel: Channel, day: LocalDay) -> DaySum:
        """The sums of a channel's day, from its readings and their neighbours."""
        total = DaySum(day)
        before, after = self.before(channel, day.start_ms), self.after(channel, day.end_ms)
        if before is not None:
            total.before(*before)
        total.extend(*self._within(channel, day, day.start_ms, day.end_ms))
        if after is not None:
            total.after(*after)
        return total

    def hour(self, channel: Channel, day: LocalDay, hour: int) -> Step | None:
        """An hour that a day touches, None where it holds no reading."""
        times, values = self._within(channel, day, hour * HOUR_MS, (hour + 1) * HOUR_MS)
        return sum_parts(times, values, HOUR_MS)[0][:5] if times else None

    def before(self, channel: Channel, time_ms: int) -> Good | None:
        """The last good reading before a time, if near enough ever to be joined."""
        there = self._there(channel, time_ms, before=True)
        known, of = self._coming.get(channel, ([], {}))
        at = bisect_left(known, time_ms)
        if at and known[at - 1] >= time_ms - FARTHEST_MS:
            return max(((known[at - 1], of[known[at - 1]]), there or (-1, 0)), key=lambda each: each[0])
        return there

    def after(self, channel: Channel, time_ms: int) -> Good | None:
        """The first good reading at or after a time, if near enough ever to be joined."""
        there = self._there(channel, time_ms, before=False)
        known, of = self._coming.get(channel, ([], {}))
        at = bisect_left(known, time_ms)
        if at < len(known) and known[at] < time_ms + FARTHEST_MS:
            coming = known[at], of[known[at]]
            return coming if there is None else min(coming, there, key=lambda each: each[0])
        return there

    def _there(self, channel: Channel, time_ms: int, *, before: bool) -> Good | None:
        """What the server has before a time or from it on, if near enough."""
        if not self._by_days:
            span = (max(0, time_ms - FARTHEST_MS), time_ms) if before else (time_ms, time_ms + FARTHEST_MS)
            return self._measured.end_of(*channel, *span, newest=before)
        key = channel[0], time_ms, before
        if key not in self._beside:
            ask = self._measured.last_before_day if before else self._measured.first_after_day
            self._beside[key] = ask([channel[0]], time_ms)
        return self._beside[key].get(channel)

    def _day(self, device: str, day: LocalDay) -> dict[Channel, Column]:
        """A device's readings in the hours that a day touches."""
        start_ms, end_ms = whole_hours(day.start_ms, day.end_ms)
        key = device, start_ms, end_ms
        if key not in self._columns:
            self._columns[key] = self._measured.columns(
                [device], [*self._quantities[device]], start_ms, end_ms
            )
        return self._columns[key]

    def _within(self, channel: Channel, day: LocalDay, start_ms: int, end_ms: int) -> Column:
        """A channel's readings in [start, end), which lies in the hours that a day touches, those that come
        included."""
        times, values = self._day(channel[0], day).get(channel, ([], []))
        inside = slice(bisect_left(times, start_ms), bisect_left(times, end_ms))
        there = times[inside], values[inside]
        known, of = self._coming.get(channel, ([], {}))
        coming = known[bisect_left(known, start_ms) : bisect_left(known, end_ms)]
        if not coming:
            return there
        # what is there already, after a request whose answer never came, is the same reading
        all_of = dict(zip(*there, strict=True)) | {at: of[at] for at in coming}
        in_order = list(dict.fromkeys(merge(there[0], coming)))
        return in_order, [all_of[at] for at in in_order]
