"""How readings land on a server: each once, in whatever order, with hours, days and ends kept right.

The same promises as the embedded store's (`store.landing`): a reading that follows its channel's newest one
goes on with the running sums; a late one is compared with what the server has, and its hours and days are
summed anew from the readings. What changes is one batch of points, so that it goes as one request, and sent
twice it changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from zoneinfo import ZoneInfo

from monitor.local_days import LocalDay, day_at
from monitor.records import HOUR_MS, Reading
from monitor.served.around import Around
from monitor.served.measured import Channel as Key
from monitor.served.measured import Measured
from monitor.store.base import Landed
from monitor.store.channels import Channel
from monitor.store.days import DaySum
from monitor.store.documents import ChannelEnds, channels_document, gaps_document
from monitor.store.going import go_on, take_earlier
from monitor.store.landing import Pending
from monitor.store.mirrored_days import FIELDS
from monitor.store.mirrored_place import Point, What
from monitor.store.mirrored_records import record
from monitor.store.reduce import Step, sum_parts
from monitor.store.steps import CODES, STEPS
from monitor.store.tiers import join_steps


@dataclass(slots=True)
class Touched:
    """A channel's day into which late readings came, and the first and last of these."""

    day: LocalDay
    earliest_ms: int
    latest_ms: int


@dataclass(frozen=True, slots=True)
class Batch:
    """Points that bring a server from one whole state to the next, and what became of the readings."""

    points: list[Point]
    landed: Landed


class ServedLanding:
    """Makes batches; they must be handed over in order, and `forget` called where one was not taken."""

    def __init__(self, measured: Measured, zone: ZoneInfo) -> None:
        self._measured, self._zone = measured, zone
        self._channels: dict[Key, Channel] = {}
        self._hours: dict[Key, Step] = {}

    def know(self, ends: Iterable[ChannelEnds]) -> None:
        """Begin from where the server's channels end."""
        self.forget()
        for each in ends:
            self._channels[each.device, each.quantity] = _channel_of(each)

    def forget(self) -> None:
        """Forget all; `know` is due before the next batch."""
        self._channels.clear()
        self._hours.clear()

    def ends(self) -> list[ChannelEnds]:
        """Where the channels end with all batches so far."""
        return [_ends_of(each) for each in self._channels.values() if each.last is not None]

    def take(self, pending: Iterable[Pending]) -> Batch:
        """The batch that makes readings land. Raises ServerError where the server cannot be asked for what
        that takes; `forget` is due then, too."""
        in_order = sorted(pending, key=itemgetter(0))
        around = Around(self._measured, (key for _, key, _, _ in in_order), by_days=True)
        return _Work(self, around).run(in_order)

    def channel(self, key: Key) -> Channel:
        """A channel, new ones too."""
        found = self._channels.get(key)
        if found is None:
            found = self._channels[key] = Channel(0, *key, STEPS[key[1]])
        return found

    def open_days(self, channels: Iterable[Channel]) -> None:
        """Sum up the running day and hour of channels that are to go on and are not summed up yet."""
        together: dict[int, list[Channel]] = {}
        for channel in channels:
            if channel.day is None and channel.good_ms >= 0:
                day = day_at(self._zone, channel.good_ms)
                together.setdefault(day.start_ms, []).append(channel)
        for start_ms, of_day in together.items():
            devices = list(dict.fromkeys(channel.device for channel in of_day))
            quantities = list(dict.fromkeys(channel.quantity for channel in of_day))
            from_ms = start_ms // HOUR_MS * HOUR_MS
            until_ms = 1 + max(channel.good_ms for channel in of_day)
            columns = self._measured.columns(devices, quantities, from_ms, until_ms)
            ahead = self._measured.last_before_day(devices, start_ms)
            for channel in of_day:
                key = channel.device, channel.quantity
                there = zip(*columns.get(key, ([], [])), strict=True)
                readings = [(at, value) for at, value in there if at <= channel.good_ms]
                of_hours = sum_parts([at for at, _ in readings], [value for _, value in readings], HOUR_MS)
                if of_hours:
                    self._hours[key] = of_hours[-1][:5]
                channel.day = DaySum(day_at(self._zone, channel.good_ms))
                if key in ahead:
                    channel.day.before(*ahead[key])
                inside = [each for each in readings if each[0] >= start_ms]
                channel.day.extend([at for at, _ in inside], [value for _, value in inside])

    def hours_on(self, key: Key, times: Sequence[int], values: Sequence[int]) -> list[Step]:
        """The hours that change as good readings follow."""
        steps = [part[:5] for part in sum_parts(times, values, HOUR_MS)]
        running = self._hours.get(key)
        if running is not None:
            steps = [step for step in join_steps([running, *steps], 0, 1) if step[0] >= steps[0][0]]
        self._hours[key] = steps[-1]
        return steps

    def hour_changed(self, key: Key, step: Step) -> None:
        """An hour was summed anew."""
        if key in self._hours and self._channels[key].good_ms // HOUR_MS == step[0]:
            self._hours[key] = step

    @property
    def zone(self) -> ZoneInfo:
        """What cuts the days."""
        return self._zone


class _Work:
    """One batch in the making."""

    def __init__(self, landing: ServedLanding, around: Around) -> None:
        self._landing, self._around = landing, around
        self._landed = Landed()
        self._values: dict[tuple[int, str], dict[str, float | str]] = {}
        self._flawed: list[Point] = []
        self._came: dict[tuple[Key, int], Reading] = {}
        self._hours: dict[tuple[Key, int], Step] = {}
        self._days: dict[tuple[Key, int], tuple[Channel, DaySum]] = {}
        self._changed: dict[Key, Channel] = {}

    def run(self, in_order: Sequence[Pending]) -> Batch:
        if in_order:
            self._landed.latest_ms = in_order[-1][0]
        late: list[Pending] = []
        coming: dict[Key, tuple[list[int], list[int]]] = {}
        for each in in_order:
            time_ms, key, steps, reading = each
            channel = self._landing.channel(key)
            if time_ms <= channel.last_ms:
                late.append(each)
                continue
            channel.last_ms, channel.last = time_ms, reading
            if channel.first_ms is None:
                channel.first_ms = time_ms
            self._keep(key, steps, reading)
            if steps is not None:
                times, values = coming.setdefault(key, ([], []))
                times.append(time_ms)
                values.append(steps)
        self._landing.open_days(self._landing.channel(key) for key in coming)
        for key, (times, values) in coming.items():
            channel = self._landing.channel(key)
            self._around.bring(key, times, values)
            for step in self._landing.hours_on(key, times, values):
                self._hours[key, step[0]] = step
            for day in go_on(channel, self._landing.zone, times, values):
                self._days[key, day.span.start_ms] = channel, day
        self._take_late(late)
        return Batch(self._points(), self._landed)

    def _keep(self, key: Key, steps: int | None, reading: Reading) -> None:
        """A reading that is new."""
        device, quantity = key
        self._landed.count(reading)
        self._changed[key] = self._landing.channel(key)
        self._came[key, reading.time_ms] = reading
        if steps is not None:
            value = steps if quantity in CODES else steps / STEPS[quantity]
            self._values.setdefault((reading.time_ms, device), {})[quantity] = value
            return
        said: dict[str, float | str] = {"quality": reading.quality.value, "reason": reading.reason}
        if reading.value is not None:
            said["value"] = float(reading.value)
        self._flawed.append(Point(reading.time_ms, device, said, quantity, What.FLAWED))

    def _take_late(self, late: Sequence[Pending]) -> None:
        """Readings that may be there already, or stand before the newest of their channel."""
        touched: dict[tuple[Key, int], Touched] = {}
        hours: set[tuple[Key, int]] = set()
        for time_ms, together in groupby(late, key=itemgetter(0)):
            day = day_at(self._landing.zone, time_ms)
            for _, key, steps, reading in together:
                there = self._came.get((key, time_ms)) or self._around.at(key, day, time_ms)
                if there is not None:
                    if there.quality is reading.quality and there.value == reading.value:
                        self._landed.known += 1
                    else:
                        self._landed.conflicts.append((reading, there))
                    continue
                self._keep(key, steps, reading)
                take_earlier(self._landing.channel(key), time_ms, steps)
                if steps is not None:
                    self._around.bring_late(key, time_ms, steps)
                    hours.add((key, time_ms // HOUR_MS))
                    each = touched.setdefault((key, day.start_ms), Touched(day, time_ms, time_ms))
                    each.latest_ms = time_ms
        self._sum_anew(touched)
        for key, hour in hours:
            step = self._around.hour(key, day_at(self._landing.zone, hour * HOUR_MS), hour)
            if step is not None:
                self._hours[key, hour] = step
                self._landing.hour_changed(key, step)

    def _sum_anew(self, touched: dict[tuple[Key, int], Touched]) -> None:
        """Sum touched days up from their readings; where a day's first or last moved, its neighbour's too."""
        anew = {place: each.day for place, each in touched.items()}
        for (key, _), each in touched.items():
            total = self._sum_up(key, each.day)
            neighbours = [
                self._around.before(key, each.day.start_ms) if each.earliest_ms == total.first_ms else None,
                self._around.after(key, each.day.end_ms) if each.latest_ms == total.last_ms else None,
            ]
            for time_ms, _ in filter(None, neighbours):
                other = day_at(self._landing.zone, time_ms)
                if (key, other.start_ms) not in anew:
                    anew[key, other.start_ms] = other
                    self._sum_up(key, other)
        for (key, _), day in anew.items():
            channel = self._landing.channel(key)
            if channel.day is not None and day.start_ms <= channel.good_ms < day.end_ms:
                channel.day = self._days[key, day.start_ms][1]

    def _sum_up(self, key: Key, day: LocalDay) -> DaySum:
        total = self._around.sum_up(key, day)
        self._days[key, day.start_ms] = self._landing.channel(key), total
        return total

    def _points(self) -> list[Point]:
        """All that changes, the channels' ends last."""
        points = [Point(at, device, values) for (at, device), values in self._values.items()]
        points += self._flawed
        points += (hour_point(key, step) for (key, _), step in sorted(self._hours.items()))
        points += (day_point(channel, day) for _, (channel, day) in sorted(self._days.items(), key=_place))
        devices = dict.fromkeys(device for device, _ in self._changed)
        ends = self._landing.ends()
        return [*points, *(ends_point(device, ends) for device in devices)]


def _place(each: tuple[tuple[Key, int], object]) -> tuple[Key, int]:
    return each[0]


def hour_point(key: Key, step: Step) -> Point:
    """An hour's statistics."""
    number, count, low, total, high = step
    device, quantity = key
    per_unit = STEPS[quantity]
    values = {
        "count": count,
        "minimum": low / per_unit,
        "mean": total / count / per_unit,
        "maximum": high / per_unit,
    }
    return Point(number * HOUR_MS, device, values, quantity, What.HOUR)


def day_point(channel: Channel, day: DaySum) -> Point:
    """A day's statistics; the day must hold a reading."""
    ends = day.first_ms, day.last_ms, day.gap_limit_ms(), gaps_document(day.gaps())
    numbers: tuple[float | str, ...] = (*day.numbers(channel.per_unit), *ends)
    values = dict(zip(FIELDS, numbers, strict=True))
    return Point(day.span.start_ms, channel.device, values, channel.quantity)


def ends_point(device: str, ends: Iterable[ChannelEnds]) -> Point:
    """The record of where a device's channels end."""
    return record("channel", device, channels_document(each for each in ends if each.device == device))


def _channel_of(ends: ChannelEnds) -> Channel:
    channel = Channel(0, ends.device, ends.quantity, STEPS[ends.quantity], ends.first_ms, ends.last)
    channel.last_ms = ends.last.time_ms
    channel.good_first_ms = ends.good_first_ms
    if ends.good is not None and ends.good.value is not None:
        channel.good_ms, channel.good_steps = ends.good.time_ms, round(ends.good.value * channel.per_unit)
    return channel


def _ends_of(channel: Channel) -> ChannelEnds:
    assert channel.last is not None, "asked only of what has readings"
    assert channel.first_ms is not None
    good = None
    if channel.good_ms >= 0:
        value = channel.good_steps / channel.per_unit
        good = Reading(channel.good_ms, channel.device, channel.quantity, value)
    return ChannelEnds(
        channel.device, channel.quantity, channel.first_ms, channel.last, channel.good_first_ms, good
    )
