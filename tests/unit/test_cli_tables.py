"""`nightbank export` and `nightbank import` as a person types them, each in a process of its own."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import termios
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import click
import pytest

from monitor.commands.parts import moment_ms
from monitor.records import Quality, Reading, to_ms
from monitor.store.embedded import open_reader, open_writer
from tests.unit.site_files import MARSH_HIDE

SITE = MARSH_HIDE + '\n[store]\npath = "kept/hide.db"\n'

# 00:00 local time on 21 June is 23:00 UTC the day before (British Summer Time, UTC+1)
MIDNIGHT = to_ms(datetime(2026, 6, 20, 23, tzinfo=UTC))


@pytest.fixture
def site(tmp_path: Path) -> Path:
    file = tmp_path / "site.toml"
    file.write_text(SITE, encoding="utf-8")
    (tmp_path / "kept").mkdir()
    return file


@pytest.fixture
def filled(site: Path) -> Path:
    """Two days of voltage at each full hour of UTC from local midnight on, and one current."""
    with open_writer(site.parent / "kept" / "hide.db", "Europe/London") as writer:
        writer.append(
            Reading(MIDNIGHT + hour * 3_600_000, "charger", "battery_voltage_V", 12 + hour / 100)
            for hour in range(48)
        )
        writer.append([Reading(MIDNIGHT, "charger", "charge_current_A", 1.5)])
        writer.commit()
    return site


def run(command: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    """The command as the command line has it, without the other commands around it."""
    code = f"from monitor.commands.tables import {command}; {command}()"
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)], capture_output=True, text=True, check=False
    )


def test_a_local_day_goes_to_standard_output_and_words_to_standard_error(filled: Path) -> None:
    done = run("export_table", filled, "--from", "2026-06-21", "--to", "2026-06-22", "--format", "csv")
    assert done.returncode == 0
    lines = done.stdout.splitlines()
    assert lines[0] == "time,battery_voltage_V,charge_current_A"
    assert lines[1] == "2026-06-20T23:00:00Z,12,1.5"
    assert lines[-1] == "2026-06-21T22:00:00Z,12.23,"
    assert len(lines) == 25
    assert done.stderr == "24 rows of 2 quantities, 2026-06-20T23:00:00Z to 2026-06-21T23:00:00Z\n"


def test_quantities_steps_zone_and_file_may_be_chosen(filled: Path, tmp_path: Path) -> None:
    out = tmp_path / "table.csv"
    done = run(
        "export_table", filled, "--from", "2026-06-20T23:00:00Z", "--to", "2026-06-21T05:00:00+01:00",
        "--quantity", "battery_voltage_V", "--every", 7200, "--out", out,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (0, "")
    assert out.read_text(encoding="utf-8") == (
        "time,battery_voltage_V\n"
        "2026-06-20T23:00:00Z,12.005\n"
        "2026-06-21T01:00:00Z,12.025\n"
        "2026-06-21T03:00:00Z,12.04\n"
    )
    assert [file.name for file in tmp_path.glob("*.part")] == []


def test_a_span_without_readings_gives_the_header_alone(filled: Path) -> None:
    done = run("export_table", filled, "--from", "2020-01-01", "--to", "2020-01-02")
    assert (done.returncode, done.stdout) == (0, "time,battery_voltage_V,charge_current_A\n")
    assert "0 rows" in done.stderr


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--from", "yesterday", "--to", "2026-06-22"], "'yesterday' is no time"),
        (["--from", "2026-06-22", "--to", "2026-06-21"], "must come after --from"),
        (["--from", "2026-06-21", "--to", "2026-06-22", "--quantity", "volts"], "battery_voltage_V"),
        (["--from", "2026-06-21", "--to", "2026-06-22", "--every", "0"], "--every"),
        (["--from", "2026-06-21", "--to", "2026-06-22", "--format", "pdf"], "csv"),
        (["--from", "2026-06-21"], "--to"),
    ],
)
def test_wrong_use_ends_with_two(filled: Path, arguments: list[str], said: str) -> None:
    done = run("export_table", filled, *arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr


def test_an_out_file_that_cannot_be_written_ends_with_one(filled: Path, tmp_path: Path) -> None:
    done = run(
        "export_table",
        filled,
        "--from",
        "2026-06-21",
        "--to",
        "2026-06-22",
        "--out",
        tmp_path / "no" / "t.csv",
    )
    assert done.returncode == 1
    assert "cannot be written" in done.stderr


def test_an_export_comes_back_by_import_and_again_changes_nothing(filled: Path, tmp_path: Path) -> None:
    table = tmp_path / "table.csv"
    span = ("--from", "2026-06-21", "--to", "2026-06-23")
    run("export_table", filled, *span, "--out", table)
    other = tmp_path / "other"
    (other / "kept").mkdir(parents=True)
    site = other / "site.toml"
    site.write_text(SITE, encoding="utf-8")
    first = run("import_table", site, table)
    assert (first.returncode, first.stdout) == (0, "")
    told, advice = first.stderr.splitlines()
    assert told == "48 rows: 49 readings new, 0 already there"
    assert f"nightbank rebuild {site} --from T" in advice
    again = run("import_table", site, table)
    assert (again.returncode, again.stderr) == (0, "48 rows: 0 readings new, 49 already there\n")
    assert run("export_table", site, *span).stdout == table.read_text(encoding="utf-8")


def test_rows_that_cannot_land_are_told_and_end_with_one(site: Path, tmp_path: Path) -> None:
    table = tmp_path / "log.csv"
    table.write_bytes(
        b"time,battery_voltage_V\n2026-06-21T00:00:00Z,12.1\nyesterday,12.2\n2026-06-21T02:00:00Z,1\xff2\n"
    )
    done = run("import_table", site, table)
    assert done.returncode == 1
    assert f"{table}: line 3: 'yesterday' is no time" in done.stderr
    assert f"{table}: line 4: battery_voltage_V:" in done.stderr
    assert "3 rows: 1 readings new, 0 already there; 2 rows refused" in done.stderr


def test_of_very_many_bad_rows_a_hundred_are_told_and_the_rest_counted(site: Path, tmp_path: Path) -> None:
    table = tmp_path / "log.csv"
    table.write_text("time,battery_voltage_V\n" + "never,1\n" * 250, encoding="utf-8")
    done = run("import_table", site, table)
    assert done.returncode == 1
    assert done.stderr.count("'never' is no time") == 100
    assert "and 150 more like these" in done.stderr
    assert "250 rows refused" in done.stderr


def test_an_import_while_the_daemon_has_the_store_lands_beside_it(site: Path, tmp_path: Path) -> None:
    table = tmp_path / "log.csv"
    table.write_text("time,battery_voltage_V\n2026-06-21T00:00:00Z,12.1\n", encoding="utf-8")
    path = site.parent / "kept" / "hide.db"
    with open_writer(path, "Europe/London") as daemon:
        daemon.append([Reading(MIDNIGHT, "charger", "battery_voltage_V", 12.5)])
        assert run("import_table", site, table).returncode == 0
        daemon.commit()
    with open_reader(path) as reader:
        assert [(reading.device, reading.value) for reading in reader.latest()] == [
            ("charger", 12.5),
            ("import", 12.1),
        ]


def test_a_bar_is_drawn_where_standard_error_is_a_terminal(filled: Path, tmp_path: Path) -> None:
    """On a real pseudo-terminal, for both ways; without one (all other tests here) there is none."""
    table = tmp_path / "table.csv"
    span = "'--from', '2026-06-21', '--to', '2026-06-22'"
    for word, code in (
        ("export", f"export_table([{str(filled)!r}, {span}, '--out', {str(table)!r}])"),
        ("import", f"import_table([{str(filled)!r}, {str(table)!r}])"),
    ):
        far, near = pty.openpty()
        termios.tcsetwinsize(near, (24, 80))
        command = [sys.executable, "-c", f"from monitor.commands.tables import *; {code}"]
        done = subprocess.run(command, stdout=subprocess.PIPE, stderr=near, check=False)
        os.close(near)
        shown = os.read(far, 65536).decode()
        os.close(far)
        assert done.returncode == 0, shown
        assert f"{word}:" in shown
        assert "\r" in shown


def emptied(tmp_path: Path) -> Path:
    """Another site of the same kind, with nothing in its store."""
    other = tmp_path / "other"
    (other / "kept").mkdir(parents=True)
    (other / "site.toml").write_text(SITE, encoding="utf-8")
    return other / "site.toml"


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_every_reading_with_its_quality_moves_to_another_store(
    filled: Path, tmp_path: Path, form: str
) -> None:
    with open_writer(filled.parent / "kept" / "hide.db", "Europe/London") as writer:
        writer.append(
            [
                Reading(MIDNIGHT + 1, "shunt", "battery_current_A", 900.0, Quality.SUSPECT, "too much"),
                Reading(MIDNIGHT + 2, "shunt", "battery_current_A", None, Quality.MISSING, "no answer"),
            ]
        )
        writer.commit()
        there = list(writer.readings(0, 2 * MIDNIGHT))
    table, site = tmp_path / f"all.{form}", emptied(tmp_path)
    span = ("--from", "2026-06-21", "--to", "2026-06-23")
    out = run("export_table", filled, *span, "--format", form, "--with-quality", "--out", table)
    assert (out.returncode, out.stdout) == (0, "")
    assert "51 rows of 3 quantities" in out.stderr
    done = run("import_table", site, table)
    assert done.returncode == 0, done.stderr
    assert "51 rows: 51 readings new, 0 already there, 1 of the new ones suspect" in done.stderr
    with open_reader(site.parent / "kept" / "hide.db") as reader:
        assert list(reader.readings(0, 2 * MIDNIGHT)) == there


def test_a_loggers_table_is_shown_first_and_then_becomes_history_for_the_estimator(
    site: Path, tmp_path: Path
) -> None:
    """A day each ten minutes by the logger's local clock, with one bad line."""
    described, table = tmp_path / "logger.toml", tmp_path / "logger.csv"
    described.write_text(
        '[table]\nseparator = ";"\ndecimal = ","\n[time]\ncolumn = "When"\nformat = "%d.%m.%Y %H:%M"\n'
        '[quantities.battery_voltage_V]\ncolumn = "U"\n[quantities.battery_current_A]\ncolumn = "I"\n',
        encoding="utf-8",
    )
    rows = [f"21.06.2026 {i // 6:02d}:{i % 6}0;12,{60 - i // 12};-2,5\n" for i in range(144)]
    table.write_text("".join(["When;U;I\n", *rows, "soon;1;1\n"]), encoding="utf-8")

    shown = run("import_table", site, table, "--map", described, "--dry-run")
    assert shown.returncode == 1
    lines = shown.stdout.splitlines()
    assert len(lines) == 5
    assert lines[0] == (
        "line 2: 2026-06-21 00:00:00+01:00 import battery_voltage_V 12.6 V;"
        " 2026-06-21 00:00:00+01:00 import battery_current_A -2.5 A"
    )
    assert "line 146: column 'When': 'soon' is no time of the form %d.%m.%Y %H:%M" in shown.stderr
    assert (
        "145 rows, 1 refused: 288 readings, 0 of them suspect, 2026-06-20T23:00:00Z to 2026-06-21T22:50:00Z;"
        " nothing was changed" in shown.stderr
    )
    assert list((site.parent / "kept").iterdir()) == []

    done = run("import_table", site, table, "--map", described)
    assert done.returncode == 1
    assert "145 rows: 288 readings new, 0 already there; 1 rows refused" in done.stderr
    code = f"from monitor.commands.rebuild import rebuild; rebuild([{str(site)!r}, '--from', '2026-06-20'])"
    again = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert "144 estimates made anew" in again.stderr


def test_a_table_of_another_kind_is_told_and_makes_no_store(site: Path, tmp_path: Path) -> None:
    table = tmp_path / "logger.csv"
    table.write_text("When;U\n21.06.2026;12,6\n", encoding="utf-8")
    done = run("import_table", site, table)
    assert done.returncode == 1
    assert "columns must be separated by commas" in done.stderr
    assert "describe the columns of a table of another kind with --map" in done.stderr
    assert list((site.parent / "kept").iterdir()) == []


@pytest.mark.parametrize(
    ("command", "arguments", "said"),
    [
        ("export_table", ["--format", "parquet"], "needs --out FILE"),
        ("export_table", ["--with-quality", "--every", "60"], "leave --every out"),
    ],
)
def test_forms_that_do_not_go_together_are_wrong_use(
    filled: Path, command: str, arguments: list[str], said: str
) -> None:
    done = run(command, filled, "--from", "2026-06-21", "--to", "2026-06-22", *arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr


def test_a_parquet_file_that_cannot_be_written_ends_with_one_and_leaves_nothing(
    filled: Path, tmp_path: Path
) -> None:
    span = ("--from", "2026-06-21", "--to", "2026-06-22", "--format", "parquet")
    done = run("export_table", filled, *span, "--out", tmp_path / "no" / "t.parquet")
    assert done.returncode == 1
    assert "cannot be written" in done.stderr


def test_a_missing_table_is_wrong_use(site: Path, tmp_path: Path) -> None:
    done = run("import_table", site, tmp_path / "nothing.csv")
    assert done.returncode == 2
    assert "does not exist" in done.stderr


LONDON = ZoneInfo("Europe/London")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-06-21", datetime(2026, 6, 20, 23, tzinfo=UTC)),
        ("2026-12-21", datetime(2026, 12, 21, tzinfo=UTC)),
        ("2026-06-21T06:00", datetime(2026, 6, 21, 5, tzinfo=UTC)),
        ("2026-06-21 06:00:30", datetime(2026, 6, 21, 5, 0, 30, tzinfo=UTC)),
        ("2026-06-21T06:00Z", datetime(2026, 6, 21, 6, tzinfo=UTC)),
        ("2026-06-21T06:00+05:45", datetime(2026, 6, 21, 0, 15, tzinfo=UTC)),
    ],
)
def test_a_time_without_zone_is_local_at_the_site(text: str, expected: datetime) -> None:
    assert moment_ms(text, LONDON, "--from") == to_ms(expected)


@pytest.mark.parametrize("text", ["", "noon", "21.6.2026", "2026-06-31", "2026-06-21T25:00"])
def test_what_is_no_time_is_wrong_use_and_says_how_to_write_it(text: str) -> None:
    with pytest.raises(click.BadParameter, match="write it like"):
        moment_ms(text, LONDON, "--from")
