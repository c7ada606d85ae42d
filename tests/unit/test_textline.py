"""Lines of text: sound ones give values, damaged ones give none."""

from __future__ import annotations

import dataclasses
import random
from pathlib import Path

import pytest

from monitor.devices.profile import TextProfile
from monitor.devices.profile_file import find_profile, load_profile
from monitor.devices.textline import LONGEST_LINE, LineJudge, LineSplitter, crc16, fields_of, xor_of
from monitor.devices.words import Judged
from monitor.errors import BadFrame
from monitor.records import Quality

COLUMNS = """\
protocol = "text"
about = "bench"
source = "bench"
form = "columns"
start = "$"
separator = ","
checksum = "xor"
columns = 13
constants = { 0 = "IIXDR", 1 = "U", 5 = "I", 9 = "C" }
missing = [""]

[[fields]]
quantity = "battery_voltage_V"
column = 2
unit = "V"

[[fields]]
quantity = "battery_current_A"
column = 6
unit = "A"

[[fields]]
quantity = "battery_temperature_C"
column = 10
unit = "°C"
"""

UNCHECKED = """\
protocol = "text"
about = "bench"
source = "bench"
form = "columns"
separator = " "
checksum = "none"
columns = 2

[[fields]]
quantity = "battery_voltage_V"
column = 0
unit = "mV"
largest_step = 0.5

[[fields]]
quantity = "charge_stage"
column = 1
codes = { 0 = "off", 3 = "bulk" }
"""


@pytest.fixture
def shunt() -> TextProfile:
    profile = find_profile("marsh-shunt", Path())
    assert isinstance(profile, TextProfile)
    return profile


def profile_of(tmp_path: Path, text: str) -> TextProfile:
    file = tmp_path / "bench.toml"
    file.write_text(text, encoding="utf-8")
    profile = load_profile(file)
    assert isinstance(profile, TextProfile)
    return profile


@pytest.mark.parametrize(
    "sentence",
    [
        # sums computed on each; GGA widely published (from memory), XDR from public descriptions of it
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
        "$RPXDR,P,1.0280,B,0*7B",
        "$IIXDR,P,1.0136,B,BMP180,C,15.5,C,BMP180*58",
        "$IIXDR,P,1.0136,B,0,C,15.5,C,1,H,65.5,P,2*6B",
        "$HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ*41",
        "$IIXDR,U,12.64,V,BATT,I,-2.3,A,BATT,C,18.5,C,BATT*79",
    ],
)
def test_the_xor_of_published_sentences_is_their_own(sentence: str) -> None:
    body, _, told = sentence[1:].partition("*")
    assert f"{xor_of(body.encode()):02X}" == told


@pytest.mark.parametrize(
    ("characters", "check"),
    [
        (b"123456789", 0x4B37),  # CRC catalogue, CRC-16/MODBUS, "check" (secondary source)
        (bytes.fromhex("02 07"), 0x1241),  # Modbus over Serial Line V1.02, appendix
        (bytes.fromhex("01 03 00 6B 00 03"), 0x1774),  # computed by that appendix's rule
    ],
)
def test_the_crc_is_the_published_one(characters: bytes, check: int) -> None:
    assert crc16(characters) == check


def test_an_xdr_sentence_of_voltage_current_and_temperature_is_read(tmp_path: Path) -> None:
    """The order type, value, unit, name is that of XDR (public descriptions); sentence and sum are ours."""
    judge = LineJudge(profile_of(tmp_path, COLUMNS))
    assert judge.values(b"$IIXDR,U,12.64,V,BATT,I,-2.3,A,BATT,C,18.5,C,BATT*79") == {
        "battery_voltage_V": Judged(12.64),
        "battery_current_A": Judged(-2.3),
        "battery_temperature_C": Judged(18.5),
    }


def test_a_sound_sentence_of_another_kind_is_no_fault_and_no_value(tmp_path: Path) -> None:
    judge = LineJudge(dataclasses.replace(profile_of(tmp_path, COLUMNS), columns=None))
    assert judge.values(b"$IIXDR,P,1.0136,B,BMP180,C,15.5,C,BMP180*58") == {}


def test_an_empty_column_is_missing(tmp_path: Path) -> None:
    body = b"IIXDR,U,12.64,V,BATT,I,,A,BATT,C,18.5,C,BATT"
    values = LineJudge(profile_of(tmp_path, COLUMNS)).values(b"$%s*%02X" % (body, xor_of(body)))
    assert values["battery_current_A"] == Judged(None, Quality.MISSING, "the device says not available")
    assert values["battery_voltage_V"] == Judged(12.64)


def test_the_shunt_s_line_is_read(shunt: TextProfile) -> None:
    """The sum 2B worked out by hand-checked xor_of; the line's form is the invented device's."""
    values = LineJudge(shunt).values(b"V=12.64;I=-2.31;M=6.32;T=18.4*2B")
    assert [judged.value for judged in values.values()] == [12.64, -2.31, 6.32, 18.4]


def test_a_missing_probe_is_missing_and_the_rest_stands(shunt: TextProfile) -> None:
    body = b"V=12.64;I=-2.31;M=6.32;T=--"
    values = LineJudge(shunt).values(b"%s*%02X" % (body, xor_of(body)))
    assert values["battery_temperature_C"].quality is Quality.MISSING
    assert values["battery_voltage_V"] == Judged(12.64)


@pytest.mark.parametrize(
    "line",
    [
        b"V=12.64;I=-2.31;M=6.32;T=18.4*2C",
        b"V=12.64;I=-2.31;M=6.32;T=18.4*2b",
        b"V=12.64;I=-2.31;M=6.32;T=18.4",
        b"V=12.64;I=-2.31;M=6.32;T=18.4*",
        b"V=12.64;I=-2.31;M=6.32;T=18.4*02B",
        b"*00",
        b"V\x00=1*3B",
        b"V=12.64\xff;I=-2.31;M=6.32;T=18.4*2B",
    ],
)
def test_a_line_whose_checksum_does_not_fit_is_refused(shunt: TextProfile, line: bytes) -> None:
    with pytest.raises(BadFrame):
        LineJudge(shunt).values(line)


@pytest.mark.parametrize(
    "body",
    [
        b"V=12.64;V=12.64",
        b"V=1_2",
        b"V=nan",
        b"V=1e1",
        b"V=12.64V",
        b"V=",
        b"V",
        b"=1;V=2",
        b"V=0x12",
        b"V=--1",
        "V=1\u0662".encode(),
        b"V=12,6",
        b"V=9999999999",
    ],
)
def test_a_right_checksum_does_not_excuse_what_is_no_number(shunt: TextProfile, body: bytes) -> None:
    with pytest.raises(BadFrame):
        LineJudge(shunt).values(b"%s*%02X" % (body, xor_of(body)))


def test_crc_lines_are_checked_with_four_digits(shunt: TextProfile) -> None:
    profile = dataclasses.replace(shunt, checksum="crc16")
    body = b"V=12.64;I=-2.31"
    assert fields_of(profile, b"%s*%04X" % (body, crc16(body))) == {
        "battery_voltage_V": "12.64",
        "battery_current_A": "-2.31",
    }
    with pytest.raises(BadFrame, match="checksum"):
        fields_of(profile, b"%s*%02X" % (body, xor_of(body)))


def test_without_checksum_a_jump_waits_for_agreement(tmp_path: Path) -> None:
    judge = LineJudge(profile_of(tmp_path, UNCHECKED))
    told = [
        judge.values(line)["battery_voltage_V"]
        for line in (b"12640 3", b"12650 3", b"92650 3", b"12660 3", b"13600 3", b"13610 3")
    ]
    # first: none to agree; third: a damaged digit; fifth: a real step, believed once the next line agrees
    assert [(j.value, j.quality) for j in told] == [
        (12.64, Quality.SUSPECT),
        (12.65, Quality.GOOD),
        (92.65, Quality.SUSPECT),
        (12.66, Quality.GOOD),
        (13.6, Quality.SUSPECT),
        (13.61, Quality.GOOD),
    ]


def test_without_checksum_the_number_of_columns_must_fit(tmp_path: Path) -> None:
    judge = LineJudge(profile_of(tmp_path, UNCHECKED))
    for line in (b"12640", b"12640 3 1", b"1264 0 3"):
        with pytest.raises(BadFrame, match="columns"):
            judge.values(line)


def test_a_shorter_line_of_another_kind_is_no_fault(tmp_path: Path) -> None:
    text = UNCHECKED.replace("columns = 2", 'columns = 3\nconstants = { 2 = "P" }')
    profile = profile_of(tmp_path, text)
    assert fields_of(profile, b"12640 3 P") == {"battery_voltage_V": "12640", "charge_stage": "3"}
    assert fields_of(profile, b"hello there") is None
    with pytest.raises(BadFrame, match="columns"):
        fields_of(profile, b"12640 3 P 7")


TWO_KINDS = """\
protocol = "text"
about = "bench"
source = "bench"
form = "columns"
start = "$"
separator = ","
checksum = "none"

[[fields]]
quantity = "battery_voltage_V"
column = 1
only_where = { 0 = "BANK" }
columns = 2
unit = "V"
largest_step = 9

[[fields]]
quantity = "array_voltage_V"
column = 1
only_where = { 0 = "ROOF" }
columns = 3
unit = "V"
largest_step = 9
"""


def test_lines_of_two_kinds_give_each_their_own(tmp_path: Path) -> None:
    profile = profile_of(tmp_path, TWO_KINDS)
    assert fields_of(profile, b"$BANK,12.64") == {"battery_voltage_V": "12.64"}
    assert fields_of(profile, b"$ROOF,18.2,9") == {"array_voltage_V": "18.2"}
    assert fields_of(profile, b"$DATE,18.2") is None
    for line in (b"$BANK,12.64,9", b"$ROOF,18.2"):
        with pytest.raises(BadFrame, match="columns"):
            fields_of(profile, line)


def test_aligned_columns_and_a_last_separator_part_as_plain_ones_do(
    tmp_path: Path, shunt: TextProfile
) -> None:
    profile = profile_of(tmp_path, UNCHECKED)
    assert fields_of(profile, b"  12640    3 ") == {"battery_voltage_V": "12640", "charge_stage": "3"}
    body = b"V=12.64;I=-2.31;"
    line = b"%s*%02X" % (body, xor_of(body))
    assert fields_of(shunt, line) == {"battery_voltage_V": "12.64", "battery_current_A": "-2.31"}


def test_a_tab_is_text_where_it_parts_what_a_line_says_and_noise_elsewhere(tmp_path: Path) -> None:
    tabbed = profile_of(tmp_path, UNCHECKED.replace('separator = " "', 'separator = "\\t"'))
    assert fields_of(tabbed, b"12640\t3") == {"battery_voltage_V": "12640", "charge_stage": "3"}
    with pytest.raises(BadFrame, match="no text"):
        fields_of(profile_of(tmp_path, UNCHECKED), b"12640 3\t")


def test_a_code_between_two_codes_is_no_code(tmp_path: Path) -> None:
    judge = LineJudge(profile_of(tmp_path, UNCHECKED))
    assert judge.values(b"12640 3")["charge_stage"] == Judged(1.0)
    assert judge.values(b"12640 3.5")["charge_stage"].reason == "state code 3.5 is not in the profile"


def test_lines_are_cut_whatever_the_pieces_they_come_in() -> None:
    stream = b"rest of a line\r\nfirst\r\n\r\nsecond\nthird"
    for size in range(1, len(stream)):
        splitter = LineSplitter()
        pieces = [stream[at : at + size] for at in range(0, len(stream), size)]
        assert [line for piece in pieces for line in splitter.feed(piece)] == [b"first", b"second"]


def test_after_silence_the_first_line_is_whole() -> None:
    splitter = LineSplitter()
    splitter.at_line_start()
    assert list(splitter.feed(b"first\n")) == [b"first"]


def test_a_flood_without_line_end_does_not_grow_memory_and_loses_no_later_line() -> None:
    splitter = LineSplitter()
    splitter.at_line_start()
    for _ in range(200):
        assert list(splitter.feed(b"x" * 4096)) == []
        assert len(splitter._rest) <= LONGEST_LINE
    assert list(splitter.feed(b"x\ngood\n")) == [b"good"]


def test_random_characters_end_in_values_or_a_bad_frame(shunt: TextProfile) -> None:
    """With a right checksum put behind them: only the form defends."""
    seed = 1125
    rng = random.Random(seed)
    judge = LineJudge(shunt)
    refused = 0
    for case in range(5000):
        body = bytes(rng.choice(b"VIMT=;.-+0123456789*xE_ \x80\x00") for _ in range(rng.randrange(40)))
        try:
            values = judge.values(b"%s*%02X" % (body, xor_of(body)))
        except BadFrame:
            refused += 1
            continue
        for judged in values.values():
            assert judged.value is None or abs(judged.value) < 1e9, (seed, case, body)
    assert refused > 4000, (seed, refused)
