"""Tables of other programs and hand logs, described by a map: each way of writing, and each mistake told."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.errors import MapError, TableError
from monitor.records import Quality, Reading, to_ms
from monitor.store.embedded import open_importer
from monitor.store.table_in import Imported, read_table
from monitor.store.table_map import load_map
from monitor.store.writer import EmbeddedWriter

VOLTAGE, CURRENT, STAGE = "battery_voltage_V", "battery_current_A", "charge_stage"
SIMPLE = '[time]\ncolumn = "When"\n[quantities.battery_voltage_V]\ncolumn = "U"\n'


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[EmbeddedWriter]:
    with open_importer(tmp_path / "store.db", "Europe/London") as writer:
        yield writer


def took(
    writer: EmbeddedWriter, folder: Path, described: str, text: str
) -> tuple[Imported, list[tuple[int, str]]]:
    path = folder / "map.toml"
    path.write_text(described, encoding="utf-8")
    told: list[tuple[int, str]] = []
    table = load_map(path, "Europe/London")
    done = read_table(
        writer, text.splitlines(keepends=True), "log.csv", lambda *each: told.append(each), described=table
    )
    return done, told


def at(*parts: int) -> int:
    return to_ms(datetime(*parts, tzinfo=UTC))  # type: ignore[misc, arg-type]


def test_a_table_of_another_program_becomes_readings(writer: EmbeddedWriter, tmp_path: Path) -> None:
    """Two lines above the header, semicolons, decimal commas, date and clock apart, mV, words, a mark for
    'missing', a column that nobody asked for, a current of the other sign."""
    described = """
        [table]
        separator = ";"
        decimal = ","
        lines_before = 2
        empty = ["---"]
        [time]
        column = ["Day", "Clock"]
        format = "%d.%m.%Y %H:%M"
        [quantities.battery_voltage_V]
        column = "Bank mV"
        factor = 0.001
        [quantities.battery_current_A]
        column = "Out"
        factor = -1.0
        offset = 0.25
        [quantities.charge_stage]
        column = "Mode"
        words = { "B" = 1, "F" = 3 }
    """
    text = (
        "Logger 7\n\nDay;Clock;Mode;Bank mV;Wind;Out\n"
        '21.06.2026;06:00;B;12345,5;"3;4";1,25\n'
        "21.06.2026;06:10;F;---;;-0,5\n"
        "21.12.2026;06:00;;12,5e3;9;---\n"
    )
    done, told = took(writer, tmp_path, described, text)
    assert told == []
    assert (done.rows, done.new) == (3, 6)
    # London is an hour ahead of UTC in June and not in December
    assert list(writer.readings(0, at(2027, 1, 1))) == [
        Reading(at(2026, 6, 21, 5), "import", VOLTAGE, 12.346),
        Reading(at(2026, 6, 21, 5), "import", CURRENT, -1.0),
        Reading(at(2026, 6, 21, 5), "import", STAGE, 1),
        Reading(at(2026, 6, 21, 5, 10), "import", CURRENT, 0.75),
        Reading(at(2026, 6, 21, 5, 10), "import", STAGE, 3),
        Reading(at(2026, 12, 21, 6), "import", VOLTAGE, 12.5),
    ]


@pytest.mark.parametrize(
    ("form", "stamp", "expected"),
    [
        ("", "2026-06-21 06:00", at(2026, 6, 21, 5)),
        ("", "2026-06-21T06:00:00.250Z", at(2026, 6, 21, 6) + 250),
        ('zone = "UTC"', "2026-06-21T06:00", at(2026, 6, 21, 6)),
        ('zone = "Asia/Kathmandu"', "2026-06-21T06:00", at(2026, 6, 21, 0, 15)),  # UTC+5:45
        ('format = "%m/%d/%y %I:%M %p"', "06/21/26 06:00 PM", at(2026, 6, 21, 17)),
        ('format = "%Y-%m-%d %H:%M %z"', "2026-06-21 06:00 +0200", at(2026, 6, 21, 4)),
        ('format = "unix_s"', "1782043200.5", 1_782_043_200_500),  # 2026-06-21T12:00:00Z by date -u -d @...
        ('format = "unix_ms"', "1782043200000", at(2026, 6, 21, 12)),
    ],
)
def test_times_are_read_as_the_map_says(
    writer: EmbeddedWriter, tmp_path: Path, form: str, stamp: str, expected: int
) -> None:
    described = SIMPLE.replace('"When"', f'"When"\n{form}')
    assert took(writer, tmp_path, described, f"When,U\n{stamp},12.5\n")[1] == []
    assert writer.span() == (expected, expected)


def test_the_hour_that_comes_twice_goes_by_the_order_of_rows(writer: EmbeddedWriter, tmp_path: Path) -> None:
    """British Summer Time ends on the last Sunday of October at 01:00 UTC (The Summer Time Order 2002)."""
    clocks = ("00:30", "01:00", "01:30", "01:00", "01:30", "02:00")
    rows = "".join(f"2026-10-25 {clock},12.{place}\n" for place, clock in enumerate(clocks))
    assert took(writer, tmp_path, SIMPLE, f"When,U\n{rows}")[1] == []
    read = [(each.time_ms, each.value) for each in writer.readings(0, at(2027, 1, 1))]
    half_h = 1_800_000
    assert read == [(at(2026, 10, 24, 23, 30) + place * half_h, 12 + place / 10) for place in range(6)]


def test_an_hour_that_never_was_and_one_that_nobody_can_tell_are_refused(
    writer: EmbeddedWriter, tmp_path: Path
) -> None:
    rows = "2026-03-29 01:30,12\n2026-10-25 03:00,12\n2026-10-25 01:30,12\n"
    done, told = took(writer, tmp_path, SIMPLE, f"When,U\n{rows}")
    assert [line for line, _ in told] == [2, 4]
    assert "the clock was put forward over it" in told[0][1]
    assert "sort the table by time" in told[1][1]
    assert done.new == 1


@pytest.mark.parametrize("encoding", ["cp1252", "utf-8-sig"])
def test_columns_may_be_named_beyond_ascii(writer: EmbeddedWriter, tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "map.toml"
    path.write_text(SIMPLE.replace('"U"', '"Säure °C"') + f'[table]\nencoding = "{encoding}"\n', "utf-8")
    described = load_map(path, "UTC")
    table = tmp_path / "t.csv"
    table.write_text("When,Säure °C\n2026-06-21,12\n", described.encoding)
    with table.open(encoding=described.encoding) as lines:
        assert read_table(writer, lines, "t.csv", lambda *_: None, described=described).new == 1


def test_an_implausible_value_after_its_factor_is_suspect(writer: EmbeddedWriter, tmp_path: Path) -> None:
    took(writer, tmp_path, SIMPLE + "factor = 10\n", "When,U\n2026-06-21,12\n")
    ((reading,),) = [list(writer.readings(0, at(2027, 1, 1)))]
    assert (reading.value, reading.quality) == (120.0, Quality.SUSPECT)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("2026-06-21", "1 fields, the header names 2 columns"),
        ("noon,12", "column 'When': 'noon' is no time of the form iso"),
        ("1066-10-14,12", "column 'When': '1066-10-14' is no time between 1970 and 2200"),
        ("2026-06-21,twelve", "column 'U' (battery_voltage_V): 'twelve' is no number"),
        ('2026-06-21,"12,5"', "column 'U' (battery_voltage_V): '12,5' is no number"),
        ("2026-06-21,1e200", "battery_voltage_V: 1e200 is too large to be meant"),
    ],
)
def test_what_cannot_land_is_told_with_line_and_column(
    writer: EmbeddedWriter, tmp_path: Path, row: str, said: str
) -> None:
    done, told = took(writer, tmp_path, SIMPLE, f"When,U\n2026-06-20,12\n{row}\n")
    ((line, why),) = told
    assert line == 3
    assert said in why
    assert done.new == 1


def test_a_thousands_point_is_no_decimal_one(writer: EmbeddedWriter, tmp_path: Path) -> None:
    described = SIMPLE + '[table]\nseparator = ";"\ndecimal = ","\n'
    ((_, why),) = took(writer, tmp_path, described, "When;U\n2026-06-21;12.345\n")[1]
    assert "has a point, and the map says that decimals have a comma" in why


def test_a_word_that_the_map_does_not_know_is_told(writer: EmbeddedWriter, tmp_path: Path) -> None:
    described = '[time]\ncolumn = "When"\n[quantities.charge_stage]\ncolumn = "M"\nwords = { "B" = 1 }\n'
    ((_, why),) = took(writer, tmp_path, described, "When,M\n2026-06-21,Float\n")[1]
    assert "column 'M' (charge_stage): 'Float' is none of the words 'B'" in why


@pytest.mark.parametrize(
    ("header", "said"),
    [
        ("When,V", "line 1: there is no column 'U'; the line has: 'When', 'V'"),
        ("When;U", r"the line has: 'When;U' \(columns parted by ','\)"),
        ("When,U,U", "there is more than one column 'U'"),
        ("", "there is no column 'When'"),
        ('When,"U', "quotes do not close"),
    ],
)
def test_a_table_without_the_columns_is_told(
    writer: EmbeddedWriter, tmp_path: Path, header: str, said: str
) -> None:
    with pytest.raises(TableError, match=said):
        took(writer, tmp_path, SIMPLE, f"{header}\n2026-06-21,12\n")
    assert writer.span() is None


@pytest.mark.parametrize(
    ("described", "said"),
    [
        ("", "time: is missing; add it"),
        ('[time]\ncolumn = "When"\n', "quantities: is missing; add it"),
        (
            SIMPLE.replace("battery_voltage_V", "voltage"),
            "line 3: quantities.voltage: is no canonical quantity",
        ),
        (
            SIMPLE + "faktor = 2\n",
            "line 5: quantities.battery_voltage_V.faktor: unknown key; did you mean 'factor'",
        ),
        (SIMPLE + "factor = inf\n", "line 5: quantities.battery_voltage_V.factor"),
        (SIMPLE + '[table]\ndecimal = ","\n', "separator and decimal are both ','"),
        (SIMPLE + '[table]\nseparator = "::"\n', "line 6: table.separator"),
        (SIMPLE + '[table]\nencoding = "morse"\n', "line 6: table.encoding: 'morse' is unknown"),
        (SIMPLE.replace('"When"', '"When"\nformat = "dd.mm"'), "line 3: time.format: 'dd.mm' is none"),
        (SIMPLE.replace('"When"', '"When"\nzone = "Mars/North"'), "line 3: time.zone: .*Mars/North"),
        (SIMPLE.replace('"When"', "[]"), "line 2: time.column: names no column"),
        (SIMPLE.replace('"When"', "7"), "line 2: time.column"),
        ("[time\n", "line 1: file: is not valid TOML here"),
    ],
)
def test_a_map_that_cannot_be_used_is_told_with_key_and_line(
    tmp_path: Path, described: str, said: str
) -> None:
    path = tmp_path / "map.toml"
    path.write_text(described, encoding="utf-8")
    with pytest.raises(MapError, match=said):
        load_map(path, "Europe/London")
