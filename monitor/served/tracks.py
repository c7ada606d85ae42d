"""One quantity's channels on a server, as a series needs them (`zoom.Track`).

What one question of a series asks for one device is fetched for all of them at once.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from itertools import pairwise
from zoneinfo import ZoneInfo

from monitor.records import HOUR_MS
from monitor.served.measured import Column, Measured
from monitor.store.days import GAP_INTERVALS
from monitor.store.reduce import Part, Run, Step, bucket_width_ms, sum_parts
from monitor.store.tiers import join_steps
from monitor.store.zoom import KeptDay, by_readings

LONGEST_DAY_MS = 25 * HOUR_MS


MANY = 2000
"""So many readings of a channel are summed up by the server for a series, fewer are fetched (our choice;
measured: to fetch 17,000 costs 30 to 70 ms of our CPU, to have them summed up 7)."""


class Source:
    """What was fetched for one series."""

    def __init__(self, measured: Measured, zone: ZoneInfo, quantity: str, devices: Sequence[str]) -> None:
        self.zone = zone
        self.measured, self.quantity, self.devices = measured, quantity, devices
        self._equal: dict[tuple[int, int, int], dict[str, list[Step]]] = {}
        self._pace: dict[tuple[int, int], dict[str, tuple[float, int, int]]] = {}
        self._raw: dict[tuple[int, int], dict[str, Column]] = {}
        self._steps: dict[tuple[int, int, int], dict[str, list[Step]]] = {}
        self._days: dict[tuple[int, int], dict[str, list[KeptDay] | None]] = {}

    def raw(self, start_ms: int, end_ms: int) -> dict[str, Column]:
        """Readings in [start, end), by device."""
        if (start_ms, end_ms) not in self._raw:
            found = self.measured.columns(self.devices, [self.quantity], start_ms, end_ms)
            self._raw[start_ms, end_ms] = {device: column for (device, _), column in found.items()}
        return self._raw[start_ms, end_ms]

    def fetched(self, start_ms: int, end_ms: int) -> tuple[int, int]:
        """A span around [start, end) whose readings were fetched, else itself."""
        around = (span for span in self._raw if span[0] <= start_ms and end_ms <= span[1])
        return next(around, (start_ms, end_ms))

    def steps(self, start_ms: int, end_ms: int, length_ms: int) -> dict[str, list[Step]]:
        """Steps of a length in [start, end), by device; those cut by the span hold what is inside."""
        key = start_ms, end_ms, length_ms
        if key not in self._steps:
            first, after = -(-start_ms // length_ms) * length_ms, end_ms // length_ms * length_ms
            if length_ms != HOUR_MS or first >= after:
                found = self._summed(start_ms, end_ms, length_ms)
            else:
                found = self._summed(start_ms, first, length_ms)
                whole = self.measured.hours(self.devices, self.quantity, first, after)
                for more in (whole, self._summed(after, end_ms, length_ms)):
                    for device, steps in more.items():
                        found.setdefault(device, []).extend(steps)
            self._steps[key] = found
        return self._steps[key]

    def equal(self, start_ms: int, end_ms: int, points: int) -> dict[str, list[Step]]:
        """[start, end) in equal buckets counted from start, by device."""
        key = start_ms, end_ms, points
        if key not in self._equal:
            width_ms = bucket_width_ms(start_ms, end_ms, points)
            self._equal[key] = self._summed(start_ms, end_ms, width_ms, start_ms)
        return self._equal[key]

    def pace(self, start_ms: int, end_ms: int) -> dict[str, tuple[float, int, int]]:
        """Of [start, end) by device: the usual interval, and the times of the first and last reading."""
        if (start_ms, end_ms) not in self._pace:
            self._pace[start_ms, end_ms] = self.measured.pace(self.devices, self.quantity, start_ms, end_ms)
        return self._pace[start_ms, end_ms]

    def days(self, start_ms: int, end_ms: int) -> dict[str, list[KeptDay] | None]:
        """Local days that [start, end) touches, by device."""
        if (start_ms, end_ms) not in self._days:
            from_ms = max(0, start_ms - LONGEST_DAY_MS)
            self._days[start_ms, end_ms] = self.measured.kept_days(
                self.zone, self.devices, self.quantity, from_ms, end_ms
            )
        return self._days[start_ms, end_ms]

    def _summed(
        self, start_ms: int, end_ms: int, length_ms: int, origin_ms: int = 0
    ) -> dict[str, list[Step]]:
        if start_ms >= end_ms:
            return {}
        found: dict[str, list[Step]] = {}
        sums = self.measured.sums(self.devices, [self.quantity], (start_ms, end_ms), length_ms, origin_ms)
        for (device, _), step in sums:
            found.setdefault(device, []).append(step)
        return {device: join_steps(steps, 0, 1) for device, steps in found.items()}


class ServedTrack:
    """One device's quantity."""

    def __init__(self, source: Source, device: str) -> None:
        self._source, self._device = source, device

    def buckets(self, start_ms: int, end_ms: int, points: int) -> tuple[Sequence[Step], Sequence[Run]]:
        """Few readings are fetched. Of many the server sums the buckets up and finds the silences, whose
        usual interval is then the median of all intervals."""
        steps = self._source.equal(start_ms, end_ms, points).get(self._device, [])
        if sum(step[1] for step in steps) < MANY:
            return by_readings(self, start_ms, end_ms, points)
        usual_ms, first_ms, last_ms = self._source.pace(start_ms, end_ms)[self._device]
        limit_ms = GAP_INTERVALS * usual_ms
        silences = self._source.measured.silences(
            self._device, self._source.quantity, start_ms, end_ms, limit_ms
        )
        starts, ends = [first_ms, *(end for _, end in silences)], [*(at for at, _ in silences), last_ms]
        return steps, list(zip(starts, ends, strict=True))

    def parts(self, start_ms: int, end_ms: int, width_ms: int, origin_ms: int) -> list[Part]:
        return sum_parts(*self._raw(start_ms, end_ms), width_ms, origin_ms)

    def pairs(self, first_ms: int, last_ms: int, limit_ms: float) -> list[Run]:
        times, _ = self._raw(first_ms, last_ms + 1)
        return [pair for pair in pairwise(times) if pair[1] - pair[0] > limit_ms]

    def steps(self, start_ms: int, end_ms: int, length_ms: int) -> Sequence[Step]:
        return self._source.steps(start_ms, end_ms, length_ms).get(self._device, [])

    def days(self, start_ms: int, end_ms: int) -> Sequence[KeptDay] | None:
        return self._source.days(start_ms, end_ms).get(self._device, [])

    def first_from(self, start_ms: int, end_ms: int) -> int | None:
        return self._end(start_ms, end_ms, newest=False)

    def last_before(self, end_ms: int, start_ms: int) -> int | None:
        return self._end(start_ms, end_ms, newest=True)

    def _end(self, start_ms: int, end_ms: int, *, newest: bool) -> int | None:
        found = self._source.measured.end_of(
            self._device, self._source.quantity, start_ms, end_ms, newest=newest
        )
        return None if found is None else found[0]

    def _raw(self, start_ms: int, end_ms: int) -> Column:
        """Readings in [start, end); a span inside one that was fetched is not fetched again."""
        fetched = self._source.fetched(start_ms, end_ms)
        times, values = self._source.raw(*fetched).get(self._device, ([], []))
        inside = slice(bisect_left(times, start_ms), bisect_left(times, end_ms))
        return times[inside], values[inside]
