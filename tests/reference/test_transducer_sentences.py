"""Transducer sentences of NMEA 0183 (XDR) through a profile of columns.

Sentences: from public descriptions of the standard, unless marked; checksum: XOR of all between '$' and '*',
two upper-case hex digits. Form: $--XDR,type,value,unit,name, repeated. Types and units: C temperature (C),
P pressure (B), U voltage (V), I current (A).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.devices.profile import TextProfile
from monitor.devices.profile_file import load_profile
from monitor.devices.textline import LineJudge
from monitor.errors import BadFrame
from monitor.records import Quality

BATTERY = b"$IIXDR,U,12.64,V,BATT,I,-2.3,A,BATT,C,18.5,C,BATT*79"  # ours, checksum (computed)

BATTERY_PROFILE = """
protocol = "text"
about = "A monitor that sends transducer sentences"
source = "NMEA 0183, XDR"
form = "columns"
start = "$"
separator = ","
checksum = "xor"
constants = { 0 = "IIXDR", 1 = "U", 4 = "BATT", 5 = "I", 8 = "BATT", 9 = "C", 12 = "BATT" }
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

AIR_PROFILE = """
protocol = "text"
about = "A weather sensor: its third value is in the seventh column"
source = "NMEA 0183, XDR"
form = "columns"
start = "$"
separator = ","
checksum = "xor"
constants = { 0 = "IIXDR", 1 = "P", 5 = "C" }

[[fields]]
quantity = "controller_temperature_C"
column = 6
unit = "°C"
"""


def judge_of(text: str, tmp_path: Path) -> LineJudge:
    (tmp_path / "sentence.toml").write_text(text, encoding="utf-8")
    profile = load_profile(tmp_path / "sentence.toml")
    assert isinstance(profile, TextProfile)
    return LineJudge(profile)


def test_a_battery_s_sentence_becomes_quantities(tmp_path: Path) -> None:
    found = judge_of(BATTERY_PROFILE, tmp_path).values(BATTERY)
    assert {name: judged.value for name, judged in found.items()} == {
        "battery_voltage_V": 12.64,
        "battery_current_A": -2.3,
        "battery_temperature_C": 18.5,
    }


def test_a_null_field_is_missing_and_not_nought(tmp_path: Path) -> None:
    """NMEA 0183 leaves a field empty where there is no value. The checksum by hand: 79 without the XOR of
    '-2.3' (2D 32 2E 33: together 02) is 7B."""
    found = judge_of(BATTERY_PROFILE, tmp_path).values(b"$IIXDR,U,12.64,V,BATT,I,,A,BATT,C,18.5,C,BATT*7B")
    assert found["battery_current_A"].quality is Quality.MISSING
    assert found["battery_voltage_V"].value == 12.64


@pytest.mark.parametrize(
    ("sentence", "expected"),
    [
        (b"$IIXDR,P,1.0136,B,BMP180,C,15.5,C,BMP180*58", {"controller_temperature_C": 15.5}),
        (b"$IIXDR,P,1.0136,B,0,C,15.5,C,1,H,65.5,P,2*6B", {"controller_temperature_C": 15.5}),
        (b"$RPXDR,P,1.0280,B,0*7B", {}),
        (b"$HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ*41", {}),
        (
            b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
            {},
        ),  # from memory, sum computed
    ],
)
def test_published_sentences_are_sound_and_others_of_the_line_are_passed_over(
    tmp_path: Path, sentence: bytes, expected: dict[str, float]
) -> None:
    found = judge_of(AIR_PROFILE, tmp_path).values(sentence)
    assert {name: judged.value for name, judged in found.items()} == expected


@pytest.mark.parametrize("place", range(1, len(BATTERY)))
def test_one_changed_character_never_gives_a_value(tmp_path: Path, place: int) -> None:
    changed = bytearray(BATTERY)
    changed[place] ^= 1
    with pytest.raises(BadFrame):
        judge_of(BATTERY_PROFILE, tmp_path).values(bytes(changed))
