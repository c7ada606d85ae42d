"""Another program's CSV table, described: which column is which quantity, how numbers and times are written.

The description is a small TOML file:

    [table]
    separator = ";"            # "," unless said; "\\t" for a tabulator
    decimal = ","              # "." unless said
    encoding = "cp1252"        # "utf-8" unless said
    lines_before = 2           # lines before the one that names the columns; 0 unless said
    empty = ["---"]            # what stands where a value is missing; an empty field always does

    [time]
    column = ["Date", "Clock"] # one column, or several that are joined by a space
    format = "%d.%m.%Y %H:%M"  # "iso" unless said; "unix_s" and "unix_ms" count from 1970
    zone = "Europe/London"     # the site's own unless said; not asked where the time names its offset

    [quantities.battery_voltage_V]
    column = "Bank mV"
    factor = 0.001             # value = number * factor + offset
    offset = 0.0

    [quantities.charge_stage]
    column = "Mode"
    words = { "B" = 1, "F" = 3 }   # words in place of numbers

Columns that are not named are left aside. In the hour that a clock shows twice in autumn a row belongs to the
first passage, unless the row before stands at that time or later: then to the second.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import Field, ValidationError

from monitor.errors import MapError, Problem, StoreError, TableError
from monitor.local_days import zone_of
from monitor.quantities import QUANTITIES
from monitor.records import Reading, to_ms
from monitor.site.table import Table, plain_problem
from monitor.store.table_rows import BadRow, Layout, decimal, fields_of, in_range, judged
from monitor.toml_lines import TomlPath, did_you_mean, dotted, load_toml

UNIX = {"unix_s": 1000, "unix_ms": 1}
"""Formats that count from 1970, with their ms."""


class _TableEntry(Table):
    separator: Annotated[str, Field(min_length=1, max_length=1)] = ","
    decimal: Literal[".", ","] = "."
    encoding: str = "utf-8"
    lines_before: Annotated[int, Field(ge=0)] = 0
    empty: list[str] = Field(default_factory=list)


class _TimeEntry(Table):
    column: str | list[str]
    format: str = "iso"
    zone: str | None = None


class _QuantityEntry(Table):
    column: str
    factor: float = 1.0
    offset: float = 0.0
    words: dict[str, float] = Field(default_factory=dict)


class _MapEntry(Table):
    table: _TableEntry = _TableEntry()
    time: _TimeEntry
    quantities: Annotated[dict[str, _QuantityEntry], Field(min_length=1)]


@dataclass(frozen=True, slots=True)
class ValueColumn:
    """One column of values: value = number * factor + offset, or what a word stands for."""

    quantity: str
    column: str
    factor: float = 1.0
    offset: float = 0.0
    words: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TableMap:
    """How a table is to be read; the docstring of this module says what each part means."""

    time_columns: tuple[str, ...]
    values: tuple[ValueColumn, ...]
    zone: ZoneInfo
    time_format: str = "iso"
    separator: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    lines_before: int = 0
    empty: frozenset[str] = frozenset()

    def layout(self, numbered: Iterator[tuple[int, str]], name: str) -> Layout:
        """How to read the rows behind the header, which is taken from the lines.

        Raises TableError where a column that the map names is not there, or stands there twice.
        """
        line, text = 0, ""
        for line, text in numbered:  # noqa: B007
            if line > self.lines_before:
                break
        try:
            header = [each.strip() for each in fields_of(text.lstrip("\ufeff").strip("\r\n"), self.separator)]
        except BadRow as error:
            raise TableError(f"{name}: line {line}: {error}") from error
        places = {}
        for column in (*self.time_columns, *(value.column for value in self.values)):
            if header.count(column) != 1:
                how = f"more than one column '{column}'" if column in header else f"no column '{column}'"
                raise TableError(
                    f"{name}: line {line}: there is {how}; the line has:"
                    f" {', '.join(map(repr, header))} (columns parted by {self.separator!r})"
                )
            places[column] = header.index(column)
        return _Rows(self, places, len(header)).readings


class _Rows:
    """The rows of one table, in order: which passage of an hour it is hangs on the row before."""

    def __init__(self, described: TableMap, places: dict[str, int], count: int) -> None:
        self._map, self._places, self._count = described, places, count
        self._before_ms: int | None = None

    def readings(self, fields: Sequence[str]) -> list[Reading]:
        if len(fields) != self._count:
            raise BadRow(f"{len(fields)} fields, the header names {self._count} columns")
        stamp = " ".join(fields[self._places[column]].strip() for column in self._map.time_columns)
        time_ms = self._time(stamp)
        self._before_ms = time_ms
        found = []
        for value in self._map.values:
            text = fields[self._places[value.column]].strip()
            if text and text not in self._map.empty:
                found.append(judged(time_ms, value.quantity, self._number(value, text), text))
        return found

    def _number(self, value: ValueColumn, text: str) -> float:
        if text in value.words:
            return value.words[text]
        where = f"column '{value.column}' ({value.quantity})"
        if value.words:
            raise BadRow(f"{where}: '{text}' is none of the words {', '.join(map(repr, value.words))}")
        if self._map.decimal == "," and "." in text:
            raise BadRow(f"{where}: '{text}' has a point, and the map says that decimals have a comma")
        return decimal(text.replace(self._map.decimal, "."), where) * value.factor + value.offset

    def _time(self, stamp: str) -> int:
        column = " ".join(self._map.time_columns)
        try:
            return in_range(self._moment(stamp), stamp)
        except BadRow as error:
            raise BadRow(f"column '{column}': {error}") from error
        except (ValueError, OverflowError) as error:
            raise BadRow(
                f"column '{column}': '{stamp}' is no time of the form {self._map.time_format}"
            ) from error

    def _moment(self, stamp: str) -> int:
        """UTC ms of a stamp. Raises BadRow, ValueError or OverflowError."""
        form = self._map.time_format
        if form in UNIX:
            return round(float(stamp) * UNIX[form])
        read = datetime.fromisoformat(stamp) if form == "iso" else datetime.strptime(stamp, form)  # noqa: DTZ007
        if read.tzinfo is not None:
            return to_ms(read)
        local = read.replace(tzinfo=self._map.zone)
        if local.astimezone(UTC).astimezone(self._map.zone).replace(tzinfo=None) != read:
            raise BadRow(f"'{stamp}' is no time in {self._map.zone.key}: the clock was put forward over it")
        first_ms, second_ms = to_ms(local), to_ms(local.replace(fold=1))
        before_ms = self._before_ms
        if first_ms == second_ms or before_ms is None or first_ms > before_ms:
            return first_ms
        if second_ms > before_ms:
            return second_ms
        raise BadRow(
            f"'{stamp}' was there twice in {self._map.zone.key}, as the clock was put back, and the"
            " rows are not in rising order, so that nobody can tell which is meant; sort the table by time"
        )


def load_map(path: Path, site_zone: str) -> TableMap:
    """The description in a TOML file. Raises MapError with every fault found, key and line."""
    data, lines = load_toml(path, MapError)
    try:
        entry = _MapEntry.model_validate(data)
    except ValidationError as fault:
        told = [plain_problem(each, _key_of(each["loc"]), lines, _keys_beside) for each in fault.errors()]
        raise MapError(str(path), tuple(told)) from fault
    problems = []

    def wrong(key: tuple[str, ...], text: str) -> None:
        problems.append(Problem(dotted(key), lines.line_of(key), text))

    for quantity in entry.quantities:
        if quantity not in QUANTITIES:
            text = f"is no canonical quantity; {did_you_mean(quantity, QUANTITIES)}"
            wrong(("quantities", quantity), text)
    if entry.table.separator == entry.table.decimal:
        wrong(
            ("table", "separator"),
            f"separator and decimal are both {entry.table.decimal!r}; one of them differs",
        )
    try:
        codecs.lookup(entry.table.encoding)
    except LookupError:
        wrong(
            ("table", "encoding"), f'{entry.table.encoding!r} is unknown; use "utf-8", "cp1252" or "utf-16"'
        )
    form = entry.time.format
    if form not in ("iso", *UNIX) and "%" not in form:
        wrong(
            ("time", "format"), f'{form!r} is none; write "iso", "unix_s", "unix_ms" or like "%d.%m.%Y %H:%M"'
        )
    columns = [entry.time.column] if isinstance(entry.time.column, str) else entry.time.column
    if not columns:
        wrong(("time", "column"), "names no column")
    zone = ZoneInfo("UTC")
    try:
        zone = zone_of(entry.time.zone or site_zone)
    except StoreError as error:
        wrong(("time", "zone"), str(error))
    if problems:
        raise MapError(str(path), tuple(problems))
    return TableMap(
        tuple(columns),
        tuple(
            ValueColumn(quantity, each.column, each.factor, each.offset, each.words)
            for quantity, each in entry.quantities.items()
        ),
        zone,
        form,
        entry.table.separator,
        entry.table.decimal,
        entry.table.encoding,
        entry.table.lines_before,
        frozenset(entry.table.empty),
    )


def _key_of(place: TomlPath) -> TomlPath:
    """The key that a fault is about; pydantic names the kinds that it has tried, too."""
    return tuple(part for part in place if part not in ("str", "list[str]"))


def _keys_beside(key: TomlPath) -> set[str]:
    """The keys that may stand in the table in which this key was found."""
    tables: dict[Any, type[Table]] = {"table": _TableEntry, "time": _TimeEntry, "quantities": _QuantityEntry}
    return set((_MapEntry if len(key) == 1 else tables[key[0]]).model_fields)
