"""`nightbank estimate`: any record in, a row of estimates out for each row; as a pipe and inside."""

import csv
import io
import os
import pty
import subprocess
import sys
import termios
import time
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.bank.description import describe_bank
from monitor.bank.estimator import BankEstimator
from monitor.bank.replay import ESTIMATE_HEADER, Remarks, read_header, replay, time_of
from monitor.bank.sample import BankEstimate
from monitor.bank.timeline import DOUBTED_ROWS
from monitor.errors import SiteError, TableError
from monitor.quantities import Stage
from monitor.site.bank_file import load_bank_file
from tests.unit.site_files import MARSH_HIDE, changed, line_of, write

BANK = """\
[bank]
chemistry = "flooded"
unit_voltage_V = 6
unit_capacity_Ah = 225
units_in_series = 2
"""

START = datetime(2026, 6, 20, tzinfo=UTC)
HEADER = "time,battery_voltage_V,battery_current_A"


def iso(minute):
    return (START + timedelta(minutes=minute)).isoformat().replace("+00:00", "Z")


def full_day(first=0, minutes=240):
    """Rows in which the bank is charged, held at absorption until the current has fallen, and then used."""
    rows = []
    for minute in range(first, first + minutes):
        voltage_V, current_A = (14.8, 1.0) if minute - first < 180 else (12.6, -5.0)
        rows.append(f"{iso(minute)},{voltage_V},{current_A}")
    return rows


class Told:
    """An estimator that tells what it was given: the minute as charge, the samples so far as deviation."""

    def __init__(self):
        self.samples = []

    def update(self, sample):
        self.samples.append(sample)
        minute = (sample.time_ms - START.timestamp() * 1000) / 60_000
        return BankEstimate(
            sample.time_ms, minute, len(self.samples), Stage.BULK, None, None, None, ("told",)
        )

    def state(self):
        return ""


def told_of(lines):
    """The output's rows as dicts, the estimators that were made, and the remarks."""
    made, remarks = [], Remarks()

    def make():
        made.append(Told())
        return made[-1]

    text = "".join(replay(lines, make, remarks))
    return list(csv.DictReader(io.StringIO(text))), made, remarks


def run(folder, record, bank=BANK, **more):
    """The command as a user types it: (exit status, standard output, standard error)."""
    (folder / "bank.toml").write_text(bank, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "estimate", "--bank", str(folder / "bank.toml")],
        input=record if isinstance(record, bytes) else record.encode(),
        capture_output=True,
        check=False,
        **more,
    )
    return done.returncode, done.stdout.decode(), done.stderr.decode()


# --- as a user pipes it --------------------------------------------------------------------------------


def test_a_record_goes_through_the_pipe_row_by_row(tmp_path):
    rows = full_day()
    status, out, err = run(tmp_path, "\n".join([HEADER, *rows]) + "\n")
    assert (status, err) == (0, "240 rows\n")
    lines = list(csv.DictReader(io.StringIO(out)))
    assert out.startswith(ESTIMATE_HEADER)
    assert [line["time"] for line in lines] == [row.split(",")[0] for row in rows]
    assert {line["stage"] for line in lines} <= {"off", "bulk", "absorption", "float", "equalization"}
    assert lines[170]["stage"] == "absorption"
    last = lines[-1]
    assert 0.5 < float(last["soc"]) <= 1, "an hour of 5 A after the signs of a full bank of 225 Ah"
    assert 0 < float(last["soc_sd"]) < 0.3
    assert len(last["soc"].split(".")[1]) == 4
    assert last["basis"]


def test_the_pipe_is_the_estimator_and_nothing_else(tmp_path):
    """The same rows given to BankEstimator by hand."""
    rows = full_day()
    _, out, _ = run(tmp_path, "\n".join([HEADER, *rows]) + "\n")
    described = load_bank_file(tmp_path / "bank.toml")
    bank = describe_bank(
        described.bank, described.controller, described.meters, described.metering, level=None
    )
    own = "".join(replay([HEADER, *rows], lambda: BankEstimator(bank), Remarks()))
    assert out == own


def test_a_live_pipe_gives_each_estimate_before_the_next_row_comes(tmp_path):
    (tmp_path / "bank.toml").write_text(BANK, encoding="utf-8")
    command = [sys.executable, "-m", "monitor.cli", "estimate", "--bank", str(tmp_path / "bank.toml")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        process.stdin.write(f"{HEADER}\n".encode())
        process.stdin.flush()
        assert process.stdout.readline().decode() == ESTIMATE_HEADER
        for minute in range(3):
            process.stdin.write(f"{iso(minute)},12.5,-1.0\n".encode())
            process.stdin.flush()
            assert process.stdout.readline().decode().startswith(f"{iso(minute)},")
        process.stdin.close()
        assert process.wait(timeout=20) == 0


def test_a_reader_that_goes_away_ends_the_pipe_quietly(tmp_path):
    (tmp_path / "bank.toml").write_text(BANK, encoding="utf-8")
    (tmp_path / "m.csv").write_text("\n".join([HEADER, *full_day(minutes=5000)]), encoding="utf-8")
    line = f"{sys.executable} -m monitor.cli estimate --bank bank.toml < m.csv | head -n 2"
    done = subprocess.run(line, shell=True, cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout.startswith(ESTIMATE_HEADER)
    assert "Traceback" not in done.stderr


def test_a_bar_is_drawn_for_a_file_on_a_terminal(tmp_path):
    (tmp_path / "bank.toml").write_text(BANK, encoding="utf-8")
    (tmp_path / "m.csv").write_text("\n".join([HEADER, *full_day()]), encoding="utf-8")
    far, near = pty.openpty()
    termios.tcsetwinsize(near, (24, 80))
    command = [sys.executable, "-m", "monitor.cli", "estimate", "--bank", str(tmp_path / "bank.toml")]
    with (tmp_path / "m.csv").open("rb") as record:
        done = subprocess.run(command, stdin=record, stdout=subprocess.PIPE, stderr=near, check=False)
    os.close(near)
    shown = os.read(far, 65536).decode()
    os.close(far)
    assert done.returncode == 0, shown
    assert "estimate:" in shown
    assert "240 rows" in shown


def test_what_could_not_be_taken_is_told_at_the_end_and_no_row_is_lost(tmp_path):
    record = "\n".join(
        [
            HEADER,
            f"{iso(0)},12.5,-1",
            f"{iso(1)},twelve,-1",
            f"{iso(2)},12.5,nan",
            "yesterday,12.5,-1",
            f"{iso(1)},12.5,-1",
            f"{iso(3)},12.5",
            f"{iso(4)},12.5,-1",
        ]
    )
    status, out, err = run(tmp_path, record)
    assert status == 0
    assert len(out.splitlines()) == 8
    assert "7 rows\n" in err
    assert (
        "2 cells were no usable value and taken as missing: line 3 battery_voltage_V 'twelve', line 4" in err
    )
    assert "1 row had no usable time and repeats the last estimate: line 5 'yesterday'" in err
    assert "1 row was not later than the one before: the last estimate is repeated: line 6" in err
    assert "1 row had more or fewer cells than the header: line 7" in err


@pytest.mark.parametrize(
    ("record", "said"),
    [
        ("", "line 1 is empty; it must name the columns: time,battery_voltage_V"),
        ("\n\n", "line 1 is empty"),
        ("battery_voltage_V\n12.5\n", "the column 'time' is missing"),
        ("time\n2026-06-20T00:00:00Z\n", "the column 'battery_voltage_V' is missing"),
        ("time,battery_volts_V\n", "'battery_volts_V' is no column of a record; did you mean 'battery_volt"),
        ("time,battery_voltage_V,stage\n", "'stage' is no column of a record; known here"),
        ("time;battery_voltage_V\n", "columns must be separated by commas"),
        ("time,battery_voltage_V,time\n", "the column 'time' stands there twice"),
        ('time,"battery_voltage_V\n', "the quotes do not close"),
    ],
)
def test_a_header_that_cannot_be_used_is_told_and_ends_with_one(tmp_path, record, said):
    status, out, err = run(tmp_path, record)
    assert (status, out) == (1, "")
    assert said in err
    assert "Traceback" not in err


def test_a_header_alone_gives_a_header_alone(tmp_path):
    assert run(tmp_path, HEADER + "\n") == (0, ESTIMATE_HEADER, "0 rows\n")


def test_a_missing_bank_file_is_told(tmp_path):
    command = [sys.executable, "-m", "monitor.cli", "estimate", "--bank", str(tmp_path / "no.toml")]
    done = subprocess.run(command, input="", capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "cannot be read" in done.stderr


def test_measurements_from_the_keyboard_are_wrong_use(tmp_path):
    (tmp_path / "bank.toml").write_text(BANK, encoding="utf-8")
    far, near = pty.openpty()
    command = [sys.executable, "-m", "monitor.cli", "estimate", "--bank", str(tmp_path / "bank.toml")]
    done = subprocess.run(command, stdin=near, capture_output=True, text=True, check=False, timeout=20)
    os.close(near)
    os.close(far)
    assert done.returncode == 2
    assert "standard input" in done.stderr


# --- the bank file -------------------------------------------------------------------------------------


def test_a_site_file_serves_as_bank_file(tmp_path):
    described = load_bank_file(write(tmp_path, MARSH_HIDE))
    assert described.bank.capacity_Ah == 450
    assert described.controller.absorption_V == 14.8
    assert described.metering.monitor_power_W == 2.0
    assert described.passed_over == ()


def test_without_controller_and_meters_the_usual_is_taken(tmp_path):
    """Usual for flooded: 14.8 V and -5 mV/°C per cell (makers' sheets, see chemistry.py)."""
    described = load_bank_file(write(tmp_path, BANK))
    assert described.controller.absorption_V == pytest.approx(14.8)
    assert described.controller.temperature_compensation_V_per_C == pytest.approx(-0.03)
    assert described.meters.voltage_step_V == 0.01
    assert described.loads == ()


def test_loads_count_where_they_are_as_in_a_site_file(tmp_path):
    loads = '\n[[loads]]\nname = "lamp"\npower_W = 12\nhours_per_day = 6\n'
    assert [load.name for load in load_bank_file(write(tmp_path, BANK + loads)).loads] == ["lamp"]


@pytest.mark.parametrize(
    "table", ['[metering]\nlevel = "guessed"\n', '[[loads]]\npower_W = "much"\n', "[metering]\nshunts = 2\n"]
)
def test_an_unsound_table_beside_the_banks_is_passed_over(tmp_path, table):
    described = load_bank_file(write(tmp_path, BANK + table))
    assert described.passed_over == (table.split("]")[0].strip("["),)
    status, _, err = run(tmp_path, HEADER + "\n", BANK + table)
    assert status == 0
    assert f"[{described.passed_over[0]}] is not as in a site file and is passed over" in err


def test_other_tables_are_allowed(tmp_path):
    more = '\n[truth]\ncapacity_Ah = 190\n[[note]]\ntext = "by hand"\n'
    described = load_bank_file(write(tmp_path, BANK + more))
    assert (described.bank, described.passed_over) == (load_bank_file(write(tmp_path, BANK)).bank, ())


@pytest.mark.parametrize(
    ("edit", "key", "start"),
    [
        ('bank.chemistry = "nickel"', "bank.chemistry", "chemistry"),
        ("bank.unit_capacity_Ah = -1", "bank.unit_capacity_Ah", "unit_capacity_Ah"),
        ("bank.color = 3", "bank.color", "color"),
        ("meters.voltage_step_V = 10", "meters.voltage_step_V", "voltage_step_V"),
        ('controller.absorption_V = "14.8 V"', "controller.absorption_V", "absorption_V"),
    ],
)
def test_a_fault_in_the_banks_tables_is_told_with_key_and_line(tmp_path, edit, key, start):
    text = changed(edit, without=("site", "devices", "array"))
    with pytest.raises(SiteError) as caught:
        load_bank_file(write(tmp_path, text))
    (problem,) = caught.value.problems
    assert (problem.key, problem.line) == (key, line_of(text, start))


def test_a_file_without_bank_says_what_the_table_needs(tmp_path):
    with pytest.raises(SiteError, match=r"the table \[bank\] is missing; it needs chemistry"):
        load_bank_file(write(tmp_path, "[meters]\n"))


# --- reading rows --------------------------------------------------------------------------------------


def test_columns_come_in_any_order_and_number():
    header = "restart, battery_temperature_C,array_voltage_V ,time,load_current_A,battery_voltage_V"
    _, (made,), _ = told_of([header, f"0,21.5,18,{iso(0)},2,12.4"])
    (sample,) = made.samples
    assert (sample.battery_temperature_C, sample.array_voltage_V) == (21.5, 18.0)
    assert (sample.load_current_A, sample.battery_voltage_V) == (2.0, 12.4)
    assert (sample.battery_current_A, sample.charge_current_A, sample.stage) == (None, None, None)


@pytest.mark.parametrize(
    "stamp",
    [
        "2026-06-20T10:30:00Z",
        "2026-06-20 10:30:00Z",
        "2026-06-20T10:30:00+00:00",
        "2026-06-20T12:30:00+02:00",
        "2026-06-20T10:30:00.000Z",
        "2026-06-20T10:30Z",
        "2026-06-20T10:30:00",
    ],
)
def test_all_ways_to_write_a_moment_are_that_moment(stamp):
    assert time_of(stamp) == datetime(2026, 6, 20, 10, 30, tzinfo=UTC).timestamp() * 1000


def test_fractional_seconds_are_kept():
    assert time_of("2026-06-20T10:30:00.250Z") % 60_000 == 250


@pytest.mark.parametrize("stamp", ["", "noon", "2026-06-31T00:00:00Z", "1969-12-31T23:59:59Z", "9999-12-31"])
def test_what_is_no_time_is_none(stamp):
    assert time_of(stamp) is None


def test_marks_quotes_spaces_and_empty_lines_do_no_harm():
    lines = [
        '\ufeff"time", battery_voltage_V,battery_current_A\r\n',
        "\r\n",
        f'"{iso(0)}","12.5", -1.0 \r\n',
        "   \n",
        f" {iso(1)} , 12.6 ,\r\n",
    ]
    rows, (made,), remarks = told_of(lines)
    assert [row["time"] for row in rows] == [iso(0), iso(1)]
    assert [(s.battery_voltage_V, s.battery_current_A) for s in made.samples] == [(12.5, -1.0), (12.6, None)]
    assert list(remarks.in_words()) == []


def test_a_quote_left_open_spoils_its_own_line_only():
    lines = [HEADER, f"{iso(0)},12.5,-1", f'"{iso(1)},12.5,-1', f"{iso(2)},12.5,-1"]
    rows, (made,), remarks = told_of(lines)
    assert len(rows) == 3
    assert len(made.samples) == 2
    assert (remarks.widths.count, remarks.times.count) == (1, 1)


@pytest.mark.parametrize("cell", ["nan", "inf", "-inf", "1e300", "1_2", "12,5", "900", "--", "12.5V", "0x10"])
def test_a_cell_that_is_no_plausible_number_is_missing(cell):
    _, (made,), remarks = told_of([HEADER, f"{iso(0)},12.5,-1", f'{iso(1)},"{cell}",-1'])
    assert made.samples[1].battery_voltage_V is None
    assert made.samples[1].battery_current_A == -1.0
    assert remarks.cells.count == 1


def test_a_restart_begins_a_fresh_estimator():
    lines = [HEADER + ",restart", *(f"{iso(n)},12.5,-1,{int(n in (2, 4))}" for n in range(6))]
    rows, made, _ = told_of(lines)
    assert [len(each.samples) for each in made] == [2, 2, 2]
    assert len(rows) == 6


def test_a_restart_counts_though_its_row_has_no_time_and_time_may_begin_anew():
    lines = [HEADER + ",restart", f"{iso(60)},12.5,-1,", "lost,12.5,-1,1", f"{iso(0)},12.5,-1,"]
    rows, made, remarks = told_of(lines)
    assert [len(each.samples) for each in made] == [1, 1]
    assert rows[1]["soc"] == "", "nothing is known of the bank any more"
    assert remarks.late.count == 0


# --- time that goes wrong ------------------------------------------------------------------------------


def minutes_seen(made):
    return [round((s.time_ms / 1000 - START.timestamp()) / 60) for s in made.samples]


def record_of(minutes):
    return [HEADER, *(f"{iso(minute)},12.5,-1" for minute in minutes)]


def test_late_rows_and_duplicates_change_nothing():
    rows, (made,), remarks = told_of(record_of([*range(20), 5, 6, 7, 19, 20]))
    assert minutes_seen(made) == list(range(21))
    assert remarks.late.count == 4
    assert rows[20]["soc"] == rows[19]["soc"], "the last estimate is repeated"


@pytest.mark.parametrize("wrong_rows", [1, 3, DOUBTED_ROWS - 1])
@pytest.mark.parametrize("start", [0, 100])
def test_a_clock_that_is_a_year_ahead_for_some_rows_does_not_spoil_the_rest(wrong_rows, start):
    year = 365 * 1440
    ahead = [start + year + n for n in range(wrong_rows)]
    rows, made, remarks = told_of(record_of([*range(start), *ahead, *range(start, start + 50)]))
    last = rows[-1]
    assert float(last["soc"]) == start + 49
    assert float(last["soc_sd"]) == start + 50, "the kept estimator has seen the sound rows and no other"
    assert remarks.jumps.count == 1
    assert remarks.late.count == 0
    assert len(made) == 1


def test_a_bank_in_storage_for_months_is_no_clock_fault():
    months = 200 * 1440
    rows, (made,), remarks = told_of(record_of([*range(30), *range(months, months + 30)]))
    assert minutes_seen(made) == [*range(30), *range(months, months + 30)]
    assert float(rows[30]["soc"]) == months, "the first row after it has its own estimate"
    assert list(remarks.in_words()) == []


def test_a_clock_set_back_for_good_goes_on_after_a_day_at_the_same_time_of_day():
    """An hour of rows a month ahead, then two days at the right time: 1 day is left out, 1 is taken."""
    month = 30 * 1440
    rows, (made,), remarks = told_of(record_of([*range(month, month + 60), *range(0, 2 * 1440)]))
    assert remarks.set_back.count == 1
    assert remarks.late.count == 1440
    assert float(rows[-1]["soc_sd"]) == 60 + 1440, "rows that the estimator has taken"
    assert float(rows[-1]["soc"]) % 1440 == (2 * 1440 - 1) % 1440
    seen = minutes_seen(made)
    assert all(0 < b - a <= 1440 for a, b in pairwise(seen)), "an estimator takes nothing that goes back"


# --- any junk ------------------------------------------------------------------------------------------

CELLS = st.one_of(
    st.text(st.characters(exclude_characters="\n", exclude_categories=["Cs"]), max_size=12),
    st.floats().map(str),
    st.sampled_from(
        ["", "12.5", "-1", "1", '"', '""', ",", "\r", "\0", "1e999", iso(3), "2150-01-01T00:00Z"]
    ),
)
ROWS = st.lists(CELLS, max_size=6).map(",".join)


@given(
    junk=st.lists(st.one_of(ROWS, st.integers(-3000, 3000).map(lambda m: f"{iso(m)},12.5,-1,0")), max_size=9)
)
@example(junk=["2150-01-01T00:00Z,12.5,-1"])
@example(junk=[f"{iso(0)},12.5,-1,0", "2150-01-01T00:00Z"])
@example(junk=[f'"{iso(1)}'])
@settings(max_examples=150)
def test_junk_loses_no_row_raises_nothing_and_good_rows_after_it_are_estimated(junk):
    good = [f"{iso(4000 + n)},{14.8 if n < 40 else 12.6},{1.0 if n < 40 else -5.0},0" for n in range(60)]
    lines = [HEADER + ",restart", *junk, *good]
    described = describe_bank(**BANK_TABLES, level=None)
    remarks = Remarks()
    out = "".join(replay(lines, lambda: BankEstimator(described), remarks))
    rows = list(csv.reader(io.StringIO(out, newline="")))
    blank = sum(not row.strip() for row in junk)
    assert len(rows) - 1 == remarks.rows == len(junk) - blank + len(good)
    assert all(len(row) == 8 for row in rows)
    assert [row[0] for row in rows[-60:]] == [row.split(",")[0] for row in good]
    assert rows[-1][3] == "off", "discharging"
    assert 0 <= float(rows[-1][1]) <= 1


@pytest.fixture(autouse=True, scope="module")
def _bank_tables(tmp_path_factory):
    described = load_bank_file(write(tmp_path_factory.mktemp("bank"), BANK))
    for name in ("bank", "controller", "meters", "metering"):
        BANK_TABLES[name] = getattr(described, name)


BANK_TABLES = {}


def test_a_row_costs_little_beside_its_estimate():
    """Reading and writing stay below 40 µs a row on the machine of the issue; here with a wide margin."""
    lines = [HEADER, *full_day(minutes=20_000)]
    began = time.process_time()
    count = sum(1 for _ in replay(lines, Told, Remarks()))
    assert count == 20_001
    assert (time.process_time() - began) / 20_000 < 120e-6


def test_a_header_names_where_each_column_stands():
    with pytest.raises(TableError, match="did you mean"):
        read_header("time,battery_voltage_V,battery_curent_A")
