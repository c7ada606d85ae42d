"""`nightbank outlook`: over a store that `nightbank import` filled, with the almanac's own process."""

from __future__ import annotations

import json
import os
import shutil
from datetime import UTC, datetime

import pytest
from click.testing import CliRunner

from monitor.cli import main
from tests.unit.outlook_world import DAY_MS, HOUR_MS, LAMPS, START_MS, UTC_HIDE, evening_lamps, rows
from tests.unit.site_files import WITHOUT_ARRAY

DAYS = 8
AT = "2026-03-09T18:30"
KEYS = {
    "at",
    "sunrise",
    "array_helps_from",
    "soc_min",
    "battery_voltage_min_V",
    "charge_used_Ah",
    "low_at",
    "crosses_reserve_probability",
    "crosses_disconnect_probability",
    "hours_left",
    "wet_days_left",
    "sentence",
    "basis",
}
COLUMNS = (
    "battery_voltage_V",
    "battery_current_A",
    "charge_current_A",
    "load_current_A",
    "battery_temperature_C",
)


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def log_of(days, change=None):
    """A log of so many days; change may alter a row."""
    lines = [",".join(("time", *COLUMNS))]
    for time_ms, row in rows(evening_lamps, days):
        if change is not None:
            row = change(time_ms, row)
        time = datetime.fromtimestamp(time_ms / 1000, UTC).isoformat()
        lines.append(f"{time}," + ",".join(str(row[name]) for name in COLUMNS))
    return "\n".join(lines) + "\n"


def hide_in(folder, text, log):
    folder.mkdir(exist_ok=True)
    path, table = folder / "hide.toml", folder / "log.csv"
    path.write_text(text, encoding="utf-8")
    table.write_text(log, encoding="utf-8")
    assert run("import", path, table).exit_code == 0
    return path


@pytest.fixture(scope="module")
def hide(tmp_path_factory):
    return hide_in(tmp_path_factory.mktemp("hide") / "a", UTC_HIDE + LAMPS, log_of(DAYS))


@pytest.fixture(scope="module")
def told(hide):
    return json.loads(run("outlook", hide, "--at", AT, "--json").stdout)


def test_one_document_answers_the_nights_questions(told):
    assert set(told) >= KEYS
    assert told["at"] == f"{AT}:00Z"
    # 52.6 north, 1.6 east, on 10 March: the sun rises at about 6:20 UTC (from memory)
    assert "2026-03-10T06:05" < told["sunrise"] < "2026-03-10T06:35"
    assert told["sunrise"] < told["array_helps_from"] < "2026-03-10T08:30"
    assert told["low_at"] <= told["array_helps_from"]
    assert told["charge_used_Ah"]["p50"] == pytest.approx(12 * (1 + 2 / 12.5) + 4.5 * 5, rel=0.12)
    assert told["sentence"].startswith("Lasts until morning: lowest about ")
    assert told["basis"]


def test_nothing_that_came_later_is_in_the_answer(tmp_path, told):
    """From 18:30 on the log is another one: a short circuit instead of a night."""
    at_ms = START_MS + 7 * DAY_MS + 18 * HOUR_MS + HOUR_MS // 2

    def spoiled(time_ms, row):
        return row if time_ms < at_ms else row | {"battery_voltage_V": 10.5, "load_current_A": 90.0}

    other = hide_in(tmp_path / "b", UTC_HIDE + LAMPS, log_of(DAYS, spoiled))
    assert json.loads(run("outlook", other, "--at", AT, "--json").stdout) == told


def test_later_rows_need_not_be_there(tmp_path, told):
    short = hide_in(tmp_path / "c", UTC_HIDE + LAMPS, log_of(7 + 18.5 / 24))
    assert json.loads(run("outlook", short, "--at", AT, "--json").stdout) == told


def test_without_a_time_the_newest_reading_is_the_moment(hide):
    told = json.loads(run("outlook", hide, "--json").stdout)
    assert "2026-03-09T23:55:00" <= told["at"] < "2026-03-10T00:00:00"


def test_words_tell_the_sentence_first_and_what_it_rests_on(hide, told):
    words = run("outlook", hide, "--at", AT).stdout
    assert words.splitlines()[0] == told["sentence"]
    for ground in told["basis"]:
        assert ground in words
    assert "The days ahead" in words


@pytest.fixture(scope="module")
def dark_hide(tmp_path_factory):
    """Without an array, so that no almanac runs: two days that end at 23:55."""
    text = WITHOUT_ARRAY.replace("Europe/London", "UTC") + LAMPS
    return hide_in(tmp_path_factory.mktemp("dark hide") / "d", text, log_of(2))


def test_a_site_without_an_array_is_told_so(dark_hide):
    told = json.loads(run("outlook", dark_hide, "--json").stdout)
    assert told["array_helps_from"] is None
    assert told["wet_days_left"] is None
    assert any("no array" in ground for ground in told["basis"])


def test_a_gap_before_the_moment_is_told(dark_hide):
    told = json.loads(run("outlook", dark_hide, "--at", "2026-03-04T00:40", "--json").stdout)
    assert told["basis"][0] == "no reading for 45 minutes"


def test_what_goes_on_from_the_daemons_estimate_tells_what_the_readings_alone_tell(tmp_path, dark_hide):
    folder = tmp_path / "estimated"
    shutil.copytree(dark_hide.parent, folder)
    path = folder / dark_hide.name
    assert run("rebuild", path, "--from", "2026-03-02").exit_code == 0  # leaves the daemon's own note
    from_note = json.loads(run("outlook", path, "--json").stdout)
    anew = json.loads(run("outlook", path, "--at", "2026-03-03T23:55:01", "--json").stdout)
    assert from_note["basis"] == anew["basis"]
    for band, off in (("soc_min", 0.02), ("battery_voltage_min_V", 0.03), ("charge_used_Ah", 1.0)):
        assert from_note[band] == pytest.approx(anew[band], abs=off), band


def test_where_the_almanac_cannot_run_the_night_is_told_and_no_charge_is_counted_on(
    tmp_path, hide, monkeypatch
):
    (tmp_path / "pvlib.py").write_text("raise ImportError('a half-written card')\n", encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", f"{tmp_path}:{os.environ.get('PYTHONPATH', '')}")
    folder = tmp_path / "f"
    shutil.copytree(hide.parent, folder)
    told = json.loads(run("outlook", folder / hide.name, "--at", AT, "--json").stdout)
    assert told["sunrise"] is told["array_helps_from"] is told["wet_days_left"] is None
    assert "the sun's tables could not be worked out: no charge is counted on" in told["basis"]
    assert told["sentence"]


@pytest.mark.parametrize(
    ("moment", "status", "said"),
    [
        ("evening", 2, "'evening' is no time; write it like"),
        ("2026-01-01", 1, "the store has no reading before 2026-01-01T00:00:00Z; its first is of 2026-03-02"),
        ("2026-03-12", 1, "too long ago for an outlook"),
    ],
)
def test_a_time_that_has_no_outlook_is_told_why(hide, moment, status, said):
    result = run("outlook", hide, "--at", moment)
    assert result.exit_code == status
    assert said in result.stderr


def test_a_store_without_voltages_is_told_what_to_check(tmp_path):
    folder = tmp_path / "e"
    folder.mkdir()
    path, table = folder / "hide.toml", folder / "log.csv"
    path.write_text(UTC_HIDE, encoding="utf-8")
    table.write_text("time,load_current_A\n2026-03-02T00:00:00Z,1.0\n", encoding="utf-8")
    assert run("import", path, table).exit_code == 0
    result = run("outlook", path)
    assert result.exit_code == 1
    assert "no good bank voltage was read" in result.stderr
