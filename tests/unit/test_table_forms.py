"""Every reading out and back in with its quality, as CSV and as Parquet; no daemon pays for the latter."""

from __future__ import annotations

import csv
import io
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import StoreError, TableError
from monitor.quantities import QUANTITIES
from monitor.records import LATEST_MS, Quality, Reading, iso_utc, to_ms
from monitor.store import table_out, table_parquet
from monitor.store.embedded import open_reader, open_writer
from monitor.store.table_in import ROWS_AT_ONCE, Imported, land, read_table
from monitor.store.table_out import WHOLE, kept_quantities
from monitor.store.writer import EmbeddedWriter

NOON = to_ms(datetime(2026, 11, 24, 12, tzinfo=UTC))
VOLTAGE, CURRENT = "battery_voltage_V", "battery_current_A"
Told = list[tuple[int, str]]


@contextmanager
def a_store() -> Iterator[tuple[EmbeddedWriter, Path]]:
    with TemporaryDirectory() as folder, open_writer(Path(folder) / "store.db", "UTC") as writer:
        yield writer, Path(folder)


def whole_csv(writer: EmbeddedWriter) -> str:
    out = io.StringIO()
    table_out.write_readings(writer, out, QUANTITIES, 0, LATEST_MS)
    return out.getvalue()


def from_csv(writer: EmbeddedWriter, text: str) -> tuple[Imported, Told]:
    told: Told = []
    done = read_table(
        writer, io.StringIO(text, newline="\n"), "t.csv", lambda line, why: told.append((line, why))
    )
    return done, told


def from_parquet(writer: EmbeddedWriter, path: Path) -> tuple[Imported, Told]:
    told: Told = []
    done = Imported()

    def tell(line: int, why: str) -> None:
        told.append((line, why))

    land(writer, table_parquet.parquet_rows(path, tell, done), tell, done)
    return done, told


# --- histories -------------------------------------------------------------------------------------------

names = st.sampled_from([VOLTAGE, CURRENT, "state_of_charge", "charge_stage"])
devices = st.sampled_from(["charger", 'shunt, "old"', "import", "derived", "estimate", "Wächter;2"])
reasons = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=12)
times = st.integers(0, LATEST_MS - 1)
good = st.builds(Reading, times, devices, names, st.floats(-1000, 1000))
suspect = st.builds(Reading, times, devices, names, st.floats(-1e9, 1e9), st.just(Quality.SUSPECT), reasons)
missing = st.builds(Reading, times, devices, names, st.none(), st.just(Quality.MISSING), reasons)
histories = st.lists(st.one_of(good, suspect, missing), min_size=1, max_size=40)


@given(histories)
@settings(max_examples=20)
def test_every_reading_comes_back_as_it_was_flawed_ones_with_their_reasons(history: list[Reading]) -> None:
    with a_store() as (one, folder), a_store() as (by_csv, _), a_store() as (by_parquet, _):
        one.append(history)
        one.commit()
        there = list(one.readings(0, LATEST_MS))
        done, told = from_csv(by_csv, whole_csv(one))
        assert (told, done.new) == ([], len(there))
        assert list(by_csv.readings(0, LATEST_MS)) == there
        path = folder / "all.parquet"
        assert table_parquet.write_readings(one, path, QUANTITIES, 0, LATEST_MS) == len(there)
        done, told = from_parquet(by_parquet, path)
        assert (told, done.new) == ([], len(there))
        assert list(by_parquet.readings(0, LATEST_MS)) == there
        done, told = from_parquet(by_parquet, path)
        assert (told, done.new, done.known) == ([], 0, len(there))


@given(
    st.lists(st.builds(Reading, times, st.just("charger"), names, st.floats(0, 1)), min_size=1, max_size=40)
)
@settings(max_examples=8)
def test_good_readings_side_by_side_come_back_from_parquet(history: list[Reading]) -> None:
    with a_store() as (one, folder), a_store() as (other, _):
        one.append(history)
        one.commit()
        path, asked = folder / "good.parquet", kept_quantities(one)
        table_parquet.write_table(one, path, asked, 0, LATEST_MS)
        _, told = from_parquet(other, path)
        assert told == []
        assert list(other.rows(asked, 0, LATEST_MS)) == list(one.rows(asked, 0, LATEST_MS))


def test_the_table_of_every_reading_is_what_a_csv_reader_of_its_own_reads() -> None:
    """Python's csv module as an independent reader of RFC 4180."""
    with a_store() as (writer, _):
        writer.append(
            [
                Reading(NOON, "charger", VOLTAGE, 12.1),
                Reading(NOON, "shunt", CURRENT, 700.123456789, Quality.SUSPECT, "too much, by far"),
                Reading(NOON + 5250, "shunt", CURRENT, None, Quality.MISSING, "no\nanswer"),
            ]
        )
        writer.commit()
        rows = list(csv.reader(io.StringIO(whole_csv(writer))))
    assert rows == [
        ["time", "device", "quantity", "value", "quality", "reason"],
        ["2026-11-24T12:00:00Z", "charger", VOLTAGE, "12.1", "good", ""],
        ["2026-11-24T12:00:00Z", "shunt", CURRENT, "700.123456789", "suspect", "too much, by far"],
        ["2026-11-24T12:00:05.250Z", "shunt", CURRENT, "", "missing", "no\\nanswer"],
    ]


def test_parquet_has_times_with_their_zone_and_units_beside_the_columns() -> None:
    with a_store() as (writer, folder):
        writer.append([Reading(NOON, "charger", VOLTAGE, 12.1), Reading(NOON, "charger", "charge_stage", 2)])
        writer.commit()
        table_parquet.write_table(writer, folder / "t.parquet", kept_quantities(writer), 0, LATEST_MS)
        table_parquet.write_readings(writer, folder / "w.parquet", kept_quantities(writer), 0, LATEST_MS)
        table, whole = pq.read_table(folder / "t.parquet"), pq.read_table(folder / "w.parquet")
    assert table.column_names == ["time", VOLTAGE, "charge_stage"]
    assert table["time"].to_pylist() == [datetime(2026, 11, 24, 12, tzinfo=UTC)]
    assert table.schema.field(VOLTAGE).metadata == {b"unit": b"V", b"meaning": b"bank terminal voltage"}
    assert table.schema.field("charge_stage").metadata[b"unit"] == b""
    assert whole.column_names == list(WHOLE)
    assert whole.schema.metadata[b"unit of battery_voltage_V"] == b"V"


def test_a_long_table_is_written_and_read_in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table_parquet, "ROWS_A_GROUP", 100)
    monkeypatch.setattr(table_parquet, "ROWS_READ", 37)
    with a_store() as (one, folder), a_store() as (other, _):
        one.append(Reading(NOON + i * 1000, "charger", VOLTAGE, 12 + i / 1000) for i in range(1050))
        one.commit()
        path, heard = folder / "t.parquet", list[int]()
        assert table_parquet.write_readings(one, path, [VOLTAGE], 0, LATEST_MS, heard.append) == 1050
        assert pq.read_metadata(path).num_row_groups == len(heard) == 11
        assert from_parquet(other, path)[0].new == table_parquet.rows_of(path) == 1050
        assert list(other.readings(0, LATEST_MS)) == list(one.readings(0, LATEST_MS))


# --- what cannot land ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("2026-11-24T12:00:00Z,charger,battery_voltage_V,12,good", "5 fields, the header names 6 columns"),
        ("2026-11-24T12:00:00,charger,battery_voltage_V,12,good,", "names no zone"),
        ("2026-11-24T12:00:00Z,,battery_voltage_V,12,good,", "device: it is empty"),
        ("2026-11-24T12:00:00Z,charger,battery_voltage,12,good,", "did you mean 'battery_voltage_V'"),
        ("2026-11-24T12:00:00Z,charger,battery_voltage_V,12 V,good,", "value: '12 V' is no number"),
        (
            "2026-11-24T12:00:00Z,charger,battery_voltage_V,,good,",
            "there is no value, and the quality says good",
        ),
        ("2026-11-24T12:00:00Z,charger,battery_voltage_V,12,missing,gone", "there is a value, and"),
        (
            "2026-11-24T12:00:00Z,charger,battery_voltage_V,12,fine,",
            "quality: 'fine' is none; known are good",
        ),
        ("2026-11-24T12:00:00Z,charger,battery_voltage_V,12,suspect,", "there is no reason"),
        ("2026-11-24T12:00:00Z,charger,battery_voltage_V,12,good,odd", "there is a reason"),
        ("2026-11-24T12:00:00Z,charger,battery_voltage_V,1e300,suspect,odd", "too large to be meant"),
    ],
)
def test_a_row_that_contradicts_itself_is_told_and_the_others_land(row: str, reason: str) -> None:
    other = "2026-11-24T13:00:00Z,charger,battery_voltage_V,12.5,good,\n"
    with a_store() as (writer, _):
        done, told = from_csv(writer, f"{','.join(WHOLE)}\n{row}\n{other}")
        ((line, why),) = told
        assert line == 2
        assert reason in why
        assert (done.refused_rows, done.new) == (1, 1)


def test_a_parquet_file_of_other_columns_or_a_damaged_one_is_told() -> None:
    with a_store() as (writer, folder):
        path = folder / "t.parquet"
        for columns, said in (
            ({"when": [1], "volts": [12.0]}, "they must be time and canonical quantities"),
            ({"time": [1], VOLTAGE: [12.0]}, r"another kind than an export has: time \(int64\)"),
        ):
            pq.write_table(pa.table(columns), path)
            with pytest.raises(TableError, match=said):
                from_parquet(writer, path)
        path.write_bytes(path.read_bytes()[:-20])
        with pytest.raises(TableError, match="cannot be read as Parquet"):
            from_parquet(writer, path)
        assert writer.span() is None


def test_rows_of_a_parquet_file_that_cannot_land_are_told() -> None:
    with a_store() as (writer, folder):
        path = folder / "t.parquet"
        stamps = pa.array([NOON, -1, None, NOON + 1], table_parquet.STAMP)
        pq.write_table(pa.table({"time": stamps, VOLTAGE: [12.0, 12.0, 12.0, float("nan")]}), path)
        done, told = from_parquet(writer, path)
    assert (done.rows, done.refused_rows, done.new) == (4, 3, 1)
    assert told == [
        (2, "'-1 ms' is no time between 1970 and 2200"),
        (3, "there is no time"),
        (4, f"{VOLTAGE}: nan is too large to be meant"),
    ]


def test_a_store_that_fills_up_midway_says_how_far_it_came_and_goes_on_later() -> None:
    """SQLite's own limit on a file's pages stands for a full card: the same SQLITE_FULL."""
    rows = [f"{iso_utc(NOON + i * 1000)},{12 + i / 10_000}\n" for i in range(3 * ROWS_AT_ONCE)]
    text = "".join([f"time,{VOLTAGE}\n", *rows])
    with a_store() as (writer, _):
        limit = writer._connection
        (pages,) = limit.execute("PRAGMA page_count").fetchone()
        limit.execute(f"PRAGMA max_page_count = {pages + 15}")
        with pytest.raises(StoreError, match=r"disk is full.*all through line \d+ of the table") as caught:
            from_csv(writer, text)
        through = int(str(caught.value).split("through line ")[1].split()[0])
        with open_reader(writer.path) as reader:
            assert len(list(reader.readings(0, LATEST_MS))) == through - 1
        limit.execute("PRAGMA max_page_count = 1000000")
        done, told = from_csv(writer, text)
        assert told == []
        assert len(list(writer.readings(0, LATEST_MS))) == 3 * ROWS_AT_ONCE
        assert done.known >= through - 1


# --- who pays for it -------------------------------------------------------------------------------------


def test_neither_daemon_nor_command_line_nor_page_loads_pyarrow() -> None:
    code = (
        "import sys, monitor.service, monitor.cli, monitor.commands.tables, dashboard.app;"
        " import monitor.store.table_in;"
        " sys.exit('pyarrow' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_where_pyarrow_is_missing_it_is_told_what_to_do() -> None:
    code = (
        "import sys; sys.modules['pyarrow'] = None\n"
        "from monitor.errors import NightbankError\n"
        "try:\n    import monitor.store.table_parquet\n"
        "except NightbankError as error:\n    print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert "pip install 'nightbank[parquet]'" in done.stdout
