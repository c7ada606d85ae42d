"""A table of readings as CSV, streamed: good readings side by side, or every reading as it stands.

`write_table`: header `time` and canonical quantities, one row a time; a field without a value is empty.
`write_readings`: header `time,device,quantity,value,quality,reason`, one row a reading, whatever its quality.
Times are ISO 8601 in UTC; numbers are decimals without float noise; units stand in the quantities' names.
The form is that of RFC 4180 with lines that end in LF. `table_in` reads both back.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Collection, Iterator, Sequence
from typing import TextIO

from monitor.quantities import QUANTITIES
from monitor.records import Quality, Reading, iso_utc
from monitor.store.base import StoreReader

TIME = "time"
"""Name of the first column."""

WHOLE = (TIME, "device", "quantity", "value", "quality", "reason")
"""The columns of a table of every reading."""

DECIMALS = 6
"""Digits behind the point at most: the store's finest step, and more than any mean of its steps needs."""

TELL_EVERY = 500
"""Rows between two words on the progress (our choice)."""

WORDS = {quality: quality.name.lower() for quality in Quality}
"""Qualities as a table has them."""

BREAKS = {"\\": "\\\\", "\n": "\\n", "\r": "\\r"}
BACK = {written: sign for sign, written in BREAKS.items()}


def kept_quantities(reader: StoreReader) -> list[str]:
    """All quantities that the store has readings of, as `quantities.py` lists them."""
    there = {reading.quantity for reading in reader.latest()}
    return [name for name in QUANTITIES if name in there]


def write_table(
    reader: StoreReader,
    out: TextIO,
    quantities: Sequence[str],
    start_ms: int,
    end_ms: int,
    every_s: float | None = None,
    tell: Callable[[int], None] = lambda time_ms: None,
) -> int:
    """Write the good readings in [start, end) and return the number of rows; `tell` hears how far it is.

    every_s averages into steps of that many seconds from start on. Raises StoreError like `rows`.
    """
    rows = reader.rows(quantities, start_ms, end_ms, every_s)
    out.write(",".join((TIME, *quantities)) + "\n")
    count = 0
    for time_ms, values in rows:
        fields = (number(values[name]) if name in values else "" for name in quantities)
        out.write(f"{iso_utc(time_ms)},{','.join(fields)}\n")
        count += 1
        if count % TELL_EVERY == 0:
            tell(time_ms)
    return count


def write_readings(
    reader: StoreReader,
    out: TextIO,
    quantities: Collection[str],
    start_ms: int,
    end_ms: int,
    tell: Callable[[int], None] = lambda time_ms: None,
) -> int:
    """Write every reading in [start, end) with its quality; how many. `tell` hears how far it is."""
    table = csv.writer(out, lineterminator="\n")
    table.writerow(WHOLE)
    count, at_ms, stamp = 0, -1, ""
    for reading in whole_readings(reader, quantities, start_ms, end_ms):
        if reading.time_ms != at_ms:
            at_ms, stamp = reading.time_ms, iso_utc(reading.time_ms)
        table.writerow(reading_row(reading, stamp))
        count += 1
        if count % TELL_EVERY == 0:
            tell(at_ms)
    return count


def whole_readings(
    reader: StoreReader, quantities: Collection[str], start_ms: int, end_ms: int
) -> Iterator[Reading]:
    """Every reading of the quantities in [start, end), in order of time."""
    return (each for each in reader.readings(start_ms, end_ms) if each.quantity in quantities)


def reading_row(reading: Reading, stamp: str) -> tuple[str, ...]:
    """One reading's fields in the order of WHOLE; stamp is its time as the table has it."""
    reason = without_breaks(reading.reason)
    return stamp, reading.device, reading.quantity, _as_kept(reading), WORDS[reading.quality], reason


def _as_kept(reading: Reading) -> str:
    """A good value stands in whole steps; a suspect one is kept with all its digits and so is written."""
    if reading.value is None:
        return ""
    return number(reading.value) if reading.quality is Quality.GOOD else repr(float(reading.value))


def number(value: float) -> str:
    """A value as a plain decimal: '13.4', '-0.25', '2', never '1e-05' or '13.399999999999999'."""
    text = f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def without_breaks(reason: str, *, back: bool = False) -> str:
    r"""A reason on one line, so that a row is a line: line feeds as \n, a backslash as \\; or back again."""
    signs, pattern = (BACK, r"\\[\\nr]") if back else (BREAKS, r"[\\\n\r]")
    return re.sub(pattern, lambda found: signs[found.group()], reason)
