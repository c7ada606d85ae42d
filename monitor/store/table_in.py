"""A table of readings into the store: rows from CSV lines or another reader of tables, batch by batch.

Each refused row is told with its line and reason. What is there already changes nothing, so that the same
file may come again; a value that contradicts what stands under its device and time is told and left out.
`table_rows` has the forms, `table_map` those of other programs, `table_parquet` another kind of file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

from monitor.errors import StoreError
from monitor.store.base import StoreImporter
from monitor.store.steps import as_kept
from monitor.store.table_map import TableMap
from monitor.store.table_out import number
from monitor.store.table_rows import BadRow, Row, fields_of, own_layout

ROWS_AT_ONCE = 2_000
"""Rows in one commit (our choice: the daemon beside waits a fraction of a second at most)."""

Tell = Callable[[int, str], None]
"""Hears the line and the reason of all that does not land."""


@dataclass(slots=True)
class Imported:
    """What became of a table: rows read and refused, readings new, known, left out, and new but suspect."""

    rows: int = 0
    refused_rows: int = 0
    new: int = 0
    known: int = 0
    left_out: int = 0
    suspect: int = 0


def read_table(
    writer: StoreImporter,
    lines: Iterable[str],
    name: str,
    tell: Tell,
    progress: Callable[[int], None] = lambda line: None,
    described: TableMap | None = None,
) -> Imported:
    """Import the lines of a table called `name`, in our own form or in the one that is described.

    Raises TableError where the header cannot be used, StoreError like `land`.
    """
    done = Imported()
    land(writer, csv_rows(lines, name, tell, done, described), tell, done, progress)
    return done


def csv_rows(
    lines: Iterable[str], name: str, tell: Tell, done: Imported, described: TableMap | None = None
) -> Iterator[Row]:
    """The good rows of a CSV table; others are told and counted. Raises TableError for the header."""
    numbered = enumerate(lines, start=1)
    separator = "," if described is None else described.separator
    layout = own_layout(numbered, name) if described is None else described.layout(numbered, name)
    for line, text in numbered:
        if not text.strip():
            continue
        done.rows += 1
        try:
            readings = layout(fields_of(text, separator))
        except BadRow as error:
            done.refused_rows += 1
            tell(line, str(error))
        else:
            yield line, readings


def land(
    writer: StoreImporter,
    rows: Iterable[Row],
    tell: Tell,
    done: Imported,
    progress: Callable[[int], None] = lambda line: None,
) -> None:
    """Commit rows, ROWS_AT_ONCE at a time; progress(line) hears how far it is.

    Raises StoreError where the store cannot be written: what was committed before stays, and it says so.
    """
    coming, through = iter(rows), "no row"
    while batch := list(islice(coming, ROWS_AT_ONCE)):
        try:
            _land(writer, batch, tell, done)
        except StoreError as error:
            raise StoreError(
                f"{error}; {through} of the table is in the store: import the same file again to go on"
            ) from error
        through = f"all through line {batch[-1][0]}"
        progress(batch[-1][0])


def _land(writer: StoreImporter, batch: Sequence[Row], tell: Tell, done: Imported) -> None:
    """Commit a batch; tell of the values that contradict what stands there."""
    line_of: dict[tuple[int, str, str, float | None], int] = {}
    for line, readings in batch:
        writer.append(readings)
        for reading in readings:
            line_of[reading.time_ms, reading.device, reading.quantity, as_kept(reading)[0].value] = line
    writer.commit()
    landed = writer.last_commit
    done.new += landed.new
    done.known += landed.known
    done.left_out += len(landed.conflicts)
    done.suspect += landed.suspect
    for offered, there in landed.conflicts:
        kept = "no value" if there.value is None else number(there.value)
        value = "no value" if offered.value is None else number(offered.value)
        line = line_of.get((offered.time_ms, offered.device, offered.quantity, offered.value), batch[0][0])
        tell(line, f"{offered.quantity}: {value} left out, an earlier import or row has {kept} at this time")
