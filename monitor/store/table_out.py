"""A table of readings as CSV: header `time` and canonical quantities, one row a time, streamed.

Times are ISO 8601 in UTC; a field without a value is empty; numbers are plain decimals without float noise.
The form is that of RFC 4180 with lines that end in LF. `table_in` reads the same back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TextIO

from monitor.quantities import QUANTITIES
from monitor.records import iso_utc
from monitor.store.base import StoreReader

TIME = "time"
"""Name of the first column."""

DECIMALS = 6
"""Digits behind the point at most: the store's finest step, and more than any mean of its steps needs."""

TELL_EVERY = 500
"""Rows between two words on the progress (our choice)."""


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


def number(value: float) -> str:
    """A value as a plain decimal: '13.4', '-0.25', '2', never '1e-05' or '13.399999999999999'."""
    text = f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
