"""A CSV table of readings into the store, under the device name 'import'.

The table is that of `table_out`: first column `time`, then canonical quantities, in any order and number.
A row is taken whole or refused whole; each refused row is told with its line and reason. A value outside
the quantity's plausible range lands as suspect. What is there already changes nothing, so that the same
file may come again; a value that contradicts what an import brought before is told and left out.
"""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

from monitor.errors import TableError
from monitor.quantities import QUANTITIES
from monitor.records import Quality, Reading, parse_iso
from monitor.store.steps import LATEST_MS, as_kept
from monitor.store.table_out import TIME, number
from monitor.store.writer import EmbeddedWriter

IMPORT = "import"
"""The device under which imported readings stand."""

ROWS_AT_ONCE = 2_000
"""Rows in one commit (our choice: the daemon beside waits a fraction of a second at most)."""

DECIMAL = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)


@dataclass(slots=True)
class Imported:
    """What became of a table: rows read and refused, readings new, known, left out, and new but suspect."""

    rows: int = 0
    refused_rows: int = 0
    new: int = 0
    known: int = 0
    left_out: int = 0
    suspect: int = 0


class _BadRow(ValueError):
    """Why a row is refused."""


def read_table(
    writer: EmbeddedWriter,
    lines: Iterable[str],
    name: str,
    tell: Callable[[int, str], None],
    progress: Callable[[int], None] = lambda line: None,
) -> Imported:
    """Import the lines of a table called `name`; tell(line, reason) hears of all that does not land.

    Commits every ROWS_AT_ONCE rows; progress(line) hears how far it is. Raises TableError where the header
    cannot be used, StoreError where the store cannot be written: what was committed before stays.
    """
    numbered = enumerate(lines, start=1)
    columns = _header(next(numbered, (1, ""))[1], name)
    done = Imported()
    body = _rows(numbered, columns, tell, done)
    while batch := list(islice(body, ROWS_AT_ONCE)):
        _land(writer, batch, tell, done)
        progress(batch[-1][0])
    return done


def _header(line: str, name: str) -> list[str]:
    """The quantities of the columns after `time`. Raises TableError with what to change."""
    text = line.lstrip("\ufeff").strip()
    if not text:
        raise TableError(f"{name}: line 1 is empty; it must name the columns: {TIME},battery_voltage_V,...")
    try:
        first, *columns = (field.strip() for field in _fields(text))
    except _BadRow as error:
        raise TableError(f"{name}: line 1: {error}") from error
    if ";" in text or "\t" in text:
        raise TableError(f"{name}: line 1: columns must be separated by commas; save the table that way")
    if first != TIME:
        raise TableError(f"{name}: line 1: the first column must be '{TIME}', not '{first}'")
    if not columns:
        raise TableError(f"{name}: line 1: no column but '{TIME}'; add canonical quantities")
    for column in columns:
        if column not in QUANTITIES:
            near = difflib.get_close_matches(column, QUANTITIES, n=1)
            advice = f"did you mean '{near[0]}'?" if near else f"known are {', '.join(QUANTITIES)}"
            raise TableError(f"{name}: line 1: '{column}' is no canonical quantity; {advice}")
        if columns.count(column) > 1:
            raise TableError(f"{name}: line 1: the column '{column}' stands there twice")
    return columns


def _rows(
    numbered: Iterator[tuple[int, str]],
    columns: Sequence[str],
    tell: Callable[[int, str], None],
    done: Imported,
) -> Iterator[tuple[int, list[Reading]]]:
    """Line number and readings of each good row; bad ones are told."""
    for line, text in numbered:
        if not text.strip():
            continue
        done.rows += 1
        try:
            readings = _readings(text, columns)
        except _BadRow as error:
            done.refused_rows += 1
            tell(line, str(error))
        else:
            yield line, readings


def _readings(text: str, columns: Sequence[str]) -> list[Reading]:
    """The readings of one line. Raises _BadRow."""
    stamp, *fields = _fields(text)
    if len(fields) != len(columns):
        raise _BadRow(f"{len(fields) + 1} fields, the header names {len(columns) + 1} columns")
    time_ms = _time(stamp.strip())
    return [
        _reading(time_ms, column, field.strip())
        for column, field in zip(columns, fields, strict=True)
        if field.strip()
    ]


def _fields(text: str) -> list[str]:
    """The fields of one line. A quote left open spoils this line only, so that no row vanishes into it."""
    if '"' not in text:
        return text.rstrip("\r\n").split(",")
    try:
        return next(csv.reader([text.rstrip("\r\n")], strict=True))
    except csv.Error as error:
        raise _BadRow(f"the quotes do not close as they should ({error})") from error


def _time(stamp: str) -> int:
    example = "write it like 2026-11-25T10:30:00Z"
    if not stamp:
        raise _BadRow(f"no time; {example}")
    try:
        time_ms = parse_iso(stamp)
    except ValueError as error:
        if "no time zone" in str(error):
            raise _BadRow(f"the time '{stamp}' names no zone; {example}") from error
        raise _BadRow(f"'{stamp}' is no time; {example}") from error
    except OverflowError as error:
        raise _BadRow(f"'{stamp}' is no time between 1970 and 2200") from error
    if not 0 <= time_ms < LATEST_MS:
        raise _BadRow(f"'{stamp}' is no time between 1970 and 2200")
    return time_ms


def _reading(time_ms: int, column: str, field: str) -> Reading:
    if not DECIMAL.fullmatch(field):
        raise _BadRow(
            f"{column}: '{field}' is no number; write it like 13.42, and nothing where it is missing"
        )
    value = float(field)
    quantity = QUANTITIES[column]
    if quantity.low <= value <= quantity.high:
        return Reading(time_ms, IMPORT, column, value)
    if abs(value) > 1e12:
        raise _BadRow(f"{column}: {field} is too large to be meant")
    reason = f"outside the plausible {quantity.low:g} to {quantity.high:g} {quantity.unit}".rstrip()
    return Reading(time_ms, IMPORT, column, value, Quality.SUSPECT, reason)


def _land(
    writer: EmbeddedWriter,
    batch: Sequence[tuple[int, list[Reading]]],
    tell: Callable[[int, str], None],
    done: Imported,
) -> None:
    """Commit a batch; tell of the values that contradict what was imported before."""
    line_of: dict[tuple[int, str, float | None], int] = {}
    for line, readings in batch:
        writer.append(readings)
        for reading in readings:
            line_of[reading.time_ms, reading.quantity, as_kept(reading)[0].value] = line
    writer.commit()
    landed = writer.last_commit
    done.new += landed.new
    done.known += landed.known
    done.left_out += len(landed.conflicts)
    done.suspect += landed.suspect
    for offered, there in landed.conflicts:
        kept = "no value" if there.value is None else number(there.value)
        value = "no value" if offered.value is None else number(offered.value)
        line = line_of.get((offered.time_ms, offered.quantity, offered.value), batch[0][0])
        tell(line, f"{offered.quantity}: {value} left out, an earlier import or row has {kept} at this time")
