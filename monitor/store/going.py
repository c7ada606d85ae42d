"""What readings change in their channel: its ends and its days' running sums; pure, for every engine."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from zoneinfo import ZoneInfo

from monitor.local_days import day_at
from monitor.store.channels import Channel
from monitor.store.days import DaySum


def go_on(channel: Channel, zone: ZoneInfo, times: Sequence[int], values: Sequence[int]) -> Iterator[DaySum]:
    """Good readings newer than all good ones of their channel, in order of time; the days that change."""
    at = 0
    while at < len(times):
        day = channel.day
        if day is None or times[at] >= day.span.end_ms:
            day = DaySum(day_at(zone, times[at]))
            if channel.day is not None:
                channel.day.after(times[at], values[at])
                day.before(channel.good_ms, channel.good_steps)
                yield channel.day
            channel.day = day
        after = bisect_left(times, day.span.end_ms, at)
        day.extend(times[at:after], values[at:after])
        yield day
        channel.good_ms, channel.good_steps = times[after - 1], values[after - 1]
        at = after
    if times and channel.good_first_ms is None:
        channel.good_first_ms, channel.first_changed = times[0], True


def take_earlier(channel: Channel, time_ms: int, steps: int | None) -> None:
    """What a late reading changes in its channel's ends; steps is its value where it is good."""
    channel.changed = True
    if channel.first_ms is None or time_ms < channel.first_ms:
        channel.first_ms, channel.first_changed = time_ms, True
    if steps is None:
        return
    if channel.good_first_ms is None or time_ms < channel.good_first_ms:
        channel.good_first_ms, channel.first_changed = time_ms, True
    if time_ms > channel.good_ms:
        channel.good_ms, channel.good_steps = time_ms, steps
