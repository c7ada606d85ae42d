"""The readings of a site on a server and their statistics: statements, and what comes back in whole steps.

Devices have the names of the site file here and the server's only in statements.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from zoneinfo import ZoneInfo

from monitor.local_days import day_at
from monitor.records import DAY_MS, HOUR_MS, LATEST_MS, DayStat, Quality, Reading
from monitor.served.lines import DAYS, FLAWED, HOURS, MEASUREMENT, tag_text
from monitor.served.query import Asker, quoted
from monitor.store.days import FARTHEST_MS
from monitor.store.documents import gaps_of
from monitor.store.reduce import Step
from monitor.store.steps import STEPS
from monitor.store.zoom import KeptDay

Channel = tuple[str, str]
"""Device and quantity."""

Column = tuple[list[int], list[int]]
"""Times in ms and values in whole steps of a channel, in order of time."""

SUMMED_AT_ONCE_MS = 2 * DAY_MS
"""So much time one statement sums up (our choice; a server of the 3 line opens at most some three days of
files for one question, by its documentation)."""

NUMBERS = (
    "count", "minimum", "min_ms", "mean", "maximum", "first", "last",
    "integral_h", "positive_h", "negative_h", "covered_s",
)  # fmt: skip
"""A day's numbers in the order of `records.DayStat`."""

KEPT = ("count", "minimum", "mean", "maximum", "first_ms", "last_ms", "limit_ms", "gaps")
"""A day's numbers in the order of `zoom.KeptDay`."""


_FUNCTIONS = {"n": "count", "l": "min", "s": "sum", "h": "max"}


class Measured:
    """Asks for one site's readings. Each call raises ServerError where the server does not answer."""

    def __init__(self, asker: Asker, site_name: str) -> None:
        self._asker = asker
        self._site = f'"site" = {quoted(tag_text(site_name))}'

    def columns(
        self, devices: Sequence[str], quantities: Sequence[str], start_ms: int, end_ms: int
    ) -> dict[Channel, Column]:
        """Good readings in [start, end)."""
        fields = ", ".join(f'"{quantity}"' for quantity in quantities)
        named, where = self._of(devices, start_ms, end_ms)
        found: dict[Channel, Column] = {}
        statement = f'SELECT {fields} FROM "{MEASUREMENT}" WHERE {where} GROUP BY "device"'
        for rows in self._asker.ask(statement):
            device = named[rows.tags["device"]]
            times, *values = zip(*rows.values, strict=True)
            for quantity, column in zip(rows.columns[1:], values, strict=True):
                per_unit = STEPS[quantity]
                kept = found.setdefault((device, quantity), ([], []))
                if None in column:
                    there = [
                        (at, value) for at, value in zip(times, column, strict=True) if value is not None
                    ]
                    kept[0].extend([at for at, _ in there])
                    kept[1].extend([round(value * per_unit) for _, value in there])
                else:
                    kept[0].extend(times)
                    kept[1].extend([round(value * per_unit) for value in column])
        return found

    def sums(
        self,
        devices: Sequence[str],
        quantities: Sequence[str],
        span: tuple[int, int],
        width_ms: int,
        origin_ms: int,
    ) -> Iterator[tuple[Channel, Step]]:
        """Good readings in a span, summed by the server in buckets counted from origin; those of one channel
        in order of time, a bucket maybe in two parts."""
        asked = ", ".join(
            f'{function}("{name}") AS {short}{at}'
            for at, name in enumerate(quantities)
            for short, function in _FUNCTIONS.items()
        )
        start_ms, end_ms = span
        for from_ms in range(start_ms, end_ms, SUMMED_AT_ONCE_MS):
            named, where = self._of(devices, from_ms, min(end_ms, from_ms + SUMMED_AT_ONCE_MS))
            by = f'time({width_ms}ms, {origin_ms % width_ms}ms), "device"'
            statement = f'SELECT {asked} FROM "{MEASUREMENT}" WHERE {where} GROUP BY {by} fill(none)'
            for rows in self._asker.ask(statement):
                device = named[rows.tags["device"]]
                for at, quantity in enumerate(quantities):
                    n, low, total, high = (rows.columns.index(f"{name}{at}") for name in _FUNCTIONS)
                    per_unit = STEPS[quantity]
                    for row in rows.values:
                        if row[n]:
                            yield (
                                (device, quantity),
                                (
                                    (row[0] - origin_ms) // width_ms,
                                    row[n],
                                    round(row[low] * per_unit),
                                    round(row[total] * per_unit),
                                    round(row[high] * per_unit),
                                ),
                            )

    def pace(
        self, devices: Sequence[str], quantity: str, start_ms: int, end_ms: int
    ) -> dict[str, tuple[float, int, int]]:
        """Of good readings in [start, end), at least two of each device: the median of their intervals, and
        the times of the first and the last, in ms."""
        named, where = self._of(devices, start_ms, end_ms)
        of = f'FROM "{MEASUREMENT}" WHERE {where} GROUP BY "device"'
        intervals = f'SELECT elapsed("{quantity}", 1ms) AS "interval" {of}'
        statements = (
            f'SELECT first("{quantity}") AS "first" {of}',
            f'SELECT last("{quantity}") AS "last" {of}',
            f'SELECT median("interval") AS "usual" FROM ({intervals}) WHERE {_time(start_ms, end_ms)}'
            ' GROUP BY "device"',
        )
        found: dict[str, dict[str, float]] = {}
        for rows in self._asker.ask("; ".join(statements)):
            what = rows.columns[1]
            at, value = rows.values[0]
            found.setdefault(named[rows.tags["device"]], {})[what] = value if what == "usual" else at
        return {
            device: (each["usual"], round(each["first"]), round(each["last"]))
            for device, each in found.items()
        }

    def silences(
        self, device: str, quantity: str, start_ms: int, end_ms: int, limit_ms: float
    ) -> list[tuple[int, int]]:
        """Neighbouring good readings in [start, end) further apart than a limit."""
        _, where = self._of([device], start_ms, end_ms)
        intervals = f'SELECT elapsed("{quantity}", 1ms) AS "interval" FROM "{MEASUREMENT}" WHERE {where}'
        statement = (
            f'SELECT "interval" FROM ({intervals}) WHERE "interval" > {limit_ms!r}'
            f" AND {_time(start_ms, end_ms)}"
        )
        return [(at - interval, at) for rows in self._asker.ask(statement) for at, interval in rows.values]

    def hours(
        self, devices: Sequence[str], quantity: str, start_ms: int, end_ms: int
    ) -> dict[str, list[Step]]:
        """The hours that begin in [start, end), numbered since 1970."""
        per_unit = STEPS[quantity]
        named, where = self._of(devices, start_ms, end_ms)
        fields = '"count", "minimum", "mean", "maximum"'
        statement = f'SELECT {fields} FROM "{HOURS}" WHERE {where} AND "quantity" = {quoted(quantity)}'
        found: dict[str, list[Step]] = {}
        for rows in self._asker.ask(f'{statement} GROUP BY "device"'):
            steps = found.setdefault(named[rows.tags["device"]], [])
            steps += (
                (
                    at // HOUR_MS,
                    count,
                    round(low * per_unit),
                    round(mean * count * per_unit),
                    round(high * per_unit),
                )
                for at, count, low, mean, high in rows.values
            )
        return found

    def kept_days(
        self, zone: ZoneInfo, devices: Sequence[str], quantity: str, start_ms: int, end_ms: int
    ) -> dict[str, list[KeptDay] | None]:
        """The local days that begin in [start, end), by device; None where one does not know its gaps."""
        named, where = self._of(devices, start_ms, end_ms)
        fields = ", ".join(f'"{name}"' for name in KEPT)
        statement = f'SELECT {fields} FROM "{DAYS}" WHERE {where} AND "quantity" = {quoted(quantity)}'
        found: dict[str, list[KeptDay] | None] = {}
        for rows in self._asker.ask(f'{statement} GROUP BY "device"'):
            device = named[rows.tags["device"]]
            kept = found.setdefault(device, [])
            of_zone = [values for values in rows.values if _begins_at(zone, values[0]) is not None]
            if kept is None or any(None in values for values in of_zone):
                found[device] = None
                continue
            kept += (
                KeptDay._make((day_at(zone, at).day.toordinal(), *numbers, gaps_of(gaps)))
                for at, *numbers, gaps in of_zone
            )
        return found

    def days(self, zone: ZoneInfo, devices: Sequence[str], start_ms: int, end_ms: int) -> list[DayStat]:
        """All statistics of the local days that begin in [start, end)."""
        named, where = self._of(devices, start_ms, end_ms)
        fields = ", ".join(f'"{name}"' for name in NUMBERS)
        found = []
        known: dict[int, date | None] = {}
        for rows in self._asker.ask(
            f'SELECT {fields} FROM "{DAYS}" WHERE {where} GROUP BY "device", "quantity"'
        ):
            device, quantity = named[rows.tags["device"]], rows.tags["quantity"]
            for at, *numbers in rows.values:
                if at not in known:
                    known[at] = _begins_at(zone, at)
                day = known[at]
                if day is not None and None not in numbers and quantity in STEPS:
                    found.append(DayStat(day, device, quantity, *numbers))
        return found

    def flawed(
        self, devices: Sequence[str], start_ms: int, end_ms: int, quantity: str | None = None
    ) -> list[Reading]:
        """Readings in [start, end) that are not good, in order of time."""
        named, where = self._of(devices, start_ms, end_ms)
        if quantity is not None:
            where += f' AND "quantity" = {quoted(quantity)}'
        found = [
            Reading(
                at, named[rows.tags["device"]], rows.tags["quantity"], _float(value), Quality(quality), said
            )
            for rows in self._asker.ask(
                f'SELECT "value", "quality", "reason" FROM "{FLAWED}" WHERE {where}'
                ' GROUP BY "device", "quantity"'
            )
            if rows.tags["quantity"] in STEPS
            for at, value, quality, said in rows.values
        ]
        return sorted(found, key=lambda reading: reading.time_ms)

    def end_of(
        self, device: str, quantity: str, start_ms: int, end_ms: int, *, newest: bool
    ) -> tuple[int, int] | None:
        """The first or newest good reading in [start, end): its time and its value in steps."""
        _, where = self._of([device], start_ms, end_ms)
        order = "DESC" if newest else "ASC"
        statement = f'SELECT "{quantity}" FROM "{MEASUREMENT}" WHERE {where} ORDER BY time {order} LIMIT 1'
        for rows in self._asker.ask(statement):
            for at, value in rows.values:
                return at, round(value * STEPS[quantity])
        return None

    def flawed_end(self, device: str, quantity: str, *, newest: bool) -> Reading | None:
        """The first or newest reading of a channel that is not good."""
        _, where = self._of([device], 0, LATEST_MS)
        order = "DESC" if newest else "ASC"
        statement = (
            f'SELECT "value", "quality", "reason" FROM "{FLAWED}" WHERE {where}'
            f' AND "quantity" = {quoted(quantity)} ORDER BY time {order} LIMIT 1'
        )
        for rows in self._asker.ask(statement):
            for at, value, quality, said in rows.values:
                return Reading(at, device, quantity, _float(value), Quality(quality), said)
        return None

    def take_out(self, measurement: str, devices: Sequence[str], start_ms: int, end_ms: int) -> None:
        """Have devices' points in [start, end) deleted.

        Once, and before anything is written again: influxdb 1.6.7 loses a device that was deleted as a whole
        and written anew from its index when another one is deleted so, until it is written again.
        """
        _, where = self._of(devices, start_ms, end_ms)
        self._asker.tell(f'DELETE FROM "{measurement}" WHERE {where}')

    def last_before_day(self, devices: Sequence[str], day_ms: int) -> dict[Channel, tuple[int, int]]:
        """The last good reading of each channel before a day began, if near enough ever to be joined: its
        time and its value in steps. From the days before, which are always up to date."""
        span = max(0, day_ms - FARTHEST_MS - DAY_MS - HOUR_MS), day_ms
        found = self._days_ends(devices, "last", span)
        return {channel: end for channel, end in found.items() if end[0] >= day_ms - FARTHEST_MS}

    def first_after_day(self, devices: Sequence[str], day_end_ms: int) -> dict[Channel, tuple[int, int]]:
        """The first good reading of each channel after a day's end, likewise."""
        found = self._days_ends(devices, "first", (day_end_ms, day_end_ms + FARTHEST_MS))
        return {channel: end for channel, end in found.items() if end[0] < day_end_ms + FARTHEST_MS}

    def _days_ends(
        self, devices: Sequence[str], which: str, span: tuple[int, int]
    ) -> dict[Channel, tuple[int, int]]:
        """The first or last reading of the first or last day of each channel that begins in a span."""
        if not devices:
            return {}
        named, where = self._of(devices, *span)
        fields = f'"{which}_ms", "{which}"'
        found: dict[Channel, tuple[int, int]] = {}
        for rows in self._asker.ask(
            f'SELECT {fields} FROM "{DAYS}" WHERE {where} GROUP BY "device", "quantity"'
        ):
            channel = named[rows.tags["device"]], rows.tags["quantity"]
            ends = [(at, round(value * STEPS[channel[1]])) for _, at, value in rows.values if at is not None]
            if ends and (which == "last" or channel not in found):
                found[channel] = ends[-1 if which == "last" else 0]
        return found

    def _of(self, devices: Sequence[str], start_ms: int, end_ms: int) -> tuple[dict[str, str], str]:
        """The devices' names by the server's, and the condition for them in [start, end)."""
        named = {tag_text(device): device for device in devices}
        of = " OR ".join(f'"device" = {quoted(name)}' for name in named)
        return named, f"{self._site} AND ({of}) AND {_time(start_ms, end_ms)}"


def _begins_at(zone: ZoneInfo, time_ms: int) -> date | None:
    """The local day that begins at a time; None where none does: rows of a zone that the site had before stay
    in a mirror's copy."""
    day = day_at(zone, time_ms)
    return day.day if day.start_ms == time_ms else None


def _time(start_ms: int, end_ms: int) -> str:
    return f"time >= {start_ms}ms AND time < {end_ms}ms"


def _float(value: float | None) -> float | None:
    return None if value is None else float(value)
