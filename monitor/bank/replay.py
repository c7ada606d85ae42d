"""The estimator over a record: rows of measurements in, one row of estimates out for each, as they come.

No row is lost and none ends the run. A cell that is no usable number is taken as missing; a row without a
usable time, or at a time that was there already, repeats the last estimate. All of it is counted in
`Remarks`, to be told at the end. Memory does not grow with the record.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import NamedTuple

from monitor.bank.estimator import Estimator
from monitor.bank.sample import BankEstimate, BankSample
from monitor.bank.timeline import Taken, Timeline
from monitor.errors import TableError
from monitor.quantities import QUANTITIES
from monitor.records import LATEST_MS
from monitor.toml_lines import did_you_mean

TIME = "time"
RESTART = "restart"
MEASURED = (
    "battery_voltage_V",
    "battery_current_A",
    "charge_current_A",
    "load_current_A",
    "battery_temperature_C",
    "array_voltage_V",
    "array_current_A",
)
"""The measured columns, in the order of BankSample's fields."""

COLUMNS = (TIME, *MEASURED, RESTART)
NEEDED = (TIME, MEASURED[0])

ESTIMATE_HEADER = "time,soc,soc_sd,stage,capacity_Ah,capacity_sd_Ah,unseen_load_A,basis\n"

FIRST_TOLD = 5
"""Places that are named of each kind of remark; the rest is counted (our choice)."""


@dataclass(slots=True)
class Remark:
    """How often something was met, and the first places."""

    count: int = 0
    first: list[str] = field(default_factory=list)

    def add(self, line: int, what: str = "") -> None:
        self.count += 1
        if len(self.first) < FIRST_TOLD:
            self.first.append(f"line {line} {what}".rstrip())

    def __str__(self) -> str:
        more = ", ..." if self.count > len(self.first) else ""
        return ", ".join(self.first) + more


@dataclass(slots=True)
class Remarks:
    """What was met in a record: rows in all, and what could not be taken as it stood."""

    rows: int = 0
    cells: Remark = field(default_factory=Remark)
    widths: Remark = field(default_factory=Remark)
    times: Remark = field(default_factory=Remark)
    late: Remark = field(default_factory=Remark)
    jumps: Remark = field(default_factory=Remark)
    set_back: Remark = field(default_factory=Remark)

    def in_words(self) -> Iterator[str]:
        """A sentence for each kind that was met."""
        for remark, one, many, what in (
            (self.cells, "cell was", "cells were", "no usable value and taken as missing"),
            (self.widths, "row had", "rows had", "more or fewer cells than the header"),
            (self.times, "row had", "rows had", "no usable time and repeats the last estimate"),
            (
                self.late,
                "row was",
                "rows were",
                "not later than the one before: the last estimate is repeated",
            ),
            (self.jumps, "jump of the clock was", "jumps of the clock were", "undone"),
            (self.set_back, "time the clock was", "times the clock was", "taken as set back"),
        ):
            if remark.count:
                yield f"{remark.count} {one if remark.count == 1 else many} {what}: {remark}"


class _Column(NamedTuple):
    """A measured column: its place in the row, in the sample, and what is plausible in it."""

    place: int
    field: int
    name: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Header:
    """Where in a row each column stands; restart is None where there is none."""

    width: int
    time: int
    restart: int | None
    columns: tuple[_Column, ...]


def read_header(line: str) -> Header:
    """The columns that a record's first line names, in any order. Raises TableError with what to change."""
    text = line.lstrip("\ufeff").strip()
    if not text:
        raise TableError(f"line 1 is empty; it must name the columns: {','.join(NEEDED)},...")
    fields = _fields(text)
    if fields is None:
        raise TableError("line 1: the quotes do not close as they should")
    names = [name.strip() for name in fields]
    if len(names) == 1 and (";" in text or "\t" in text):
        raise TableError("line 1: columns must be separated by commas; save the table that way")
    for name in names:
        if name not in COLUMNS:
            raise TableError(f"line 1: '{name}' is no column of a record; {did_you_mean(name, COLUMNS)}")
        if names.count(name) > 1:
            raise TableError(f"line 1: the column '{name}' stands there twice")
    for name in NEEDED:
        if name not in names:
            raise TableError(f"line 1: the column '{name}' is missing; a record needs {' and '.join(NEEDED)}")
    columns = tuple(
        _Column(names.index(name), place, name, QUANTITIES[name].low, QUANTITIES[name].high)
        for place, name in enumerate(MEASURED)
        if name in names
    )
    restart = names.index(RESTART) if RESTART in names else None
    return Header(len(names), names.index(TIME), restart, columns)


def replay(lines: Iterable[str], make: Callable[[], Estimator], remarks: Remarks) -> Iterator[str]:
    """The lines of the table of estimates for the lines of a record, header first, each as its row comes.

    make gives an estimator that knows nothing. Blank lines are no rows. Raises TableError where the header
    cannot be used; after that nothing in the record raises.
    """
    numbered = enumerate(lines, start=1)
    header = read_header(next(numbered, (1, ""))[1])
    yield ESTIMATE_HEADER
    timeline = Timeline(make)
    for line, text in numbered:
        if not text.strip():
            continue
        remarks.rows += 1
        stamp = _take(line, text, header, timeline, remarks)
        yield _row(stamp, timeline.estimate)


def _take(line: int, text: str, header: Header, timeline: Timeline, remarks: Remarks) -> str:
    """Give one row to the timeline; the time as the row has it."""
    cells = _fields(text)
    if cells is None or len(cells) != header.width:
        remarks.widths.add(line)
        cells = [*(cells or ()), *[""] * header.width]
    if header.restart is not None and _restarts(cells[header.restart].strip(), line, remarks):
        timeline.restart()
    values = _values(cells, header, line, remarks)
    stamp = cells[header.time].strip()
    time_ms = time_of(stamp)
    if time_ms is None:
        remarks.times.add(line, repr(stamp[:40]) if stamp else "")
        return stamp
    taken = timeline.take(_sample(time_ms, *values))
    if taken is Taken.LATE:
        remarks.late.add(line)
    elif taken is Taken.JUMP_UNDONE:
        remarks.jumps.add(line)
    elif taken is Taken.SET_BACK:
        remarks.set_back.add(line)
    return stamp


def _sample(
    time_ms: int,
    battery_V: float | None,
    battery_A: float | None,
    charge_A: float | None,
    load_A: float | None,
    battery_C: float | None,
    array_V: float | None,
    array_A: float | None,
) -> BankSample:
    """A sample from the values in the order of MEASURED; a record has no word of the controller's stage."""
    return BankSample(time_ms, battery_V, battery_A, charge_A, load_A, battery_C, array_V, array_A)


def _values(cells: Sequence[str], header: Header, line: int, remarks: Remarks) -> list[float | None]:
    """The row's measured values in the order of MEASURED, None where there is no usable one."""
    values: list[float | None] = [None] * len(MEASURED)
    for place, index, name, low, high in header.columns:
        cell = cells[place]
        if not cell:
            continue
        try:
            value = float(cell)
        except ValueError:
            if cell.strip():
                remarks.cells.add(line, f"{name} {cell.strip()[:40]!r}")
            continue
        if low <= value <= high and "_" not in cell:  # not for NaN; Python reads 1_0 as ten
            values[index] = value
        else:
            remarks.cells.add(line, f"{name} {cell.strip()[:40]!r}")
    return values


def _restarts(cell: str, line: int, remarks: Remarks) -> bool:
    if cell not in ("", "0", "1", "0.0", "1.0"):
        remarks.cells.add(line, f"{RESTART} {cell[:40]!r}")
    return cell in ("1", "1.0")


def time_of(stamp: str) -> int | None:
    """UTC ms of an ISO 8601 time, UTC where it names no zone; None where it is none from 1970 to 2200."""
    try:
        moment = datetime.fromisoformat(stamp)
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=UTC)
        time_ms = round(moment.timestamp() * 1000)
    except (ValueError, OverflowError):
        return None
    return time_ms if 0 <= time_ms < LATEST_MS else None


def _fields(text: str) -> list[str] | None:
    """The cells of one line; None where a quote is left open, which spoils this line only."""
    text = text.rstrip("\r\n")
    if '"' not in text:
        return text.split(",")
    try:
        return next(csv.reader([text], strict=True, skipinitialspace=True))
    except csv.Error:
        return None


def _row(stamp: str, estimate: BankEstimate | None) -> str:
    """One line of the table of estimates; empty where nothing is known."""
    if estimate is None:
        return f"{_cell(stamp)},,,,,,,\n"
    return (
        f"{_cell(stamp)},{_number(estimate.soc, 4)},{_number(estimate.soc_sd, 4)},"
        f"{estimate.stage.name.lower()},{_number(estimate.capacity_Ah, 2)},"
        f"{_number(estimate.capacity_sd_Ah, 2)},{_number(estimate.unseen_load_A, 3)},"
        f"{_cell('; '.join(estimate.basis))}\n"
    )


def _number(value: float | None, decimals: int) -> str:
    return "" if value is None else f"{value:.{decimals}f}"


def _cell(text: str) -> str:
    """A text as a cell, quoted as RFC 4180 says where it must be."""
    if "," in text or '"' in text or "\n" in text or "\r" in text:
        return '"' + text.replace('"', '""') + '"'
    return text
