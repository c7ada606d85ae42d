"""The files behind the pictures: RFC 4180 read back by Python's csv, canonical names, harmless texts."""

import csv
import json
from datetime import date
from io import StringIO

import pytest

from dashboard.csv_files import TABLES, Table, closer_table, file_name, harmless, text_of
from monitor.day_book import note_key
from monitor.outlook import OUTLOOK_NOTE
from monitor.quantities import QUANTITIES
from monitor.records import Quality, Reading, parse_iso
from monitor.site.load import load_site
from monitor.store.embedded import open_writer
from monitor.sun.day import STEP_S, Clear
from monitor.sun.expected import note_key as sun_key
from monitor.sun.table import DayTable, packed
from tests.unit.outlooks_told import whole_outlook
from tests.unit.site_files import MARSH_HIDE, write

HOUR = 3_600_000
DAY = {"from": "2026-11-24", "to": "2026-11-25", "quantity": "battery_voltage_V", "beside": "charge_stage"}
CLOSE = {"from": "2026-11-24T10:00Z", "to": "2026-11-24T10:10Z", "quantity": "battery_voltage_V"}


@pytest.fixture
def site(tmp_path):
    return load_site(write(tmp_path, MARSH_HIDE))


@pytest.fixture
def store(tmp_path):
    """24 November: 12.00 V and 10 W each minute, absorption from noon; at 10:05 a missing reading."""
    with open_writer(tmp_path / "store.db", "Europe/London") as writer:
        start = parse_iso("2026-11-24T00:00:00Z")
        for at in range(start, start + 24 * HOUR, 60_000):
            writer.append([Reading(at, "charger", "array_power_W", 10.0)])
            writer.append([Reading(at, "charger", "charge_stage", 1.0 if at < start + 12 * HOUR else 2.0)])
            if at == start + 10 * HOUR + 300_000:
                told = '=HYPERLINK("http://192.0.2.1"), "no answer"'
                writer.append([Reading(at, "charger", "battery_voltage_V", None, Quality.MISSING, told)])
            else:
                writer.append([Reading(at, "charger", "battery_voltage_V", 12.0)])
        entry = {
            "sky": "dark",
            "harvest_Wh": 240.0,
            "clear_sky_Wh": 1150.0,
            "unused_Wh": None,
            "used_Wh": 310.0,
        }
        entry |= {"battery_voltage_min_V": 12.0, "full": False, "lowest_soc": 0.61}
        writer.put_note(note_key(date(2026, 11, 24)), json.dumps(entry))
        writer.commit()
        yield writer


def read_back(table):
    header, *rows = csv.reader(StringIO(text_of(table), newline=""))
    return [dict(zip(header, row, strict=True)) for row in rows]


def test_lines_end_as_in_rfc_4180_and_marks_are_quoted():
    # RFC 4180, section 2: lines end in CRLF (1), fields with commas are enclosed (6), quotes doubled (7)
    assert text_of(Table("x", ("a", "b"), [('say "hi", you', 0.1 + 0.2), (None, -0.0)])) == (
        'a,b\r\n"say ""hi"", you",0.3\r\n,0\r\n'
    )


@pytest.mark.parametrize("text", ["=1+1", "+44", "-2", "@SUM(A1)", "\t=1", "\r=1", "＝1"])
def test_no_text_is_taken_for_a_formula(text):
    assert harmless(text) == f"'{text}"


@pytest.mark.parametrize("text", ["", "no answer", "99.0 is outside 0 to 80"])
def test_other_texts_stay_as_they_are(text):
    assert harmless(text) == text


def test_a_day_is_its_buckets_with_units_in_the_names(store, site):
    rows = read_back(closer_table(site, store, DAY))
    assert rows[0]["time"] == "2026-11-24T00:00:00Z"
    assert float(rows[0]["battery_voltage_V_min"]) == 12.0
    assert len(rows) <= 400
    names = {column.rsplit("_", 1)[0] for column in rows[0]} - {"time"}
    assert names <= set(QUANTITIES)
    assert {row["charge_stage_mean"] for row in rows} == {""}  # a code has no mean
    assert rows[-1]["charge_stage_max"] == "2"


def test_a_very_close_look_is_its_readings_with_what_is_wrong(store, site):
    rows = read_back(closer_table(site, store, CLOSE))
    assert len(rows) == 10
    assert {row["quality"] for row in rows} == {"good", "missing"}
    (missing,) = [row for row in rows if row["quality"] == "missing"]
    assert (missing["time"], missing["value"]) == ("2026-11-24T10:05:00Z", "")
    assert missing["reason"].startswith("'=HYPERLINK")


def test_days_are_rows_with_what_is_unknown_left_empty(store, site):
    rows = read_back(TABLES["/files/days.csv"](site, store, {"to": "2026-11-24", "days": "7"}))
    assert [row["date"] for row in rows][-1] == "2026-11-24"
    assert len(rows) == 7
    assert rows[-1] == {
        "date": "2026-11-24", "sky": "dark", "harvest_Wh": "240", "clear_sky_Wh": "1150", "unused_Wh": "",
        "used_Wh": "310", "battery_voltage_V_min": "12", "state_of_charge_min": "0.61", "full": "0",
    }  # fmt: skip
    assert set(rows[0].values()) == {rows[0]["date"], ""}


def test_the_hours_of_the_sun_are_half_hours_in_utc(store, site):
    rows = read_back(TABLES["/files/hours-of-the-sun.csv"](site, store, {"to": "2026-11-24", "days": "7"}))
    assert len(rows) == 48
    assert rows[1] == {"time": "2026-11-24T00:30:00Z", "array_power_W_mean": "10", "clear_sky_W_mean": ""}


@pytest.mark.parametrize(("start", "hours"), [("2026-03-29T00:00:00Z", 23), ("2026-10-24T23:00:00Z", 25)])
def test_the_hours_of_a_day_with_a_clock_change_follow_each_other_evenly(store, site, start, hours):
    start_ms = parse_iso(start)
    day = date(2026, 3, 29) if hours == 23 else date(2026, 10, 25)
    times = range(start_ms, start_ms + hours * HOUR, STEP_S * 1000)
    store.append(Reading(at, "charger", "array_power_W", 10.0) for at in times)
    lit = tuple(Clear(at, 10.0, 180.0, 0.0, 0.0, 20.0, 70.0, 60.0) for at in times)
    store.put_note(sun_key(day), packed(DayTable(day, "x", lit)))
    store.commit()
    rows = read_back(TABLES["/files/hours-of-the-sun.csv"](site, store, {"to": day.isoformat(), "days": "7"}))
    found = [parse_iso(row["time"]) for row in rows]
    assert found == [start_ms + round(at * hours * HOUR / 48) for at in range(48)]
    assert {(row["array_power_W_mean"], row["clear_sky_W_mean"]) for row in rows} == {("10", "60")}


def test_the_night_line_is_there_once_there_is_an_outlook(store, site):
    table = TABLES["/files/night-line.csv"]
    assert table(site, store, {}) is None
    band = {"p10": 0.5, "p50": 0.6, "p90": 0.7}
    volts = {"p10": 12.1, "p50": 12.2, "p90": 12.3}
    course = [{"time": "2026-11-24T23:00:00Z", "soc": band, "battery_voltage_V": volts}]
    store.put_note(OUTLOOK_NOTE, whole_outlook(at="2026-11-24T20:00:00Z", course=course))
    store.commit()
    (row,) = read_back(table(site, store, {}))
    assert (row["time"], row["state_of_charge_p10"], row["battery_voltage_V_p90"]) == (
        "2026-11-24T23:00:00Z", "0.5", "12.3",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("name", "file"),
    [
        ("Marsh hide", "marsh-hide-days.csv"),
        ('Hütte "Süd"\r\nX: y', "hutte-sud-x-y-days.csv"),
        ("鳥", "site-days.csv"),
    ],
)
def test_a_file_has_a_name_that_every_system_takes(site, name, file):
    named = site.model_copy(update={"site": site.site.model_copy(update={"name": name})})
    assert file_name(named, "days") == file
