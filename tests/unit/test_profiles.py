"""Profiles are data: the shipped ones load, and every fault of one names key and line and what to do."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from monitor.devices.planner import Cost, plan
from monitor.devices.profile import ModbusProfile, TextProfile
from monitor.devices.profile_file import SHIPPED, find_profile, load_profile, shipped_profiles
from monitor.devices.words import judge, number_from
from monitor.errors import ProfileError
from monitor.quantities import Fault, Stage
from monitor.records import Quality

MODBUS = """\
protocol = "modbus"
about = "bench charger"
source = "bench notes"
largest_request = 20

[[gaps]]
function = 4
first = 30
last = 39

[[points]]
quantity = "battery_voltage_V"
function = 4
address = 10
encoding = "u16"
scale = 10
unit = "mV"

[[points]]
quantity = "array_power_W"
function = 4
address = 11
encoding = "u32"
word_order = "low_first"
unit = "W"
"""

TEXT = """\
protocol = "text"
about = "bench shunt"
source = "bench notes"
form = "columns"
separator = ","
checksum = "none"
columns = 3

[[fields]]
quantity = "battery_voltage_V"
column = 1
unit = "V"
largest_step = 0.5
"""


def faults_of(tmp_path: Path, text: str) -> list[str]:
    file = tmp_path / "mine.toml"
    file.write_text(text)
    with pytest.raises(ProfileError) as refused:
        load_profile(file)
    assert refused.value.file == str(file)
    return [str(problem) for problem in refused.value.problems]


def test_the_shipped_profiles_are_those_of_the_invented_devices_and_of_the_open_standard() -> None:
    assert shipped_profiles() == ("marsh-charger", "marsh-shunt", "sunspec")
    charger, shunt, _ = (find_profile(name, Path()) for name in shipped_profiles())
    assert isinstance(charger, ModbusProfile)
    assert isinstance(shunt, TextProfile)
    assert (charger.name, charger.largest_request, len(charger.points)) == ("marsh-charger", 24, 12)
    assert shunt.quantities == (
        "battery_voltage_V",
        "battery_current_A",
        "midpoint_voltage_V",
        "battery_temperature_C",
    )


def test_the_charger_s_probe_stage_and_faults_mean_what_its_map_says() -> None:
    charger = find_profile("marsh-charger", Path())
    assert isinstance(charger, ModbusProfile)
    meaning = {point.quantity: point.meaning for point in charger.points}
    assert judge(0x7FFF, meaning["battery_temperature_C"]).quality is Quality.MISSING
    assert judge(-35, meaning["battery_temperature_C"]).value == -3.5
    assert [judge(code, meaning["charge_stage"]).value for code in range(11, 16)] == list(Stage)
    assert judge(1 << 7 | 1, meaning["fault_bits"]).value == (
        Fault.TEMPERATURE_PROBE_MISSING | Fault.BATTERY_OVER_VOLTAGE
    )


def test_a_profile_of_one_s_own_is_found_beside_the_site_file(tmp_path: Path) -> None:
    (tmp_path / "maps").mkdir()
    (tmp_path / "maps" / "mine.toml").write_text(MODBUS)
    profile = find_profile("maps/mine.toml", tmp_path)
    assert isinstance(profile, ModbusProfile)
    assert profile.name == "mine"
    assert judge(1264, profile.points[0].meaning).value == 12.64  # 10 mV a step


def test_an_unknown_profile_lists_the_shipped_ones(tmp_path: Path) -> None:
    with pytest.raises(
        ProfileError, match=r"shipped profile \(marsh-charger, marsh-shunt, sunspec\) nor a file"
    ):
        find_profile("march-charger", tmp_path)


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ('protocol = "modbus"', 'protocol = "morse"', 'line 1: protocol: must be "modbus"'),
        ("scale = 10", "scalle = 10", "line 16: points[0].scalle: unknown key; did you mean 'scale'?"),
        ("largest_request = 20", "biggest = 20", "line 4: biggest: unknown key; known here: about, gaps"),
        ('about = "bench charger"', "", "about: is missing; add it"),
        ("address = 10\n", "", "line 11: points[0].address: is missing; add it"),
        ("battery_voltage_V", "battery_volts", "line 12: points[0].quantity: no such quantity; did you mean"),
        (
            '"array_power_W"',
            '"battery_voltage_V"',
            "line 20: points[1].quantity: battery_voltage_V is already",
        ),
        ("address = 11", "address = 10", "line 22: points[1].address: register 10 (function 4) is already"),
        ("address = 11", "address = 29", "line 22: points[1].address: lies in the gap 30 to 39"),
        (
            "address = 11",
            "address = 65535",
            "line 22: points[1].address: the second register would lie behind",
        ),
        (
            "address = 11",
            "address = 70000",
            "line 22: points[1].address: Input should be less than or equal to",
        ),
        ("last = 39", "last = 29", "line 9: gaps[0].last: reversed: first 30 lies behind last 29"),
        ("largest_request = 20", "largest_request = 1", "line 23: points[1].encoding: u32 takes 2 registers"),
        (
            "largest_request = 20",
            "largest_request = 126",
            "line 4: largest_request: Input should be less than",
        ),
        ('unit = "mV"', 'unit = "A"', "line 17: points[0].unit: battery_voltage_V cannot be read in 'A'"),
        ('unit = "mV"', "", "line 11: points[0].unit: battery_voltage_V cannot be read in ''"),
        (
            'unit = "mV"',
            'unit = "mV"\nplausible = [80, 0]',
            "line 18: points[0].plausible: reversed or empty",
        ),
        (
            'word_order = "low_first"\n',
            "",
            "line 19: points[1].word_order: is missing: u32 takes two registers",
        ),
        ('"u16"', '"u16"\nword_order = "low_first"', "line 16: points[0].word_order: u16 is one register"),
        ('"u16"', '"u16"\ninvalid = [0, -1]', "line 16: points[0].invalid[1]: -1 does not fit u16"),
        ("scale = 10", "scale = 0", "line 16: points[0].scale: 0 would turn every value"),
        ("scale = 10", "scale = nan", "line 16: points[0].scale: Input should be a finite number"),
        (
            "function = 4\naddress = 10",
            "function = 6\naddress = 10",
            "line 13: points[0].function: Input should be 3 or 4",
        ),
        ("scale = 10", 'codes = { 1 = "bulk" }', "line 16: points[0].codes: only charge_stage has codes"),
        ("battery_voltage_V", "charge_stage", "line 11: points[0].codes: is missing: charge_stage needs"),
        ("battery_voltage_V", "fault_bits", "line 11: points[0].bits: is missing: fault_bits needs"),
    ],
)
def test_a_fault_in_a_register_map_names_key_line_and_remedy(tmp_path, old, new, fault) -> None:
    assert old in MODBUS
    assert any(told.startswith(fault) for told in faults_of(tmp_path, MODBUS.replace(old, new, 1))), (
        faults_of(tmp_path, MODBUS.replace(old, new, 1))
    )


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("column = 1", 'key = "V"', 'line 9: fields[0].column: is missing: form = "columns" goes by column'),
        ("column = 1", "column = 3", "line 11: fields[0].column: a line has 3 columns, counted from 0"),
        ("columns = 3\n", "", "columns: is missing: without a checksum"),
        ("largest_step = 0.5\n", "", "line 9: fields[0].largest_step: is missing: without a checksum"),
        ('form = "columns"', 'form = "pairs"', 'line 7: columns: goes with form = "columns" only'),
        ("columns = 3", 'columns = 3\nconstants = { first = "A" }', "line 8: constants.first: the key is"),
        (
            'checksum = "none"',
            'checksum = "sum8"',
            "line 6: checksum: Input should be 'none', 'xor' or 'crc16'",
        ),
        (
            "column = 1",
            'column = 1\nonly_where = { name = "A" }',
            "line 12: fields[0].only_where.name: the key is a column's number",
        ),
        ("column = 1", "column = 1\ncolumns = 1", "line 11: fields[0].column: a line has 1 columns"),
        (
            'separator = ","',
            'separator = "\\u00b7"',
            "line 5: separator: holds a character that no line can hold",
        ),
    ],
)
def test_a_fault_in_a_text_profile_names_key_line_and_remedy(tmp_path, old, new, fault) -> None:
    assert old in TEXT
    assert any(told.startswith(fault) for told in faults_of(tmp_path, TEXT.replace(old, new, 1))), faults_of(
        tmp_path, TEXT.replace(old, new, 1)
    )


@pytest.mark.parametrize(
    ("table", "fault"),
    [
        ('codes = { 1 = "bulc" }', "line 6: points[0].codes.1: no such stage 'bulc'; did you mean 'bulk'?"),
        ('codes = { x = "bulk" }', "line 6: points[0].codes.x: the key is the device's code"),
    ],
)
def test_a_wrong_stage_code_is_told(tmp_path, table, fault) -> None:
    text = (
        'protocol = "modbus"\nabout = ""\nsource = ""\n[[points]]\nquantity = "charge_stage"\n'
        f'{table}\nfunction = 3\naddress = 1\nencoding = "u16"\n'
    )
    (told,) = faults_of(tmp_path, text)
    assert told.startswith(fault)


@pytest.mark.parametrize(
    ("table", "fault"),
    [
        ('bits = { 40 = "other" }', "line 6: points[0].bits.40: the key is the bit's number"),
        ('bits = { 4 = "array_overvoltage" }', "'array_overvoltage'; did you mean 'array_over_voltage'?"),
    ],
)
def test_a_wrong_fault_bit_is_told(tmp_path, table, fault) -> None:
    text = (
        'protocol = "modbus"\nabout = ""\nsource = ""\n[[points]]\nquantity = "fault_bits"\n'
        f'{table}\nfunction = 3\naddress = 1\nencoding = "u16"\n'
    )
    (told,) = faults_of(tmp_path, text)
    assert fault in told


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    text = MODBUS.replace('unit = "mV"', 'unit = "A"').replace("last = 39", "last = 2")
    assert len(faults_of(tmp_path, text)) == 2


ODD_VALUES = [
    "1e400",
    "-1",
    "[]",
    "{}",
    '""',
    "nan",
    "inf",
    "true",
    "1979-05-27",
    '"x"',
    "9" * 30,
    "[1, 2]",
    "{ a = 1 }",
    "0x7FFF",
    '"\u00b0C"',
    "[[points]]",
    "[points.bits]",
    "[[fields]]",
    "=",
    ".",
    "#",
    '"',
]


@pytest.mark.parametrize("name", shipped_profiles())
def test_whatever_is_written_into_a_profile_ends_in_a_plan_or_in_advice(tmp_path: Path, name: str) -> None:
    seed = 1125
    rng = random.Random(f"{seed} {name}")
    shipped = (SHIPPED / f"{name}.toml").read_text(encoding="utf-8")
    loaded = refused = 0
    for case in range(600):
        file = tmp_path / "odd.toml"
        file.write_text(mutilated(rng, shipped), encoding="utf-8")
        try:
            profile = load_profile(file)
        except ProfileError as error:
            refused += len(error.problems) > 0
            continue
        loaded += 1
        if isinstance(profile, ModbusProfile):
            requests = plan(profile.points, profile.gaps, profile.largest_request, Cost(0.03, 0.002))
            assert sum(len(request.points) for request in requests) == len(profile.points), (seed, case)
    assert loaded >= 20, (loaded, refused)
    assert refused >= 300, (loaded, refused)


def mutilated(rng: random.Random, text: str) -> str:
    for _ in range(rng.randint(1, 3)):
        lines = text.split("\n")
        at = rng.randrange(len(lines))
        match rng.randrange(4):
            case 0:
                lines[at] = f"{lines[at].split('=')[0]}= {rng.choice(ODD_VALUES)}"
            case 1:
                lines.pop(at)
            case 2:
                lines.insert(at, rng.choice(lines))
            case 3:
                lines[at] = lines[at][: rng.randrange(len(lines[at]) + 1)] + rng.choice(ODD_VALUES)
        text = "\n".join(lines)
    return text


HALVES = """
protocol = "modbus"
about = "two temperatures in one register"
source = "the test"

[[points]]
quantity = "battery_temperature_C"
function = 4
address = 20
encoding = "u8hi"
offset = -40.0
unit = "°C"

[[points]]
quantity = "controller_temperature_C"
function = 4
address = 20
encoding = "s8lo"
unit = "°C"
"""


def test_two_quantities_may_share_a_register_by_halves(tmp_path: Path) -> None:
    (tmp_path / "halves.toml").write_text(HALVES)
    profile = load_profile(tmp_path / "halves.toml")
    assert isinstance(profile, ModbusProfile)
    values = [judge(number_from((0x42FE,), point.encoding), point.meaning).value for point in profile.points]
    assert values == [26.0, -2.0]  # 0x42 = 66, less 40; 0xFE is -2 in two's complement


def test_the_same_half_twice_is_refused(tmp_path: Path) -> None:
    (tmp_path / "halves.toml").write_text(HALVES.replace('"s8lo"', '"s8hi"'))
    with pytest.raises(ProfileError, match=r"register 20 \(function 4\) is already battery_temperature_C"):
        load_profile(tmp_path / "halves.toml")
