"""`nightbank match` for devices that send lines of text: their form, their fields, and the profile.

The captures are written by hand; their checksums are made here, from the published rules (NMEA 0183:
exclusive or of the characters between start mark and star; CRC-16/MODBUS, tests/faults/peer.py).
"""

from __future__ import annotations

import json
import re
import threading
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import reduce
from operator import xor
from pathlib import Path
from random import Random
from typing import Any

import pytest
from click.testing import CliRunner, Result

from monitor.cli import main
from monitor.clock import SystemClock
from monitor.commands.line import Manner
from monitor.commands.match_text import Speaker, heard_at
from monitor.devices.capture import append_line
from monitor.devices.device import build_lines
from monitor.devices.port import SerialPort
from monitor.devices.profile import TextProfile
from monitor.devices.profile_file import load_profile
from monitor.devices.recorder import Recorder
from monitor.devices.textline import LineJudge
from monitor.devices.timing import LineTiming
from monitor.errors import LineLost, MatchError, NoAnswer
from monitor.match.dump import moment_ms
from monitor.match.fields import load_lines
from monitor.match.habits import SOUGHT
from monitor.match.seen import load_seen
from monitor.match.session import TextSession
from monitor.pipeline import Pipeline
from monitor.poll import poll_once
from monitor.records import Quality
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import open_reader, open_writer
from simulator.line import SerialEnd
from simulator.plant import Truth
from simulator.text_device import TextDevice
from tests.faults.peer import crc16
from tests.maps.lines import draw_lines, says_the_same
from tests.unit.far_ends import PtyFarEnd, Talker
from tests.unit.site_files import MARSH_HIDE
from tests.unit.test_match_kept import no_room_beyond
from tests.unit.test_simulator_devices import TRUE_METERS, TRUTH

XDR = "$IIXDR,U,{:.2f},V,BATT,I,{:.1f},A,BATT,C,{:.1f},C,BATT"
"""A transducer sentence: type, value, unit and name of each, as NMEA 0183 has it."""


def nmea(body: str) -> str:
    """A sentence with its checksum."""
    return f"{body}*{reduce(xor, body.removeprefix('$').encode(), 0):02X}"


def courses() -> list[tuple[float, float, float]]:
    """Volts, amperes and degrees that rise and fall: each for four of 40 lines."""
    return [
        (
            12.4 + 0.08 * min(n // 4, 10 - n // 4),
            -2.0 + 1.24 * min(n // 4, 9 - n // 4),
            17.5 + 0.1 * (n // 4 % 3),
        )
        for n in range(40)
    ]


def captured(folder: Path, lines: list[str], seconds: int | None = 1) -> Path:
    """A capture of these lines, so many seconds apart from 10:00 on, or without times."""
    file = folder / "lines.txt"
    rows = [
        line if seconds is None else f"2027-06-10T10:{seconds * n // 60:02d}:{seconds * n % 60:02d}Z {line}"
        for n, line in enumerate(lines)
    ]
    file.write_text("\r\n".join(rows) + "\r\n", newline="")
    return file


FORMS = {
    "pairs with NMEA's checksum": (
        lambda v, i, t: nmea(f"V={v:.2f};I={i:.2f};T={t:.1f}"),
        ("pairs", "", ";", "=", "xor"),
        ["V", "I", "T"],
    ),
    "pairs, parted by a blank behind the comma": (
        lambda v, i, t: f"Ubat: {v:.2f}, Ibat: {i:.2f}, temp: {t:.1f}",
        ("pairs", "", ", ", ": ", "none"),
        ["Ubat", "Ibat", "temp"],
    ),
    "columns parted by tabs": (
        lambda v, i, t: f"{v:.2f}\t{i:.2f}\tBULK\t{t:.1f}",
        ("columns", "", "\t", "=", "none"),
        [0, 1, 3],
    ),
    "columns with CRC-16 behind a mark": (
        lambda v, i, t: f"!{(b := f'{v * 1000:.0f},{i * 1000:.0f},{t:.1f}')}*{crc_of(b)}",
        ("columns", "!", ",", "=", "crc16"),
        [0, 1, 2],
    ),
    "columns parted by blanks, with a clock": (
        lambda v, i, t: f"12:30:01 {v:.2f} {i:.2f} {t:.1f}",
        ("columns", "", " ", "=", "none"),
        [1, 2, 3],
    ),
    "a transducer's sentence": (
        lambda v, i, t: nmea(XDR.format(v, i, t)),
        ("columns", "$", ",", "=", "xor"),
        [2, 6, 10],
    ),
}


def crc_of(body: str) -> str:
    low, high = crc16(body.encode())
    return f"{high:02X}{low:02X}"


@pytest.mark.parametrize("name", FORMS)
@pytest.mark.parametrize("seconds", [1, None])
def test_the_form_of_lines_is_found(tmp_path: Path, name: str, seconds: int | None) -> None:
    write, expected, fields = FORMS[name]
    lines = load_lines(captured(tmp_path, [write(*told) for told in courses()], seconds))
    form = lines.form
    assert (form.form, form.start, form.separator, form.assign, form.checksum) == expected
    (kind,) = lines.kinds
    assert list(kind.values) == fields
    assert kind.values[fields[1]][7] == pytest.approx(-760 if "CRC" in name else -0.76, rel=0.06)
    assert lines.refused == 0
    assert lines.interval_s == seconds


def test_what_a_line_s_kind_is_told_by(tmp_path: Path) -> None:
    """A first word behind a mark; types and names of a transducer's sentence; a name that changes from line
    to line. A state, which stays for long, is none.
    """
    rows = [nmea(XDR.format(*told)) for told in courses()]
    (kind,) = load_lines(captured(tmp_path, rows)).kinds
    assert kind.constants == {0: "IIXDR", 1: "U", 4: "BATT", 5: "I", 8: "BATT", 9: "C", 12: "BATT"}
    rows = [f"{'BANK' if n % 2 else 'ROOF'},{v:.2f},{i:.2f}" for n, (v, i, _) in enumerate(courses())]
    kinds = load_lines(captured(tmp_path, rows)).kinds
    assert sorted(kind.constants[0] for kind in kinds) == ["BANK", "ROOF"]
    for row in ("{v:.2f},{state},{i:.2f}", "{state},{v:.2f},{i:.2f}"):
        rows = [
            row.format(v=v, i=i, state="BULK" if n < 20 else "FLOAT") for n, (v, i, _) in enumerate(courses())
        ]
        (kind,) = load_lines(captured(tmp_path, rows)).kinds
        assert kind.constants == {}
    rows = [f"{'CELL' if n % 10 == 4 else 'BANK'},{v:.2f},{i:.2f}" for n, (v, i, _) in enumerate(courses())]
    kinds = load_lines(captured(tmp_path, rows)).kinds
    assert [(kind.constants[0], len(kind.lines)) for kind in kinds] == [("BANK", 36), ("CELL", 4)]


SEEN = (
    {"battery_voltage_V": "12.4", "battery_current_A": "-2.0", "battery_temperature_C": "17.5"},
    {"battery_voltage_V": "12.7", "battery_current_A": "3.0", "battery_temperature_C": "17.6"},
    {"battery_voltage_V": "12.6", "battery_current_A": "0.5", "battery_temperature_C": "17.6"},
)
AT = (0, 18, 29)


def seen(folder: Path, at: tuple[int, ...] = AT, timed: bool = True, more: str = "") -> Path:
    """What a display showed beside these lines of `courses`."""
    file = folder / "seen.toml"
    tables = []
    for line, shown in zip(at, SEEN, strict=True):
        where = f'time = "2027-06-10T10:00:{line:02d}Z"' if timed else f"line = {line + 1}"
        digits = "".join(f'{name} = "{text}"\n' for name, text in shown.items())
        tables.append(f"[[seen]]\n{where}\n{digits}{more}")
    file.write_text("\n".join(tables))
    return file


def matched(capture: Path, looks: Path, *more: object) -> Result:
    return CliRunner().invoke(main, ["match", "--text", str(capture), "--seen", str(looks), *map(str, more)])


def document(capture: Path, looks: Path) -> dict[str, Any]:
    result = matched(capture, looks, "--json")
    assert result.exit_code == 0, result.output
    told: dict[str, Any] = json.loads(result.stdout)
    return told


@pytest.mark.parametrize("timed", [True, False])
def test_the_fields_are_found_and_the_document_says_where(tmp_path: Path, timed: bool) -> None:
    write, _, _ = FORMS["pairs with NMEA's checksum"]
    capture = captured(tmp_path, [write(*told) for told in courses()], 1 if timed else None)
    told = document(capture, seen(tmp_path, timed=timed))
    assert {name: (entry["key"], entry["scale"]) for name, entry in told["quantities"].items()} == {
        "battery_voltage_V": ("V", 1.0),
        "battery_current_A": ("I", 1.0),
        "battery_temperature_C": ("T", 1.0),
    }
    states = {name: entry["state"] for name, entry in told["quantities"].items()}
    assert set(states.values()) == {
        "likely"
    }  # the load output's volts, a load's amperes, a record of degrees
    assert told["ask"].startswith("Read the display again")
    assert (told["line"]["separator"], told["line"]["checksum"]) == (";", "xor")
    assert told["line"]["kinds"][0]["numbers"] == ["V", "I", "T"]


def test_a_person_is_told_the_same_in_words(tmp_path: Path) -> None:
    write, _, _ = FORMS["columns with CRC-16 behind a mark"]
    capture = captured(tmp_path, [write(*told) for told in courses()])
    brief, result = (matched(capture, seen(tmp_path), *more) for more in ((), ("--details",)))
    assert re.search(r"battery current +0.5 A +likely +column 1 \(counted from 0\)\n", brief.output)
    assert "Lines of columns, parted by a comma, behind !. The checksum behind * is a CRC-16" in result.output
    assert "40 lines: 3 columns, numbers in 0, 1, 2 (counted from 0)." in result.output
    assert "Battery current: likely, column 1 (counted from 0), x 0.001 A." in result.output
    assert "Shown -2.0, 3.0, 0.5; the field read -2.000, 2.960, 0.480." in result.output


def test_a_known_output_makes_the_voltage_certain(tmp_path: Path) -> None:
    write, _, _ = FORMS["pairs with NMEA's checksum"]
    capture = captured(tmp_path, [write(*told) for told in courses()])
    told = document(capture, seen(tmp_path, more='load_output = "none"\n'))
    assert told["quantities"]["battery_voltage_V"]["state"] == "certain"


def test_power_behind_a_switch_is_not_told_from_the_array_s_by_a_converter_s_loss(tmp_path: Path) -> None:
    """A switch between array and bank loses its drop alone: by hand 0.3 of 25.7 V, or 1.0 of 85 W. The field
    holds what reaches the bank, and its digits cannot show that it is not the array's.
    """
    powers = (85, 72, 58)
    rows = [nmea(f"B=25.4;A=25.7;I={powers[n // 14] / 25.4:.1f};P={powers[n // 14]}") for n in range(40)]
    looks = tmp_path / "seen.toml"
    looks.write_text(
        "".join(
            f'[[seen]]\ntime = "2027-06-10T10:00:{at}Z"\n'
            f'battery_voltage_V = "25.4"\narray_voltage_V = "25.7"\n'
            f'charge_current_A = "{watts / 25.4:.1f}"\narray_power_W = "{watts}"\n\n'
            for at, watts in zip(("02", "20", "35"), powers, strict=True)
        )
    )
    power = document(captured(tmp_path, rows), looks)["quantities"]["array_power_W"]
    assert (power["key"], power["state"]) == ("P", "likely")


def test_a_current_that_only_rose_is_no_live_one_for_the_company_it_keeps(tmp_path: Path) -> None:
    """Three live values around it have risen and fallen; a record of the load's highest would have gone as it
    did, and records that stand still meanwhile show nobody that the device keeps any.
    """
    at, loads = (0, 18, 29), ("1.2", "3.4", "5.6")
    rows = [
        nmea(f"B={v:.2f};I={i:.2f};A={2 * v + i:.2f};L={loads[sum(n >= look for look in at[1:])]};R=9.7")
        for n, (v, i, _) in enumerate(courses())
    ]
    looks = seen(tmp_path)
    text = looks.read_text()
    for line, load in zip(at, loads, strict=True):
        volts, amps, _ = courses()[line]
        more = f'load_current_A = "{load}"\narray_voltage_V = "{2 * volts + amps:.1f}"\n'
        text = text.replace(f':{line:02d}Z"\n', f':{line:02d}Z"\n{more}')
    looks.write_text(text)
    told = document(captured(tmp_path, rows), looks)["quantities"]
    assert told["array_voltage_V"]["state"] == "certain"
    assert (told["load_current_A"]["key"], told["load_current_A"]["state"]) == ("L", "likely")


def test_a_damaged_digit_without_checksum_proves_nothing(tmp_path: Path) -> None:
    """The highest voltage so far has only risen. One damaged digit in it must not make it a value that rises
    and falls, behind which no record could hide.
    """
    rows = [f"{12.4 + 0.02 * n:.2f},{i:.2f},{t:.1f}" for n, (_, i, t) in enumerate(courses())]
    looks = seen(tmp_path)
    looks.write_text(
        looks.read_text()
        .replace('"12.7"', '"12.8"')
        .replace('"12.6"', '"13.0"')
        .replace("[[seen]]", '[[seen]]\nload_output = "none"')
    )
    sound = document(captured(tmp_path, rows), looks)["quantities"]
    assert (sound["battery_voltage_V"]["column"], sound["battery_voltage_V"]["state"]) == (0, "likely")
    rows[23] = rows[23].replace("12.", "11.")
    assert rows[23].startswith("11.86")
    damaged = document(captured(tmp_path, rows), looks)["quantities"]
    assert damaged["battery_voltage_V"] == sound["battery_voltage_V"]


def test_lines_spoilt_by_noise_are_left_out_and_counted(tmp_path: Path) -> None:
    rng = Random(7)
    rows = [nmea(f"V={v:.2f};I={i:.2f};T={t:.1f}") for v, i, t in courses()]
    for spoilt in (3, 11, 18, 30):
        at = rng.randrange(1, len(rows[spoilt]) - 4)
        rows[spoilt] = rows[spoilt][:at] + "\u00ff\u0003~"[rng.randrange(3)] + rows[spoilt][at + 1 :]
    lines = load_lines(captured(tmp_path, rows))
    assert (lines.sound, lines.refused) == (36, 4)
    told = document(captured(tmp_path, rows), seen(tmp_path))  # line 18, beside a look, is among them
    assert told["quantities"]["battery_current_A"]["key"] == "I"
    assert told["line"]["refused"] == 4


@pytest.mark.parametrize("checksum", ["xor", "none"])
def test_two_kinds_of_line_give_one_profile_that_reads_both(tmp_path: Path, checksum: str) -> None:
    close = nmea if checksum == "xor" else str
    rows = [close(row) for v, i, t in courses() for row in (f"$PA,{v:.2f},{t:.1f}", f"$PB,{i:.2f},7.5,100")]
    file = tmp_path / "lines.txt"
    file.write_text("\n".join(f"2027-06-10T10:00:{n // 2:02d}.{n % 2}Z {row}" for n, row in enumerate(rows)))
    told = document(file, seen(tmp_path))["quantities"]
    assert told["battery_current_A"]["column"] == 1
    assert told["battery_current_A"]["only_where"] == {"0": "PB"}
    assert told["battery_voltage_V"]["only_where"] == {"0": "PA"}
    profile = written(file, seen(tmp_path), tmp_path / "two.toml")
    judge = LineJudge(profile)
    for row in rows[:2]:
        judge.values(row.encode())
    first, second = (judge.values(row.encode()) for row in rows[2:4])
    assert {name: one.value for name, one in first.items()} == {
        "battery_voltage_V": 12.4,
        "battery_temperature_C": 17.5,
    }
    assert {name: (one.value, one.quality) for name, one in second.items()} == {
        "battery_current_A": (-2.0, Quality.GOOD)
    }


def written(capture: Path, looks: Path, file: Path) -> TextProfile:
    """The profile that the command writes."""
    result = matched(capture, looks, "--profile", file)
    assert result.exit_code == 0, result.output
    assert f'profile = "{file.name}"' in result.output
    profile = load_profile(file)
    assert isinstance(profile, TextProfile)
    return profile


@pytest.mark.parametrize("name", FORMS)
def test_the_profile_reads_the_lines_that_it_was_found_from(tmp_path: Path, name: str) -> None:
    write, expected, _ = FORMS[name]
    rows = [write(*told) for told in courses()]
    profile = written(captured(tmp_path, rows), seen(tmp_path), tmp_path / "found.toml")
    assert (profile.form, profile.separator, profile.checksum) == (expected[0], expected[2], expected[4])
    assert profile.interval_s == 1.0
    judge = LineJudge(profile)
    judged = [judge.values(row.encode()) for row in rows]
    assert [one["battery_current_A"].value for one in judged] == [
        pytest.approx(i, abs=0.06) for _, i, _ in courses()
    ]
    assert all(one.quality is Quality.GOOD for told in judged[1:] for one in told.values())


def test_keys_that_no_checksum_protects_are_read_from_one_kind_of_line(tmp_path: Path) -> None:
    rows = [row for v, i, t in courses() for row in (f"V={v:.2f};T={t:.1f};N=3", f"I={i:.2f};N=4")]
    file = tmp_path / "lines.txt"
    file.write_text("\n".join(f"2027-06-10T10:00:{n // 2:02d}.{n % 2}Z {row}" for n, row in enumerate(rows)))
    profile = written(file, seen(tmp_path), tmp_path / "one.toml")
    assert set(profile.quantities) == {"battery_voltage_V", "battery_temperature_C"}
    assert (
        "# battery_current_A: likely, but in a kind of line of its own" in (tmp_path / "one.toml").read_text()
    )
    LineJudge(profile).values(rows[0].encode())


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "holds no lines; let it run for half a minute"),
        (b"\n\r\n  \n", "holds no lines"),
        (b"V=12.6;I=3\n", "holds one line;"),
        (b"V=12.6;I=3\nV=12.6;I=3\n", "holds only 2 lines;"),
        ("\ufeffV=12.6;I=3\n".encode("utf-16-le") * 9, "has two bytes a character; save it as plain text"),
        (b"V=12.61\r\nI=3.1\r\nT=18.4\r\n" * 9, "each line holds one value only"),
        (b"12.6V 3.1A 18C\r\n" * 9, "units stand right behind the numbers"),
        (b"#0001 V:12.6 A:3.1 mode\r\n" * 9, "lines of key and value, or of numbers in columns, are read"),
        (
            bytes(range(128, 250)) * 3 + b"\n" + b"\xff\xfe\xa3\n" * 9,
            "most lines hold bytes that are no text",
        ),
        (b"hello there\nhow do you do\nfine\n" * 5, "no form fits its 15 lines: lines of key and value"),
        (b"V=12.6;T=18;I=3*00\n" * 9 + b"garbage\n", None),
        (b"12.6;3.1;18\n" * 9 + b"12.6\n" * 11, "only 9 of 20 lines are sound; check baud and parity"),
        (
            b"%s\n" % nmea("V=12.6;I=3.1").encode() * 2 + b"V=12.6;I=3.2*00\n" * 8,
            "only 2 of 10 lines are sound",
        ),
        (b"2027-06-31T10:00:00Z 12.6;3.1\n" * 9, "line 1: time: is '2027-06-31T10:00:00Z'; write it like"),
    ],
)
def test_a_capture_that_tells_nothing_is_told_why(tmp_path: Path, content: bytes, told: str | None) -> None:
    file = tmp_path / "lines.txt"
    file.write_bytes(content)
    if told is None:  # as with a checksum, but of no rule that is known: read without, and said
        assert load_lines(file).form.unknown_check
        return
    with pytest.raises(MatchError) as refused:
        load_lines(file)
    assert told in str(refused.value)
    assert str(file) in str(refused.value)


def test_a_missing_file_and_wrong_use_are_told(tmp_path: Path) -> None:
    looks = seen(tmp_path)
    result = matched(tmp_path / "none.txt", looks)
    assert result.exit_code == 1
    assert "none.txt: file: cannot be read (No such file or directory); check its name" in result.output
    result = CliRunner().invoke(main, ["match", "--text", "a", "--dump", "b", "--seen", str(looks)])
    assert result.exit_code == 2
    assert "--seen with one of --dump and --text" in result.output


@pytest.mark.parametrize(
    ("timed", "where", "told"),
    [
        (
            True,
            'time = "2027-06-10T10:00:50Z"',
            "no sound line within 3 s of this time; its nearest one is 2027-06-10T10:00:39",
        ),
        (True, "line = 3", "seen[0].line: no such quantity"),
        (True, "", "seen[0].time: is missing; say when the display was read"),
        (False, "line = 99", "seen[0].line: no sound line is near line 99"),
        (False, "", "seen[0].line: is missing; the lines have no times, so give the line's number"),
        (False, 'line = "3"', "seen[0].line: is missing; the lines have no times"),
    ],
)
def test_a_look_that_lies_beside_no_line_is_told(tmp_path: Path, timed: bool, where: str, told: str) -> None:
    rows = [f"{v:.2f},{i:.2f}" for v, i, _ in courses()]
    looks = tmp_path / "seen.toml"
    looks.write_text(f'[[seen]]\n{where}\nbattery_voltage_V = "12.6"\n')
    result = matched(captured(tmp_path, rows, 1 if timed else None), looks)
    assert result.exit_code == 1
    assert told in result.output


def test_how_often_a_device_speaks_is_told_where_the_capture_tells_it(tmp_path: Path) -> None:
    rows = [f"{v:.2f},{i:.2f}" for v, i, _ in courses()]
    assert load_lines(captured(tmp_path, rows[:9], seconds=60)).interval_s == 60
    three = [f"2027-06-10T{hour}:00:00Z {row}" for hour, row in zip((10, 12, 15), rows, strict=False)]
    assert load_lines(captured(tmp_path, three, seconds=None)).interval_s is None


def test_times_are_read_as_terminal_programs_write_them(tmp_path: Path) -> None:
    file = tmp_path / "lines.txt"
    file.write_text(
        "[2027-06-10 12:00:00,250] 12.61,3.1\n2027-06-10T12:00:01+02:00\t12.61,3.1\n"
        "2027-06-10T10:00:02 12.61,3.1\n\n12.61\n"
    )
    lines = load_lines(file)
    assert lines.times_ms == (1_812_621_601_000, 1_812_621_602_000, 1_812_628_800_250)
    assert lines.refused == 0  # what has no time is a torn line


SEED = 71


def test_drawn_devices_are_understood_and_nothing_wrong_is_certain(tmp_path: Path) -> None:
    """Two devices of `tests.bench.match_lines`, each tenth line damaged."""
    for seed in (SEED, SEED + 1):
        drawn = draw_lines(seed)
        for looks in (2, 3):
            told = document(*drawn.write(tmp_path, looks, 0.1))
            assert (told["line"]["form"], told["line"]["separator"]) == (drawn.form, drawn.separator), seed
            for quantity, entry in told["quantities"].items():
                if entry["state"] == "certain":
                    assert quantity in drawn.carried, (seed, quantity)
                    assert says_the_same(drawn, quantity, entry), (seed, quantity)


class Shunt:
    """The simulator's text device on a pseudo-terminal, speaking every 50 ms of what is true."""

    def __init__(self, link: Path) -> None:
        self.truth: Truth = TRUTH
        self._end = SerialEnd(link)
        self._device = TextDevice(self._end, 9600, TRUE_METERS, lambda: self.truth, 1)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(0.05):
            self._device.tell(paced=False)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._end.unplug()


@contextmanager
def shunt(link: Path) -> Iterator[Shunt]:
    made = Shunt(link)
    try:
        yield made
    finally:
        made.close()


def test_a_device_that_speaks_rarely_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What counts as rare is set so low here that the test's device is."""
    monkeypatch.setattr("monitor.commands.match_text.OFTEN_S", 0.01)
    link, folder = tmp_path / "port", tmp_path / "shed"
    with shunt(link):
        result = dialogue(link, folder, {"V": "12.6", "A": "-2.3", "°C": "-3.4"})
    assert result.exit_code == 0, result.output
    assert "Waiting for its next line" in result.output
    assert "A line has just come. Note all that the display shows now and press Enter" in result.output
    lines = load_lines(folder / "lines.txt")
    (look,) = load_seen(folder / "seen.toml", lines)
    assert lines.times_ms is not None
    time_ms = moment_ms(tomllib.loads((folder / "seen.toml").read_text())["seen"][0]["time"])
    assert abs(lines.times_ms[look.index] - time_ms) < 1000


def test_another_speed_s_bytes_are_told_and_silence_where_lines_were(tmp_path: Path, capsys: Any) -> None:
    far_end = PtyFarEnd(tmp_path / "port")
    folder, manner = tmp_path, Manner(1, 9600, "none", 0.5, None, "usual")
    talker = Talker(far_end, bytes(range(128, 200)), 0.05)
    try:
        assert heard_at(str(far_end.link), folder, manner, 0.5) is None
        told = "bytes came unasked that are no text at 9600 bit/s; `nightbank find` tells their speed"
        assert told in capsys.readouterr().err
        talker.stop()
        append_line(folder / "lines.txt", 0, b"V=12.61")
        with pytest.raises(NoAnswer, match=r"no line of text came within 0.5 s; check that the device is on"):
            heard_at(str(far_end.link), folder, manner, 0.5)
    finally:
        talker.stop()
        far_end.close()


def test_a_dialogue_goes_on_when_the_adapter_is_back(tmp_path: Path) -> None:
    far_end = PtyFarEnd(tmp_path / "port")
    session = TextSession(tmp_path)
    speaker = Speaker(session, SerialPort(str(far_end.link), LineTiming(9600)), False, 1.0)
    talker = Talker(far_end, b"12.61,3.1,18.4\r\n", 0.05)
    try:
        speaker.listen()
        assert speaker.read() is not None
        far_end.unplug()
        with pytest.raises(LineLost):
            speaker.read()
        with pytest.raises(LineLost, match="there is no such port"):
            speaker.read()
        far_end.plug()
        time = speaker.read()
    finally:
        talker.stop()
        speaker.end()
        far_end.close()
    assert time is not None
    assert load_lines(session.lines).index_of(moment_ms(time)) is not None


def test_lines_are_kept_until_the_port_goes(tmp_path: Path) -> None:
    far_end = PtyFarEnd(tmp_path / "port")
    recorder = Recorder(SerialPort(str(far_end.link), LineTiming(9600)), tmp_path / "l.txt", SystemClock())
    try:
        recorder.start()
        far_end.say(b"torn end\r\nV=12.61\r\nV=12.62\r\n")
        assert recorder.wait_for(2, 20)
        far_end.unplug()
        with pytest.raises(LineLost, match="port"):
            recorder.wait_for(3, 20)
    finally:
        recorder.end()
        far_end.close()
    kept = [line.partition(" ")[2] for line in (tmp_path / "l.txt").read_text().splitlines()]
    assert kept[-2:] == ["V=12.61", "V=12.62"]


def test_a_line_that_finds_no_room_leaves_the_former_ones_whole(tmp_path: Path) -> None:
    file = tmp_path / "lines.txt"
    append_line(file, 0, b"V=12.61")
    before = file.read_bytes()
    assert before == b"1970-01-01T00:00:00.000Z V=12.61\n"
    with no_room_beyond(len(before) + 9), pytest.raises(MatchError, match="cannot be written"):
        append_line(file, 1000, b"V=12.62")
    assert file.read_bytes() == before


LOOKS = ((12.64, -2.31, 18.4), (13.87, 11.62, 19.9), (12.21, -8.07, 17.6))


def test_from_a_device_nobody_has_described_to_readings_in_a_store(tmp_path: Path) -> None:
    """Three looks typed in front of the simulated shunt, each in a run of the command of its own; then the
    monitor reads the very device with the profile that was found.
    """
    link, folder = tmp_path / "port", tmp_path / "shed"
    with shunt(link) as device:
        for volts, amps, degrees in LOOKS:
            device.truth = replace(
                TRUTH,
                battery_voltage_V=volts,
                battery_current_A=amps,
                battery_temperature_C=degrees,
                midpoint_voltage_V=volts / 2,
            )
            result = dialogue(link, folder, {"V": f"{volts:.1f}", "A": f"{amps:.1f}", "°C": f"{degrees:.1f}"})
            assert result.exit_code == 0, result.output
        assert "has 2 looks so far" in result.output
        told = " ".join(result.output.split())  # however wide the terminal is that the tests run in
        assert "Lines of key=value, parted by a semicolon. The checksum behind * is the exclusive or" in told
        text = MARSH_HIDE[: MARSH_HIDE.index("[[devices]]")]
        (folder / "site.toml").write_text(
            f'{text}[[devices]]\nname = "shunt"\nprofile = "profile.toml"\n'
            f'connection = "serial"\nport = "{link}"\n'
        )
        site, _ = with_defaults(load_site(folder / "site.toml"))
        clock = SystemClock()
        (line,) = build_lines(site, folder, clock)
        with open_writer(folder / "nightbank.db", "Europe/London") as store:
            pipeline = Pipeline(site, store, clock)
            pipeline.take(poll_once(line.devices[0]))
            pipeline.save()
        line.devices[0].close()
    with open_reader(folder / "nightbank.db") as reader:
        stored = {one.quantity: one.value for one in reader.latest() if one.device == "shunt"}
    assert stored == {"battery_voltage_V": 12.21, "battery_current_A": -8.07, "battery_temperature_C": 17.6}


def dialogue(link: Path, folder: Path, shown: dict[str, str]) -> Result:
    """One look of the dialogue: Enter, the digits of the three quantities, stop."""
    asked = {"battery_voltage_V": "V", "battery_current_A": "A", "battery_temperature_C": "°C"}
    known = (folder / "seen.toml").exists()
    typed = [shown[asked[name]] if name in asked else "" for name in SOUGHT if name in asked or not known]
    answers = "\n".join(["", *typed, "stop", ""])
    arguments = ["match", str(link), "--session", str(folder), "--listen", "0.5"]
    return CliRunner().invoke(main, arguments, input=answers)
