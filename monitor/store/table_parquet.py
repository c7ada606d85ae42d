"""The tables of `table_out` as Parquet files, and back: units and meanings in each column's metadata.

pyarrow is needed for this and nothing else, so only this module has it, imported by who asks for such a file.
A file is written and read a bounded piece at a time, whatever its length.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

from monitor.errors import NightbankError, TableError
from monitor.quantities import QUANTITIES
from monitor.records import Reading
from monitor.store.base import StoreReader
from monitor.store.table_in import Imported, Tell
from monitor.store.table_out import TIME, WHOLE, WORDS, whole_readings
from monitor.store.table_rows import BadRow, Row, in_range, judged, whole_reading

try:
    import pyarrow as pa
    import pyarrow.parquet as pq
except ImportError as error:
    raise NightbankError(
        "Parquet files need the library pyarrow (40 MB), which is not there: install it into Nightbank's"
        " environment with pip install 'nightbank[parquet]', or take CSV"
    ) from error

ROWS_A_GROUP = 20_000
"""Rows that are written at once (our choice: some 20 MB of memory with twenty columns)."""

ROWS_READ = 5_000
"""Rows that are turned into readings at once (our choice)."""

STAMP = pa.timestamp("ms", tz="UTC")
WORD = pa.dictionary(pa.int32(), pa.string())


def write_table(
    reader: StoreReader,
    out: Path,
    quantities: Sequence[str],
    start_ms: int,
    end_ms: int,
    every_s: float | None = None,
    tell: Callable[[int], None] = lambda time_ms: None,
) -> int:
    """The good readings in [start, end) side by side, as `table_out.write_table` has them; how many rows."""
    fields = [pa.field(TIME, STAMP, nullable=False)]
    fields += [pa.field(name, pa.float64(), metadata=_about(name)) for name in quantities]
    rows = (
        (time_ms, *(values.get(name) for name in quantities))
        for time_ms, values in reader.rows(quantities, start_ms, end_ms, every_s)
    )
    return _write(out, pa.schema(fields), rows, tell)


def write_readings(
    reader: StoreReader,
    out: Path,
    quantities: Collection[str],
    start_ms: int,
    end_ms: int,
    tell: Callable[[int], None] = lambda time_ms: None,
) -> int:
    """Every reading in [start, end) with its quality, as `table_out.write_readings` has them; how many."""
    kinds = {TIME: STAMP, "value": pa.float64()}
    units = {b"unit of " + name.encode(): QUANTITIES[name].unit.encode() for name in quantities}
    fields = [pa.field(name, kinds.get(name, WORD), nullable=name == "value") for name in WHOLE]
    rows = (
        (each.time_ms, each.device, each.quantity, each.value, WORDS[each.quality], each.reason)
        for each in whole_readings(reader, quantities, start_ms, end_ms)
    )
    return _write(out, pa.schema(fields, metadata=units), rows, tell)


def _about(name: str) -> dict[str, str]:
    return {"unit": QUANTITIES[name].unit, "meaning": QUANTITIES[name].meaning}


def _write(out: Path, schema: Any, rows: Iterator[tuple[Any, ...]], tell: Callable[[int], None]) -> int:
    count = 0
    with pq.ParquetWriter(out, schema, compression="zstd") as file:
        while piece := list(islice(rows, ROWS_A_GROUP)):
            columns = zip(*piece, strict=True)
            arrays = [pa.array(column, field.type) for column, field in zip(columns, schema, strict=True)]
            file.write_table(pa.Table.from_arrays(arrays, schema=schema))
            count += len(piece)
            tell(piece[-1][0])
    return count


def parquet_rows(path: Path, tell: Tell, done: Imported) -> Iterator[Row]:
    """The good rows of a Parquet table in one of our two forms, numbered from 1; others are told and counted.

    Raises TableError where the file is damaged or its columns are others.
    """
    try:
        with pq.ParquetFile(path) as file:
            names = list(file.schema_arrow.names)
            whole = names == list(WHOLE)
            _check(path, file.schema_arrow, whole)
            number = 0
            for piece in file.iter_batches(ROWS_READ):
                columns = [_plain(column) for column in piece.columns]
                for values in zip(*columns, strict=True):
                    number += 1
                    done.rows += 1
                    try:
                        readings = _whole(values) if whole else _row(values, names)
                    except BadRow as error:
                        done.refused_rows += 1
                        tell(number, str(error))
                    else:
                        yield number, readings
    except (pa.ArrowException, OSError) as error:
        raise TableError(f"{path}: cannot be read as Parquet ({error}); export or copy it again") from error


def rows_of(path: Path) -> int:
    """How many rows a file holds by its footer. Raises TableError."""
    try:
        return int(pq.read_metadata(path).num_rows)
    except (pa.ArrowException, OSError) as error:
        raise TableError(f"{path}: cannot be read as Parquet ({error}); export or copy it again") from error


def _plain(column: Any) -> list[Any]:
    """A column as Python values; times as ms."""
    values: list[Any] = (column.cast(pa.int64()) if column.type == STAMP else column).to_pylist()
    return values


def _check(path: Path, schema: Any, whole: bool) -> None:
    """Raises TableError where the columns are not those of an export."""
    names = list(schema.names)
    if whole:
        text = {name: schema.field(name).type for name in names if name not in (TIME, "value")}
        wrong = [
            name for name, kind in text.items() if not pa.types.is_string(getattr(kind, "value_type", kind))
        ]
    else:
        if not names or names[0] != TIME or len(names) < 2 or not set(names[1:]) <= set(QUANTITIES):
            raise TableError(
                f"{path}: its columns are {', '.join(names)}; they must be {TIME} and canonical quantities,"
                f" or {', '.join(WHOLE)}, as an export has them"
            )
        wrong = [name for name in names[1:] if schema.field(name).type != pa.float64()]
    if schema.field(TIME).type != STAMP:
        wrong.append(TIME)
    if whole and schema.field("value").type != pa.float64():
        wrong.append("value")
    if wrong:
        kinds = ", ".join(f"{name} ({schema.field(name).type})" for name in wrong)
        raise TableError(f"{path}: columns of another kind than an export has: {kinds}")


def _row(values: Sequence[Any], names: Sequence[str]) -> list[Reading]:
    time_ms, *rest = values
    time_ms = _time(time_ms)
    return [
        judged(time_ms, name, value, f"{value:g}")
        for name, value in zip(names[1:], rest, strict=True)
        if value is not None
    ]


def _whole(values: Sequence[Any]) -> list[Reading]:
    time_ms, *rest = values
    time_ms = _time(time_ms)
    device, quantity, value, word, reason = rest
    return [whole_reading(time_ms, device or "", quantity or "", value, word or "", reason or "")]


def _time(time_ms: int | None) -> int:
    if time_ms is None:
        raise BadRow("there is no time")
    return in_range(time_ms, f"{time_ms} ms")
