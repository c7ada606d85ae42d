"""Lines of a CSV table as readings: pure, nothing is stored here.

Two forms are our own, both told by their header:

- `time`, then canonical quantities in any order and number: good readings, which stand under 'import'. A
  value outside the quantity's plausible range becomes suspect;
- `time,device,quantity,value,quality,reason`: each reading as it stood in a store, suspect and missing ones.

Any other table needs a description of its columns (`table_map`). A row is taken whole or refused whole.
"""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Callable, Iterator, Sequence

from monitor.errors import TableError
from monitor.quantities import QUANTITIES
from monitor.records import LATEST_MS, Quality, Reading, parse_iso
from monitor.store.steps import MOST_STEPS, STEPS
from monitor.store.table_out import TIME, WHOLE, without_breaks

IMPORT = "import"
"""The device under which imported readings stand that name none themselves."""

EXAMPLE = "write it like 2026-11-25T10:30:00Z"

DECIMAL = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)

MOST = 1e12
"""No quantity of this trade is larger (our choice)."""

Row = tuple[int, list[Reading]]
"""A row's line in the file and its readings."""

Layout = Callable[[Sequence[str]], list[Reading]]
"""The readings of one row's fields. Raises BadRow."""


class BadRow(ValueError):
    """Why a row is refused."""


def fields_of(text: str, separator: str = ",") -> list[str]:
    """The fields of one line. A quote left open spoils this line only, so that no row vanishes into it."""
    line = text.rstrip("\r\n")
    if '"' not in line:
        return line.split(separator)
    try:
        return next(csv.reader([line], delimiter=separator, strict=True))
    except csv.Error as error:
        raise BadRow(f"the quotes do not close as they should ({error})") from error


def own_layout(numbered: Iterator[tuple[int, str]], name: str) -> Layout:
    """How to read the rows behind the header, which is taken from the lines. Raises TableError."""
    text = next(numbered, (1, ""))[1].lstrip("\ufeff").strip()
    if not text:
        raise TableError(f"{name}: line 1 is empty; it must name the columns: {TIME},battery_voltage_V,...")
    try:
        header = [field.strip() for field in fields_of(text)]
    except BadRow as error:
        raise TableError(f"{name}: line 1: {error}") from error
    if header == list(WHOLE):
        return _whole
    columns = _quantities(text, header, name)
    return lambda fields: _row(fields, columns)


def _quantities(text: str, header: Sequence[str], name: str) -> list[str]:
    """The quantities of the columns after `time`. Raises TableError with what to change."""
    first, *columns = header
    other = "; or describe the columns of a table of another kind with --map (see nightbank import --help)"
    if ";" in text or "\t" in text:
        raise TableError(
            f"{name}: line 1: columns must be separated by commas; save the table that way{other}"
        )
    if first != TIME:
        raise TableError(f"{name}: line 1: the first column must be '{TIME}', not '{first}'{other}")
    if not columns:
        raise TableError(f"{name}: line 1: no column but '{TIME}'; add canonical quantities")
    for column in columns:
        if column not in QUANTITIES:
            raise TableError(f"{name}: line 1: '{column}' is no canonical quantity; {_near(column)}{other}")
        if columns.count(column) > 1:
            raise TableError(f"{name}: line 1: the column '{column}' stands there twice")
    return columns


def _near(word: str) -> str:
    near = difflib.get_close_matches(word, QUANTITIES, n=1)
    return f"did you mean '{near[0]}'?" if near else f"known are {', '.join(QUANTITIES)}"


def _row(fields: Sequence[str], columns: Sequence[str]) -> list[Reading]:
    """A row of good readings."""
    stamp, *values = fields
    if len(values) != len(columns):
        raise BadRow(f"{len(fields)} fields, the header names {len(columns) + 1} columns")
    time_ms = time_of(stamp.strip())
    return [
        judged(time_ms, column, decimal(field.strip(), column), field.strip())
        for column, field in zip(columns, values, strict=True)
        if field.strip()
    ]


def _whole(fields: Sequence[str]) -> list[Reading]:
    """A row that says all of one reading; its quality is taken as it was judged then."""
    if len(fields) != len(WHOLE):
        raise BadRow(f"{len(fields)} fields, the header names {len(WHOLE)} columns")
    stamp, device, quantity, value, word, reason = fields
    number = decimal(value.strip(), "value") if value.strip() else None
    return [
        whole_reading(
            time_of(stamp.strip()), device, quantity, number, word, without_breaks(reason, back=True)
        )
    ]


def whole_reading(
    time_ms: int, device: str, quantity: str, value: float | None, word: str, reason: str
) -> Reading:
    """A reading as a store had it; what of it contradicts itself is refused. Raises BadRow."""
    if not 0 <= time_ms < LATEST_MS:
        raise BadRow(f"{time_ms} ms is no time between 1970 and 2200")
    if not device.strip():
        raise BadRow("device: it is empty; name the device that gave the value")
    if quantity not in QUANTITIES:
        raise BadRow(f"quantity: '{quantity}' is no canonical quantity; {_near(quantity)}")
    try:
        quality = Quality[word.upper()]
    except KeyError:
        raise BadRow(f"quality: '{word}' is none; known are good, suspect, missing") from None
    if (value is None) != (quality is Quality.MISSING):
        has = "there is no value" if value is None else "there is a value"
        raise BadRow(f"value: {has}, and the quality says {word}")
    if (reason == "") != (quality is Quality.GOOD):
        has = "there is no reason" if reason == "" else "there is a reason"
        raise BadRow(f"reason: {has}, and the quality says {word}")
    if value is not None and not abs(value) * STEPS[quantity] <= MOST_STEPS:
        raise BadRow(f"value: {value:g} is too large to be meant")
    return Reading(time_ms, device, quantity, value, quality, reason)


def time_of(stamp: str) -> int:
    """UTC ms of a time that names its zone. Raises BadRow."""
    if not stamp:
        raise BadRow(f"no time; {EXAMPLE}")
    try:
        time_ms = parse_iso(stamp)
    except ValueError as error:
        if "no time zone" in str(error):
            raise BadRow(f"the time '{stamp}' names no zone; {EXAMPLE}") from error
        raise BadRow(f"'{stamp}' is no time; {EXAMPLE}") from error
    except OverflowError as error:
        raise BadRow(f"'{stamp}' is no time between 1970 and 2200") from error
    return in_range(time_ms, stamp)


def in_range(time_ms: int, stamp: str) -> int:
    """A time that the store keeps. Raises BadRow."""
    if not 0 <= time_ms < LATEST_MS:
        raise BadRow(f"'{stamp}' is no time between 1970 and 2200")
    return time_ms


def decimal(text: str, column: str) -> float:
    """A number with a decimal point. Raises BadRow."""
    if not DECIMAL.fullmatch(text):
        raise BadRow(f"{column}: '{text}' is no number; write it like 13.42, and nothing where it is missing")
    return float(text)


def judged(time_ms: int, quantity: str, value: float, text: str) -> Reading:
    """An imported value as a reading: suspect outside the plausible range. Raises BadRow."""
    known = QUANTITIES[quantity]
    if known.low <= value <= known.high:
        return Reading(time_ms, IMPORT, quantity, value)
    if not abs(value) <= MOST:
        raise BadRow(f"{quantity}: {text} is too large to be meant")
    reason = f"outside the plausible {known.low:g} to {known.high:g} {known.unit}".rstrip()
    return Reading(time_ms, IMPORT, quantity, value, Quality.SUSPECT, reason)
