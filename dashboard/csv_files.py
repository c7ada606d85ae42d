"""The figures behind each picture as a file: CSV after RFC 4180, the same for every phone.

The first row names the columns by the canonical quantities, their units in the names; times are ISO 8601 in
UTC, the decimal mark is a point, what is not known is empty. No file is larger than its picture: a few
thousand rows at most. Asks the store.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from io import StringIO
from unicodedata import normalize
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from dashboard.days import Span, asked_span, take_each_day
from dashboard.night import begin_ms
from dashboard.snapshot import outlook_of, take_history
from dashboard.strips import SINGLE_UP_TO_MS, asked_there, read_closely, take_strips
from dashboard.sun_pictures import STEPS, take_courses
from dashboard.view import View, address
from monitor.local_days import local_day
from monitor.present import now_of
from monitor.records import HOUR_MS, Reading, Series, iso_utc, parse_iso, to_datetime
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.steps import CODES
from monitor.store.table_out import number

LAST_DAY = "/files/last-24-hours.csv"
NIGHT = "/files/night-line.csv"
DAYS = "/files/days.csv"
HOURS = "/files/hours-of-the-sun.csv"
CLOSER = "/files/closer.csv"

FORMULA_MARKS = "=+-@\t\r\n＝＋－＠"
"""A spreadsheet takes a text that begins so for a formula (OWASP, 'CSV Injection', from memory)."""

SHARES = ("p10", "p50", "p90")
"""What an outlook tells of each value."""

Cell = str | float | None


@dataclass(frozen=True, slots=True)
class Table:
    """A file's name without site and ending, its columns, its rows."""

    name: str
    columns: Sequence[str]
    rows: Iterable[Sequence[Cell]]


def text_of(table: Table) -> str:
    """The table as CSV."""
    out = StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(table.columns)
    writer.writerows([_cell(each) for each in row] for row in table.rows)
    return out.getvalue()


def _cell(value: Cell) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else number(value)


def harmless(text: str) -> str:
    """A free text that no spreadsheet takes for a formula: an apostrophe before what looks like one."""
    return f"'{text}" if text[:1] in FORMULA_MARKS and text else text


def file_name(site: Site, name: str) -> str:
    """'marsh-hide-days-2026-11-12-to-2026-11-25.csv', in letters that every file system takes."""
    plain = normalize("NFKD", site.site.name).encode("ascii", "ignore").decode().lower()
    return f"{re.sub('[^a-z0-9]+', '-', plain).strip('-') or 'site'}-{name}.csv"


def days_address(path: str, span: Span) -> str:
    """The address of a file over the days of a page."""
    return f"{path}?{urlencode({'to': span.last.isoformat(), 'days': span.days})}"


def closer_address(view: View, zone: ZoneInfo) -> str:
    """The address of the file of a closer look."""
    return address(view, zone, CLOSER)


def last_day_table(site: Site, reader: StoreReader, _query: Mapping[str, str]) -> Table:
    """Bank voltage and current of the last 24 hours as the page draws them."""
    history = take_history(reader, site)
    return Table(
        f"last-24-hours-{_stamp(history.now_ms)}",
        *_buckets((history.voltage, history.current)),
    )


def night_table(_site: Site, reader: StoreReader, _query: Mapping[str, str]) -> Table | None:
    """The charge since sunset and the course that is expected; None where no outlook was made."""
    outlook = outlook_of(reader)
    if outlook is None:
        return None
    now_ms = now_of(reader).time_ms
    begun_ms = begin_ms(outlook, now_ms)
    past = reader.series("state_of_charge", begun_ms, now_ms, 60)
    gone: list[list[Cell]] = [[iso_utc(each.start_ms), each.mean, *[None] * 6] for each in past.buckets]
    ahead: list[list[Cell]] = [
        [
            iso_utc(parse_iso(point["time"])),
            None,
            *(point.get(key, {}).get(share) for key in ("soc", "battery_voltage_V") for share in SHARES),
        ]
        for point in outlook["course"]
    ]
    columns = ["time", "state_of_charge"]
    columns += [f"{name}_{share}" for name in ("state_of_charge", "battery_voltage_V") for share in SHARES]
    return Table(f"night-line-{_stamp(parse_iso(outlook['at']))}", columns, [*gone, *ahead])


def days_table(site: Site, reader: StoreReader, query: Mapping[str, str]) -> Table:
    """A row a day, also where the page goes by weeks."""
    span = _span(site, reader, query)
    columns = (
        "date",
        "sky",
        "harvest_Wh",
        "clear_sky_Wh",
        "unused_Wh",
        "used_Wh",
        "battery_voltage_V_min",
        "state_of_charge_min",
        "full",
    )
    rows = [
        (
            row.first.isoformat(),
            "" if row.sky == "none" else row.sky,
            row.harvest_Wh,
            row.clear_sky_Wh,
            row.unused_Wh,
            row.used_Wh,
            row.voltage_min_V,
            row.soc_min,
            row.full_days,
        )
        for row, _ in take_each_day(reader, site, span)
    ]
    return Table(f"days-{_dates(span.first, span.last)}", columns, rows)


def hours_table(site: Site, reader: StoreReader, query: Mapping[str, str]) -> Table:
    """The array's mean power in each 48th of a day, and a clear sky's where a table of the sun is stored.

    Empty for a span of which the page draws no hours.
    """
    span, zone = _span(site, reader, query), site.site.zone
    rows: list[Sequence[Cell]] = []
    for course in take_courses(reader, site, span, {}):
        day = local_day(zone, course.day)
        width_ms = (day.end_ms - day.start_ms) / STEPS
        clear: dict[int, list[float]] = {}
        for hour, power_W in course.clear_W:
            clear.setdefault(int(hour * HOUR_MS / width_ms), []).append(power_W)
        for hour, power_W in course.power_W:
            at = int(hour * HOUR_MS / width_ms)
            lit = clear.get(at, [0.0] if course.clear_W else [])
            clear_W = sum(lit) / len(lit) if lit else None
            rows.append((iso_utc(day.start_ms + round(at * width_ms)), power_W, clear_W))
    columns = ("time", "array_power_W_mean", "clear_sky_W_mean")
    return Table(f"hours-of-the-sun-{_dates(span.first, span.last)}", columns, rows)


def closer_table(site: Site, reader: StoreReader, query: Mapping[str, str]) -> Table:
    """What a closer look shows: its buckets, or in a very close one each reading."""
    now_ms = now_of(reader).time_ms
    view, _, _ = asked_there(query, reader, site, now_ms)
    name = f"{'-'.join(view.quantities) or 'nothing'}-{_stamp(view.start_ms)}-to-{_stamp(view.end_ms)}"
    if view.length_ms <= SINGLE_UP_TO_MS:
        readings = read_closely(reader, view)
        columns = ("time", "device", "quantity", "value", "quality", "reason")
        return Table(name, columns, [_reading(each) for each in readings])
    return Table(name, *_buckets([strip.series for strip in take_strips(reader, view, now_ms)]))


TABLES = {
    LAST_DAY: last_day_table,
    NIGHT: night_table,
    DAYS: days_table,
    HOURS: hours_table,
    CLOSER: closer_table,
}
"""The files by address."""


def _reading(each: Reading) -> tuple[Cell, ...]:
    return (
        iso_utc(each.time_ms),
        harmless(each.device),
        each.quantity,
        each.value,
        each.quality.name.lower(),
        harmless(each.reason),
    )


def _buckets(series: Sequence[Series]) -> tuple[list[str], list[list[Cell]]]:
    """Columns and rows of series over the same time: a row a bucket, named by its start."""
    columns = ["time"]
    rows: dict[int, dict[str, float | None]] = {}
    for each in series:
        name = each.quantity
        columns += [f"{name}_{of}" for of in ("min", "mean", "max")]
        for bucket in each.buckets:
            rows.setdefault(bucket.start_ms, {}).update(
                {
                    f"{name}_min": bucket.minimum,
                    f"{name}_mean": None if name in CODES else bucket.mean,
                    f"{name}_max": bucket.maximum,
                }
            )
    return columns, [
        [iso_utc(at_ms), *(rows[at_ms].get(column) for column in columns[1:])] for at_ms in sorted(rows)
    ]


def _span(site: Site, reader: StoreReader, query: Mapping[str, str]) -> Span:
    now = to_datetime(now_of(reader).time_ms).astimezone(site.site.zone)
    return asked_span(query, now.date())


def _dates(first: date, last: date) -> str:
    return f"{first.isoformat()}-to-{last.isoformat()}"


def _stamp(time_ms: int) -> str:
    """A time as a file's name takes it: '2026-11-25T200000Z'."""
    return iso_utc(time_ms // 1000 * 1000).replace(":", "")
