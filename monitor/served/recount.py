"""What is counted anew from the readings on a server: after a part was taken out, with another time zone, or
where a server and this computer went down together. Calls raise ServerError.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import timedelta
from zoneinfo import ZoneInfo

from monitor.local_days import day_at, local_day
from monitor.records import HOUR_MS, LATEST_MS, Reading
from monitor.served.around import Around, whole_hours
from monitor.served.landing import day_point, ends_point, hour_point
from monitor.served.lines import DAYS, FLAWED, HOURS, MEASUREMENT
from monitor.served.measured import Channel as Key
from monitor.served.measured import Measured
from monitor.store.channels import Channel
from monitor.store.days import DaySum
from monitor.store.documents import ChannelEnds
from monitor.store.going import go_on
from monitor.store.mirrored_place import Point
from monitor.store.steps import STEPS

DAYS_AT_ONCE = 20
"""So many days of a device are written at once (our choice)."""


def without(
    measured: Measured,
    zone: ZoneInfo,
    channels: Sequence[ChannelEnds],
    device: str,
    start_ms: int,
    end_ms: int,
) -> tuple[list[Point], list[ChannelEnds]]:
    """Take a device's readings in [start, end) out; what changes of its statistics by that, and its channels'
    ends. Done twice it is the same as done once."""
    first, last = day_at(zone, start_ms), day_at(zone, end_ms - 1)
    hours = whole_hours(start_ms, end_ms)
    for name, span in (
        (MEASUREMENT, (start_ms, end_ms)),
        (FLAWED, (start_ms, end_ms)),
        (HOURS, hours),
        (DAYS, (first.start_ms, last.end_ms)),
    ):
        measured.take_out(name, [device], *span)
    around = Around(measured, ((each.device, each.quantity) for each in channels), by_days=False)
    points: list[Point] = []
    ends: list[ChannelEnds] = []
    for each in channels:
        key = each.device, each.quantity
        channel = Channel(0, *key, STEPS[each.quantity])
        neighbours = around.before(key, start_ms), around.after(key, end_ms)
        days = {first, last} | {day_at(zone, found[0]) for found in neighbours if found is not None}
        sums = [around.sum_up(key, day) for day in days]
        points += (day_point(channel, total) for total in sums if total.count)
        for hour in {start_ms // HOUR_MS, (end_ms - 1) // HOUR_MS}:
            step = around.hour(key, day_at(zone, hour * HOUR_MS), hour)
            if step is not None:
                points.append(hour_point(key, step))
        found = _ends_of(measured, key)
        if found is not None:
            ends.append(found)
    return [*points, ends_point(device, ends)], ends


def cut_anew(
    measured: Measured, zone: ZoneInfo, channels: Iterable[ChannelEnds], at_work: Callable[[], None]
) -> Iterator[list[Point]]:
    """All days' statistics with another time zone, some days at a time; at_work() before each day."""
    of: dict[str, list[ChannelEnds]] = {}
    for each in channels:
        of.setdefault(each.device, []).append(each)
    measured.take_out(DAYS, [*of], 0, LATEST_MS)
    for device, ends in of.items():
        open_channels = {
            (device, each.quantity): Channel(0, device, each.quantity, STEPS[each.quantity]) for each in ends
        }
        quantities = [each.quantity for each in ends]
        day, last_ms = day_at(zone, min(each.first_ms for each in ends)), max(e.last.time_ms for e in ends)
        changed: dict[tuple[Key, int], tuple[Channel, DaySum]] = {}
        count = 0
        while day.start_ms <= last_ms:
            at_work()
            columns = measured.columns([device], quantities, day.start_ms, day.end_ms)
            for key, (times, values) in columns.items():
                channel = open_channels[key]
                for total in go_on(channel, zone, times, values):
                    changed[key, total.span.start_ms] = channel, total
            day, count = local_day(zone, day.day + timedelta(days=1)), count + 1
            if count % DAYS_AT_ONCE == 0 and changed:
                yield [day_point(*each) for each in changed.values()]
                changed = {}
        if changed:
            yield [day_point(*each) for each in changed.values()]


def beyond(measured: Measured, channels: Sequence[ChannelEnds]) -> list[Reading]:
    """Readings that a server has after the newest of their device that it knows of."""
    found: list[Reading] = []
    for device in dict.fromkeys(each.device for each in channels):
        reached_ms = max(each.last.time_ms for each in channels if each.device == device)
        columns = measured.columns([device], list(STEPS), reached_ms + 1, LATEST_MS)
        for (_, quantity), (times, values) in columns.items():
            per_unit = STEPS[quantity]
            found += (
                Reading(at, device, quantity, value / per_unit)
                for at, value in zip(times, values, strict=True)
            )
        found += measured.flawed([device], reached_ms + 1, LATEST_MS)
    return found


def _ends_of(measured: Measured, key: Key) -> ChannelEnds | None:
    """Where a channel begins and ends by its readings, None where it has none."""
    device, quantity = key
    good = [measured.end_of(*key, 0, LATEST_MS, newest=newest) for newest in (False, True)]
    flawed = [measured.flawed_end(*key, newest=newest) for newest in (False, True)]
    first = [found[0] for found in good[:1] if found is not None]
    first += [found.time_ms for found in flawed[:1] if found is not None]
    newest = None
    if good[1] is not None:
        newest = Reading(good[1][0], device, quantity, good[1][1] / STEPS[quantity])
    last = [each for each in (newest, flawed[1]) if each is not None]
    if not last:
        return None
    return ChannelEnds(
        device,
        quantity,
        min(first),
        max(last, key=lambda reading: reading.time_ms),
        None if good[0] is None else good[0][0],
        newest,
    )
