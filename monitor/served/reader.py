"""The read side of a store that a server answers (`base.StoreReader`), its own or a mirror's copy.

An answer may be of a later state than the one before, and a long one that is streamed of several: a server
has no transactions. Long series come from hours and days, as the embedded store's do, by the same rules.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from datetime import date
from itertools import groupby
from pathlib import Path

from monitor.closing import Closing
from monitor.errors import StoreError
from monitor.local_days import local_day
from monitor.notices.secrets import Secrets
from monitor.records import (
    DAY_MS,
    HOUR_MS,
    LATEST_MS,
    AlarmState,
    DayStat,
    DeviceHealth,
    Event,
    LogEntry,
    Notice,
    Reading,
    Request,
    Series,
    Transition,
)
from monitor.served.documents import Documents, Ends, Numbered
from monitor.served.measured import Channel, Measured
from monitor.served.query import TIMEOUT_S, Asker, understands, understood
from monitor.served.site_state import copy_lag_s
from monitor.served.tracks import ServedTrack, Source
from monitor.site.server_table import ServerKeys
from monitor.store.documents import (
    ChannelEnds,
    alarm_of,
    event_of,
    health_of,
    log_entry_of,
    notice_of,
    request_of,
    transition_of,
)
from monitor.store.queries import ORDER, in_rank_order, newest, rank_of
from monitor.store.reduce import Step
from monitor.store.steps import CODES, STEPS, steps_of
from monitor.store.zoom import read_series

RAW_AT_ONCE_MS = 6 * HOUR_MS
"""So much time of raw readings is held in memory at once (our choice: some 80,000 values of 18 channels)."""

OPEN_REQUEST, OPEN_NOTICE = '"done_ms": null', '"finished_ms": null'
"""What the documents of those hold that are still open."""


class ServedReader(Closing):
    """The read side. Threads may share one; nothing but `close` changes it."""

    def __init__(self, asker: Asker, site_name: str, hold_s: float = 0.0) -> None:
        """See `open_served_reader`."""
        self._asker = asker
        self._documents = Documents(asker, site_name, hold_s)
        self._measured = Measured(asker, site_name)

    def close(self) -> None:
        self._asker.close()

    @understands
    def site(self) -> dict[str, str]:
        """What the server knows of the site: 'name', 'time_zone', 'file' (the text of its file) and 'origin',
        which is 'store' where the site's daemon writes here and 'mirror' where this is a copy."""
        return self._documents.site()

    @property
    @understands
    def lag_s(self) -> float | None:
        about = self._documents.site()
        return copy_lag_s(about.get("file", "")) if about.get("origin") == "mirror" else None

    @understands
    def latest(self) -> list[Reading]:
        ends = self._ends()
        return in_rank_order((channel.last for channel in ends.channels), ends.ranks)

    @understands
    def latest_good(self, quantity: str) -> Reading | None:
        steps_of(quantity)
        ends = self._ends()
        good = [c.good for c in ends.channels if c.quantity == quantity and c.good is not None]
        return newest(good, ends.ranks)

    @understands
    def series(
        self, quantity: str, start_ms: int, end_ms: int, points: int, device: str | None = None
    ) -> Series:
        """A quantity in [start, end) in at most `points` buckets; `zoom` says how they are cut.

        Raises StoreError for an unknown quantity or fewer than one point.
        """
        per_unit = steps_of(quantity)
        if points < 1:
            raise StoreError(f"a series of {quantity} needs at least one point, not {points}")
        if end_ms <= start_ms:
            return Series(quantity, (), ())
        there = _with_good(self._ends(), quantity, start_ms, end_ms)
        devices = [channel.device for channel in there if device is None or channel.device == device]
        if not devices:
            return Series(quantity, (), ())
        source = Source(self._measured, self._documents.zone(), quantity, devices)
        tracks = [ServedTrack(source, each) for each in devices]
        return read_series(tracks, lambda: source.zone, quantity, per_unit, start_ms, end_ms, points)

    @understands
    def days(self, first: date, last: date) -> list[DayStat]:
        """One DayStat a day and quantity, from the best-ranked device with good readings that day."""
        ends = self._ends()
        devices = _devices(ends)
        if not devices or last < first:
            return []
        zone = self._documents.zone()
        start_ms, end_ms = local_day(zone, first).start_ms, local_day(zone, last).end_ms
        found = self._measured.days(zone, devices, start_ms, end_ms)
        found.sort(key=lambda stat: (stat.day, ORDER[stat.quantity], rank_of(stat.device, ends.ranks)))
        best: dict[tuple[date, str], DayStat] = {}
        for stat in found:
            best.setdefault((stat.day, stat.quantity), stat)
        return list(best.values())

    def rows(
        self, quantities: Sequence[str], start_ms: int, end_ms: int, every_s: float | None = None
    ) -> Iterator[tuple[int, dict[str, float]]]:
        """Good readings merged by time, some hours of them at a time.

        Steps of every_s are counted from start_ms; the server sums them up. Raises StoreError for an unknown
        quantity or a step under 1 ms.
        """
        for quantity in quantities:
            steps_of(quantity)
        if every_s is not None and not every_s >= 0.001:
            raise StoreError(f"averaging steps of {every_s} s are too short; take at least 0.001 s")
        return self._understood_rows(quantities, start_ms, end_ms, every_s)

    def readings(
        self, start_ms: int, end_ms: int, devices: Collection[str] | None = None
    ) -> Iterator[Reading]:
        """Some hours of readings at a time."""
        with understood(self._asker.host):
            yield from self._readings(start_ms, end_ms, devices)

    def _readings(self, start_ms: int, end_ms: int, devices: Collection[str] | None) -> Iterator[Reading]:
        ends = self._ends()
        there = [each for each in ends.channels if devices is None or each.device in devices]
        if not there:
            return
        names = list(dict.fromkeys(each.device for each in there))
        quantities = list(dict.fromkeys(each.quantity for each in there))
        start_ms = max(start_ms, min(each.first_ms for each in there))
        end_ms = min(end_ms, 1 + max(each.last.time_ms for each in there))
        for from_ms in range(start_ms, end_ms, RAW_AT_ONCE_MS):
            until_ms = min(end_ms, from_ms + RAW_AT_ONCE_MS)
            found = self._measured.flawed(names, from_ms, until_ms)
            columns = self._measured.columns(names, quantities, from_ms, until_ms)
            for (device, quantity), (times, values) in columns.items():
                per_unit = STEPS[quantity]
                found += (
                    Reading(at, device, quantity, value / per_unit)
                    for at, value in zip(times, values, strict=True)
                )
            found.sort(key=lambda reading: reading.time_ms)
            for _, together in groupby(found, key=lambda reading: reading.time_ms):
                yield from in_rank_order(together, ends.ranks)

    @understands
    def flawed(self, quantity: str, start_ms: int, end_ms: int) -> list[Reading]:
        steps_of(quantity)
        devices = [each.device for each in self._ends().channels if each.quantity == quantity]
        if not devices or end_ms <= start_ms:
            return []
        return self._measured.flawed(devices, *_within(start_ms, end_ms), quantity)

    @understands
    def span(self) -> tuple[int, int] | None:
        channels = self._ends().channels
        if not channels:
            return None
        return min(each.first_ms for each in channels), max(each.last.time_ms for each in channels)

    @understands
    def events(self, start_ms: int, end_ms: int, limit: int = 1000) -> list[Event]:
        return [event_of(each.document) for each in self._happened("event", start_ms, end_ms, limit)]

    @understands
    def alarms(self) -> list[AlarmState]:
        found = [alarm_of(document) for document in self._documents.of("alarm")]
        return sorted(found, key=lambda state: state.name)

    @understands
    def transitions(self, start_ms: int, end_ms: int, limit: int = 1000) -> list[Transition]:
        found = self._happened("transition", start_ms, end_ms, limit)
        return [transition_of(each.document, each.number) for each in found]

    @understands
    def log(self, start_ms: int, end_ms: int, limit: int = 1000) -> list[LogEntry]:
        entries = [log_entry_of(each.document, each.number) for each in self._documents.numbered("log")]
        inside = [each for each in entries if start_ms <= each.time_ms < end_ms]
        return sorted(inside, key=lambda each: (-each.time_ms, -each.id))[:limit]

    @understands
    def log_entry(self, number: int) -> LogEntry | None:
        document = self._documents.one("log", number)
        return None if document is None else log_entry_of(document, number)

    @understands
    def open_requests(self) -> list[Request]:
        found = self._documents.numbered("request", only=OPEN_REQUEST)
        requests = [request_of(each.document, each.number) for each in reversed(found)]
        return [each for each in requests if each.done_ms is None]

    @understands
    def request(self, number: int) -> Request | None:
        document = self._documents.one("request", number)
        return None if document is None else request_of(document, number)

    @understands
    def open_notices(self) -> list[Notice]:
        found = self._documents.numbered("notice", only=OPEN_NOTICE)
        notices = [notice_of(each.document, each.number) for each in reversed(found)]
        return [each for each in notices if each.finished_ms is None]

    @understands
    def notices(self, limit: int = 100) -> list[Notice]:
        return [
            notice_of(each.document, each.number) for each in self._documents.numbered("notice", limit=limit)
        ]

    @understands
    def health(self) -> list[DeviceHealth]:
        ranks = self._ends().ranks
        found = [health_of(document) for document in self._documents.of("health")]
        return sorted(found, key=lambda health: rank_of(health.device, ranks))

    @understands
    def note(self, key: str) -> str | None:
        return self._documents.note(key)

    def _ends(self) -> Ends:
        return self._documents.ends()

    def _happened(self, kind: str, start_ms: int, end_ms: int, limit: int) -> Iterator[Numbered]:
        yield from self._documents.happened(kind, start_ms, end_ms, limit)

    def _understood_rows(
        self, quantities: Sequence[str], start_ms: int, end_ms: int, every_s: float | None
    ) -> Iterator[tuple[int, dict[str, float]]]:
        with understood(self._asker.host):
            yield from self._rows(quantities, start_ms, end_ms, every_s)

    def _rows(
        self, quantities: Sequence[str], start_ms: int, end_ms: int, every_s: float | None
    ) -> Iterator[tuple[int, dict[str, float]]]:
        asked = list(dict.fromkeys(quantities))
        ends = self._ends()
        there = [each for quantity in asked for each in _with_good(ends, quantity, start_ms, end_ms)]
        if not there:
            return
        channels = [(each.device, each.quantity) for each in there]
        first_ms = min(each.good_first_ms for each in there if each.good_first_ms is not None)
        end_ms = min(end_ms, 1 + max(each.good.time_ms for each in there if each.good is not None))
        if every_s is None:
            yield from self._raw_rows(channels, asked, max(start_ms, first_ms), end_ms)
        else:
            step_ms = max(1, round(every_s * 1000))
            start_ms += max(0, first_ms - start_ms) // step_ms * step_ms
            yield from self._averaged(channels, asked, start_ms, end_ms, step_ms)

    def _raw_rows(
        self, channels: Sequence[Channel], quantities: Sequence[str], start_ms: int, end_ms: int
    ) -> Iterator[tuple[int, dict[str, float]]]:
        devices = list(dict.fromkeys(device for device, _ in channels))
        for from_ms in range(start_ms, end_ms, RAW_AT_ONCE_MS):
            until_ms = min(end_ms, from_ms + RAW_AT_ONCE_MS)
            columns = self._measured.columns(devices, quantities, from_ms, until_ms)
            rows: dict[int, dict[str, float]] = {}
            for channel in channels:
                per_unit = STEPS[channel[1]]
                times, values = columns.get(channel, ([], []))
                for at, value in zip(times, values, strict=True):
                    rows.setdefault(at, {}).setdefault(channel[1], value / per_unit)
            yield from sorted(rows.items())

    def _averaged(
        self,
        channels: Sequence[Channel],
        quantities: Sequence[str],
        start_ms: int,
        end_ms: int,
        step_ms: int,
    ) -> Iterator[tuple[int, dict[str, float]]]:
        devices = list(dict.fromkeys(device for device, _ in channels))
        at_once_ms = step_ms * max(1, DAY_MS // step_ms)
        for from_ms in range(start_ms, end_ms, at_once_ms):
            span = from_ms, min(end_ms, from_ms + at_once_ms)
            steps: dict[Channel, dict[int, Step]] = {channel: {} for channel in channels}
            for channel, step in self._measured.sums(devices, quantities, span, step_ms, start_ms):
                if channel in steps:
                    former = steps[channel].get(step[0])
                    steps[channel][step[0]] = step if former is None else _added(former, step)
            rows: dict[int, dict[str, float]] = {}
            for channel in channels:
                per_unit, is_code = STEPS[channel[1]], channel[1] in CODES
                for number, count, _, total, high in steps[channel].values():
                    value = high if is_code else total / count
                    rows.setdefault(number, {}).setdefault(channel[1], value / per_unit)
            for number, row in sorted(rows.items()):
                yield start_ms + number * step_ms, row


class LentReader(ServedReader):
    """A reader whose asker belongs to a process that asks on: to close it closes no connection."""

    def close(self) -> None:
        """Leave the connections open."""


def open_served_reader(
    keys: ServerKeys,
    site_name: str,
    secrets: Secrets,
    folder: Path,
    *,
    hold_s: float = 0.0,
    timeout_s: float = TIMEOUT_S,
) -> ServedReader:
    """Open a site's store on a server to read; nothing is asked yet.

    folder is the site file's. hold_s is how long answers about the present state are given again without
    asking, for a page that asks the same several times; timeout_s is the longest wait for an answer to begin.
    What is asked raises ServerError where the server does not answer.
    """
    return ServedReader(Asker(keys, secrets, folder, timeout_s=timeout_s), site_name, hold_s)


def _with_good(ends: Ends, quantity: str, start_ms: int, end_ms: int) -> list[ChannelEnds]:
    """The channels of a quantity that may have good readings in a span, best-ranked first."""
    there = [
        channel
        for channel in ends.channels
        if channel.quantity == quantity
        and channel.good is not None
        and channel.good_first_ms is not None
        and channel.good_first_ms < end_ms
        and channel.good.time_ms >= start_ms
    ]
    return sorted(there, key=lambda channel: rank_of(channel.device, ends.ranks))


def _devices(ends: Ends) -> list[str]:
    return list(dict.fromkeys(channel.device for channel in ends.channels))


def _within(start_ms: int, end_ms: int) -> tuple[int, int]:
    """A span in times that a server knows."""
    return max(0, start_ms), min(end_ms, LATEST_MS)


def _added(former: Step, step: Step) -> Step:
    return (
        step[0],
        former[1] + step[1],
        min(former[2], step[2]),
        former[3] + step[3],
        max(former[4], step[4]),
    )
