"""CSV out and in: the form of the table, and that nothing is lost without a word."""

from __future__ import annotations

import csv
import io
import random
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import TableError
from monitor.quantities import QUANTITIES
from monitor.records import Quality, Reading, to_ms
from monitor.store.embedded import open_importer, open_writer
from monitor.store.steps import STEPS
from monitor.store.table_in import Imported, read_table
from monitor.store.table_out import kept_quantities, number, write_table
from monitor.store.writer import EmbeddedWriter

NOON = to_ms(datetime(2026, 11, 24, 12, tzinfo=UTC))
YEAR = date(2026, 1, 1), date(2027, 1, 1)
VOLTAGE, CURRENT = "battery_voltage_V", "battery_current_A"


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[EmbeddedWriter]:
    with open_importer(tmp_path / "store.db", "Europe/London") as writer:
        yield writer


def took(writer: EmbeddedWriter, text: str) -> tuple[Imported, list[tuple[int, str]]]:
    told: list[tuple[int, str]] = []
    done = read_table(writer, io.StringIO(text), "log.csv", lambda line, why: told.append((line, why)))
    return done, told


def table_of(writer: EmbeddedWriter, every_s: float | None = None) -> str:
    out = io.StringIO()
    write_table(writer, out, kept_quantities(writer), 0, 2 * NOON, every_s)
    return out.getvalue()


# --- out -------------------------------------------------------------------------------------------------


def test_a_table_names_its_columns_and_leaves_a_missing_value_empty(writer: EmbeddedWriter) -> None:
    writer.append(
        [
            Reading(NOON, "charger", VOLTAGE, 12.1),
            Reading(NOON, "shunt", CURRENT, -0.3),
            Reading(NOON + 5250, "charger", VOLTAGE, 13.0),
            Reading(NOON + 5250, "shunt", CURRENT, None, Quality.MISSING, "no answer"),
            Reading(NOON + 9000, "shunt", CURRENT, 0.0),
        ]
    )
    writer.commit()
    assert table_of(writer) == (
        "time,battery_voltage_V,battery_current_A\n"
        "2026-11-24T12:00:00Z,12.1,-0.3\n"
        "2026-11-24T12:00:05.250Z,13,\n"
        "2026-11-24T12:00:09Z,,0\n"
    )


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.1 + 0.2, "0.3"),
        (13.399999999999999, "13.4"),
        (1e-05, "0.00001"),
        (-0.0, "0"),
        (-1e-9, "0"),
        (100.0, "100"),
        (20000.0, "20000"),
        (1 / 3, "0.333333"),
    ],
)
def test_numbers_are_plain_decimals_without_float_noise(value: float, text: str) -> None:
    assert number(value) == text


@given(name=st.sampled_from(sorted(QUANTITIES)), steps=st.integers(-(10**9), 10**9))
def test_every_value_that_the_store_keeps_is_written_to_its_last_step(name: str, steps: int) -> None:
    per_unit = STEPS[name]
    assert round(float(number(steps / per_unit)) * per_unit) == steps


def test_a_table_may_be_averaged(writer: EmbeddedWriter) -> None:
    writer.append(Reading(NOON + i * 20_000, "charger", VOLTAGE, 12.0 + i) for i in range(6))
    writer.commit()
    out = io.StringIO()
    assert write_table(writer, out, [VOLTAGE], NOON, NOON + 120_000, every_s=60) == 2
    assert out.getvalue().splitlines()[1:] == ["2026-11-24T12:00:00Z,13", "2026-11-24T12:01:00Z,16"]


def test_the_table_is_what_a_csv_reader_of_its_own_reads(writer: EmbeddedWriter) -> None:
    """Python's csv module as an independent reader of RFC 4180."""
    rng = random.Random(4180)
    expected = {}
    for i in range(50):
        values = {
            name: round(rng.uniform(0, 1), 2) for name in rng.sample([VOLTAGE, CURRENT], rng.randint(1, 2))
        }
        expected[NOON + i * 1000] = values
        writer.append(Reading(NOON + i * 1000, "charger", name, value) for name, value in values.items())
    writer.commit()
    read = {
        to_ms(datetime.fromisoformat(row.pop("time"))): {k: float(v) for k, v in row.items() if v}
        for row in csv.DictReader(io.StringIO(table_of(writer)))
    }
    assert read == expected, "seed 4180"


# --- in --------------------------------------------------------------------------------------------------


def test_good_rows_land_under_the_name_import(writer: EmbeddedWriter) -> None:
    done, told = took(
        writer,
        "time,battery_current_A,battery_voltage_V\n"
        "2026-11-24T12:00:00Z,-3.5,12.4\n"
        "2026-11-24T14:00:05+02:00,,12.5\n",
    )
    assert told == []
    assert done == Imported(rows=2, new=3)
    assert list(writer.rows([VOLTAGE, CURRENT], NOON, NOON + 10_000)) == [
        (NOON, {VOLTAGE: 12.4, CURRENT: -3.5}),
        (NOON + 5000, {VOLTAGE: 12.5}),
    ]
    assert {reading.device for reading in writer.latest()} == {"import"}


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("2026-11-24T12:00:00Z", "1 fields, the header names 2 columns"),
        ("2026-11-24T12:00:00Z,12.4,1", "3 fields, the header names 2 columns"),
        ("2026-11-24T12:00:00,12.4", "names no zone; write it like 2026-11-25T10:30:00Z"),
        ("2026-11-24,12.4", "names no zone"),
        ("24.11.2026 12:00,12.4", "'24.11.2026 12:00' is no time"),
        ("2026-11-31T12:00:00Z,12.4", "is no time"),
        ("1969-12-31T23:59:59Z,12.4", "no time between 1970 and 2200"),
        ("9999-12-31T23:59:59Z,12.4", "no time between 1970 and 2200"),
        ("0001-01-01T00:00:00+14:00,12.4", "no time between 1970 and 2200"),
        (",12.4", "no time; write it like"),
        ("2026-11-24T12:00:00Z,12.4 V", "battery_voltage_V: '12.4 V' is no number"),
        ("2026-11-24T12:00:00Z,nan", "'nan' is no number"),
        ("2026-11-24T12:00:00Z,inf", "'inf' is no number"),
        ("2026-11-24T12:00:00Z,1_2", "'1_2' is no number"),
        ("2026-11-24T12:00:00Z,0x0C", "'0x0C' is no number"),
        ("2026-11-24T12:00:00Z,1e99", "too large to be meant"),
        ("2026-11-24T12:00:00Z,-1e999", "too large to be meant"),
        ('2026-11-24T12:00:00Z,"12.4', "the quotes do not close"),
        ("2026-11-24T12:00:00Z,12\ufffd4", "is no number"),
    ],
)
def test_a_bad_row_is_told_with_line_and_reason_and_the_others_land(
    writer: EmbeddedWriter, row: str, reason: str
) -> None:
    text = f"time,{VOLTAGE}\n2026-11-24T11:00:00Z,12.1\n{row}\n2026-11-24T13:00:00Z,12.2\n"
    done, told = took(writer, text)
    ((line, why),) = told
    assert line == 3
    assert reason in why
    assert (done.rows, done.refused_rows, done.new) == (3, 1, 2)
    assert [values[VOLTAGE] for _, values in writer.rows([VOLTAGE], 0, 2 * NOON)] == [12.1, 12.2]


@pytest.mark.parametrize(
    ("header", "said"),
    [
        ("", "line 1 is empty"),
        ("time", "no column but 'time'"),
        ("battery_voltage_V,time", "the first column must be 'time', not 'battery_voltage_V'"),
        ("time;battery_voltage_V", "separated by commas"),
        ("time\tbattery_voltage_V", "separated by commas"),
        ("time,battery_voltage", "did you mean 'battery_voltage_V'"),
        ("time,moon", "'moon' is no canonical quantity; known are battery_voltage_V"),
        ("time,battery_voltage_V,battery_voltage_V", "stands there twice"),
        ('time,"battery_voltage_V', "quotes do not close"),
    ],
)
def test_a_header_that_cannot_be_used_is_told(writer: EmbeddedWriter, header: str, said: str) -> None:
    with pytest.raises(TableError, match=r"log\.csv: line 1") as caught:
        took(writer, f"{header}\n2026-11-24T12:00:00Z,12\n")
    assert said in str(caught.value)
    assert writer.span() is None


def test_spreadsheet_habits_are_read(writer: EmbeddedWriter) -> None:
    """A byte order mark, CRLF, quotes, spaces, blank lines and plus signs do no harm."""
    done, told = took(
        writer,
        f'\ufeff"time","{VOLTAGE}"\r\n\r\n"2026-11-24T12:00:00Z", +12.50 \r\n'
        "2026-11-24 12:00:05+00:00,1.26e1\r\n\r\n",
    )
    assert told == []
    assert done.rows == 2
    assert [values[VOLTAGE] for _, values in writer.rows([VOLTAGE], 0, 2 * NOON)] == [12.5, 12.6]


def test_an_implausible_value_lands_as_suspect_with_the_reason(writer: EmbeddedWriter) -> None:
    done, told = took(writer, f"time,{VOLTAGE}\n2026-11-24T12:00:00Z,124\n")
    assert (told, done.suspect, done.new) == ([], 1, 1)
    assert writer.latest() == [
        Reading(NOON, "import", VOLTAGE, 124.0, Quality.SUSPECT, "outside the plausible 0 to 80 V")
    ]


def test_importing_the_same_table_again_changes_nothing(writer: EmbeddedWriter) -> None:
    """4,321 rows in several commits, values finer than the store's step and suspect ones among them."""
    rng = random.Random(11)
    rows = "".join(
        f"2026-11-{20 + i // 1440:02d}T{i // 60 % 24:02d}:{i % 60:02d}:00Z,{rng.uniform(0, 90):.5f},{i}\n"
        for i in range(4321)
    )
    text = f"time,{VOLTAGE},array_power_W\n{rows}"
    first, told = took(writer, text)
    assert told == []
    assert (first.rows, first.new, first.known) == (4321, 8642, 0)
    assert first.suspect > 0
    table, days = table_of(writer), writer.days(*YEAR)
    again, told = took(writer, text)
    assert told == []
    assert (again.new, again.known, again.left_out, again.suspect) == (0, 8642, 0, 0)
    assert table_of(writer) == table
    assert writer.days(*YEAR) == days


def test_a_table_that_comes_once_more_has_each_packed_block_read_once(writer: EmbeddedWriter) -> None:
    """A daemon beside waits for an import's commit: a month anew must not read a block for each value."""
    rows = "".join(
        f"2026-11-{1 + at // 96:02}T{at // 4 % 24:02}:{at % 4 * 15:02}:00Z,12.{at % 90:02},{at % 7}\n"
        for at in range(20 * 96)
    )
    text = f"time,{VOLTAGE},{CURRENT}\n{rows}"
    assert took(writer, text)[0].new == 2 * 20 * 96
    for _ in range(20):
        writer.append([Reading(NOON, "charger", VOLTAGE, 12.1)])
        writer.commit()
    (blocks,) = writer._connection.execute("SELECT count(*) FROM block").fetchone()
    assert blocks == 20 * 4, "all of it is packed"
    said: list[str] = []
    writer._connection.set_trace_callback(said.append)
    done, told = took(writer, text)
    assert (done.known, done.new, told) == (2 * 20 * 96, 0, [])
    assert 0 < sum("FROM block WHERE span =" in statement for statement in said) <= blocks


def test_a_value_that_contradicts_the_store_is_told_and_left_out(writer: EmbeddedWriter) -> None:
    took(writer, f"time,{VOLTAGE}\n2026-11-24T12:00:00Z,12.4\n")
    done, told = took(
        writer,
        f"time,{VOLTAGE}\n2026-11-24T12:00:00Z,12.41239\n2026-11-24T13:00:00Z,13\n2026-11-24T13:00:00Z,14\n",
    )
    assert told == [
        (2, f"{VOLTAGE}: 12.412 left out, an earlier import or row has 12.4 at this time"),
        (4, f"{VOLTAGE}: 14 left out, an earlier import or row has 13 at this time"),
    ]
    assert (done.new, done.left_out) == (1, 2)
    assert [values[VOLTAGE] for _, values in writer.rows([VOLTAGE], 0, 2 * NOON)] == [12.4, 13.0]


def test_rows_in_any_order_land_like_sorted_ones(writer: EmbeddedWriter, tmp_path: Path) -> None:
    rng = random.Random(5)
    rows = [
        f"2026-11-{day:02d}T{hour:02d}:30:00Z,{rng.uniform(10, 15):.2f}"
        for day in range(1, 31)
        for hour in range(24)
    ]
    took(writer, "\n".join([f"time,{VOLTAGE}", *rows]))
    rng.shuffle(rows)
    with open_importer(tmp_path / "other.db", "Europe/London") as other:
        took(other, "\n".join([f"time,{VOLTAGE}", *rows]))
        assert table_of(other) == table_of(writer), "seed 5"
        days = [w.days(*YEAR) for w in (writer, other)]
        assert days[0] == days[1], "seed 5"


@contextmanager
def two_stores() -> Iterator[tuple[EmbeddedWriter, EmbeddedWriter]]:
    with (
        TemporaryDirectory() as folder,
        open_writer(Path(folder) / "one.db", "UTC") as one,
        open_writer(Path(folder) / "other.db", "UTC") as other,
    ):
        yield one, other


@given(
    values=st.lists(
        st.tuples(
            st.integers(0, 4_000_000_000_000),
            st.sampled_from([VOLTAGE, CURRENT, "state_of_charge", "charge_stage"]),
            st.floats(0, 1),
        ),
        max_size=30,
    )
)
@settings(max_examples=40)
def test_a_table_written_and_read_gives_the_same_table(values: list[tuple[int, str, float]]) -> None:
    with two_stores() as (one, other):
        one.append(Reading(time_ms, "charger", name, value) for time_ms, name, value in values)
        one.commit()
        if not values:
            assert table_of(one) == "time\n"
            return
        out = io.StringIO()
        write_table(one, out, kept_quantities(one), 0, 4_000_000_000_001)
        done, told = took(other, out.getvalue())
        assert told == []
        again = io.StringIO()
        write_table(other, again, kept_quantities(other), 0, 4_000_000_000_001)
        assert again.getvalue() == out.getvalue()
        assert done.new == len({(time_ms, name) for time_ms, name, _ in values})
