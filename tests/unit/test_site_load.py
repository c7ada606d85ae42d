"""Reading a site file: each kind of fault is told with key, line and what to write instead."""

from __future__ import annotations

import zoneinfo
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.errors import Problem, SiteError
from monitor.site.load import load_site, read_site, with_defaults
from monitor.site.model import Site
from tests.unit.site_files import MARSH_HIDE, SET_POINTS, changed, line_of, write


def problems_in(folder: Path, text: str) -> tuple[Problem, ...]:
    """What load_site tells about the text."""
    with pytest.raises(SiteError) as caught:
        load_site(write(folder, text))
    return caught.value.problems


def only_problem(folder: Path, text: str) -> Problem:
    """The one fault of a text that has one."""
    problems = problems_in(folder, text)
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def test_the_scenario_loads_as_written(tmp_path: Path) -> None:
    site = load_site(write(tmp_path, MARSH_HIDE))
    assert (site.site.name, site.bank.units_in_series, site.devices[0].port) == (
        "Marsh hide",
        2,
        "/dev/serial/by-id/usb-example",
    )
    assert site.bank.installed is not None
    assert site.bank.installed.isoformat() == "2025-04-12"


def test_the_lines_come_with_the_site(tmp_path: Path) -> None:
    _, lines = read_site(write(tmp_path, MARSH_HIDE))
    assert lines.line_of(("bank", "reserve_soc")) == line_of(MARSH_HIDE, "reserve_soc")


@pytest.mark.parametrize(
    ("edit", "key", "told"),
    [
        ("bank.unit_voltage = 6", "bank.unit_voltage", "did you mean 'unit_voltage_V'?"),
        ("site.lattitude_deg = 52.6", "site.lattitude_deg", "did you mean 'latitude_deg'?"),
        ("bank.tilt_deg = 35", "bank.tilt_deg", "tilt_deg belongs to [array]"),
        ("metering.colour = 1", "metering.colour", "known here: level, monitor_power_W, straight_to_bank"),
    ],
)
def test_an_unknown_key_gets_the_nearest_known_one(tmp_path: Path, edit: str, key: str, told: str) -> None:
    text = changed(edit)
    problem = only_problem(tmp_path, text)
    assert (problem.key, problem.line) == (key, text.splitlines().index(edit.partition(".")[2]) + 1)
    assert problem.text == f"unknown key; {told}"


def test_a_misspelt_required_key_is_told_once_and_not_as_missing_too(tmp_path: Path) -> None:
    text = changed("bank.unit_capacity = 225", without=("bank.unit_capacity_Ah",))
    assert only_problem(tmp_path, text).key == "bank.unit_capacity"


def test_an_unknown_table_gets_the_nearest_known_one(tmp_path: Path) -> None:
    text = changed(more="[alarm]\nname = 'x'\n")
    problem = only_problem(tmp_path, text)
    assert (problem.key, problem.line, problem.text) == (
        "alarm",
        line_of(text, "[alarm]"),
        "unknown table; did you mean 'alarms'?",
    )


def test_a_missing_key_names_its_table_and_the_tables_line(tmp_path: Path) -> None:
    text = changed(without=("array.panel_vmp_V",))
    problem = only_problem(tmp_path, text)
    line = line_of(text, "[array]")
    assert (problem.key, problem.line) == ("array.panel_vmp_V", line)
    advice = f"add a line 'panel_vmp_V = ...' to [array], which begins on line {line}"
    assert problem.text == f"is missing; {advice}"


def test_a_missing_table_is_told_with_what_it_needs(tmp_path: Path) -> None:
    problem = only_problem(tmp_path, changed(without=("bank",)))
    assert (problem.key, problem.line) == ("bank", None)
    assert problem.text.startswith("the table [bank] is missing; it needs chemistry, unit_voltage_V")


@pytest.mark.parametrize(
    ("edit", "told"),
    [
        ("bank.unit_voltage_V = '6'", "must be a number, not '6'; write 6 without quotes"),
        (
            "bank.unit_capacity_Ah = '225 Ah'",
            "must be a number, not '225 Ah'; write 225: the unit is in the key's name",
        ),
        ("site.latitude_deg = '52,6'", "must be a number, not '52,6'; write 52.6 without quotes"),
        (
            'site.latitude_deg = "52°36\'"',
            'must be a number, not "52°36\'"; write decimal degrees, such as 52.60, without quotes',
        ),
        ("bank.units_in_series = 2.0", "must be a whole number, not 2.0; write 2"),
        ("bank.units_in_series = true", "must be a whole number, not True"),
        (
            "bank.installed = '2025-04-12'",
            "must be a date such as 2025-04-12, without quotes, not '2025-04-12'",
        ),
        ("site.name = 7", "must be a text in double quotes, not 7"),
        ("bank.reserve_soc = nan", "must be a finite number, not nan"),
        ("bank.chemistry = 'Flooded'", "'Flooded' is not one of the choices; did you mean 'flooded'?"),
        (
            "bank.chemistry = 'lithium'",
            "'lithium' is not one of the choices; known here: agm, flooded, gel, lifepo4",
        ),
        ("site.name = ''", "'' cannot be used; give it a name"),
        (
            "devices.name = '1st one'",
            "'1st one' cannot be used; begin with a letter, then letters, digits, - or _, at most 31 "
            "characters",
        ),
        (
            "devices.name = 'import'",
            "'import' is kept for values that no device measured; choose another name",
        ),
        ("devices.baud = 96", "96 is below the smallest allowed value 300"),
        (
            "site.time_zone = 'Europe/Londn'",
            "unknown time zone 'Europe/Londn'; did you mean 'Europe/London'?",
        ),
        ("site.time_zone = 'Europe'", "unknown time zone 'Europe'; did you mean 'Europe/Rome'?"),
        (
            "site.time_zone = 'here'",
            'unknown time zone \'here\'; write continent/city, such as "Europe/London", or "UTC"',
        ),
    ],
)
def test_a_wrong_value_is_told_with_what_to_write(tmp_path: Path, edit: str, told: str) -> None:
    text = changed(edit)
    problem = only_problem(tmp_path, text)
    name = edit.partition(" =")[0].rpartition(".")[2]
    assert problem.key.endswith(name)
    assert problem.line in [n for n, row in enumerate(text.splitlines(), 1) if row.startswith(f"{name} =")]
    assert problem.text == told


@pytest.mark.parametrize(
    ("edit", "told"),
    [
        ("site.latitude_deg = 3156", "looks like minutes of arc: write 52.6"),
        ("site.altitude_m = 9000", "looks like feet: write 2743.2"),
        ("site.coldest_C = 253", "looks like kelvin: write -20.15"),
        ("bank.reserve_soc = 50", "looks like percent: write 0.5"),
        ("bank.unit_capacity_Ah = 225000", "looks like mAh: write 225"),
        ("bank.unit_voltage_V = 6000", "looks like mV: write 6"),
        ("array.panel_power_W = 0.15", "looks like kW: write 150"),
        ("array.panel_isc_A = 8600", "looks like mA: write 8.6"),
        ("array.voc_temperature_coefficient_per_C = -0.30", "looks like percent: write -0.003"),
        (
            "array.voc_temperature_coefficient_per_C = 0.0030",
            "looks like a fall without its sign: write -0.003",
        ),
        (
            "array.voc_temperature_coefficient_per_C = 0.30",
            "looks like a fall in percent without its sign: write -0.003",
        ),
        (
            "array.voc_temperature_coefficient_per_C = -0.0669",
            "looks like V per °C of the panel: write -0.003",
        ),
        (
            "array.voc_temperature_coefficient_per_C = -66.9",
            "looks like mV per °C of the panel: write -0.003",
        ),
        ("array.azimuth_deg = -10", "azimuth counts from north, clockwise: east 90, south 180, west 270"),
        ("controller.absorption_V = 14800", "looks like mV: write 14.8"),
        ("controller.absorption_h = 150", "looks like minutes: write 2.5"),
        ("controller.temperature_compensation_V_per_C = -30", "looks like mV per °C: write -0.03"),
        (
            "controller.temperature_compensation_V_per_C = 30",
            "looks like a fall in mV per °C without its sign: write -0.03",
        ),
        ("controller.temperature_compensation_V_per_C = -5", "looks like mV per °C and cell: write -0.03"),
        ("controller.tail_current_fraction = 2", "looks like percent: write 0.02"),
        ("metering.monitor_power_W = 2000", "looks like mW: write 2"),
        ("meters.voltage_step_V = 10", "looks like mV: write 0.01"),
        ("meters.current_gain_tolerance = 1", "looks like percent: write 0.01"),
        ("devices.timeout_s = 1000", "looks like milliseconds: write 1"),
    ],
)
def test_a_value_in_the_wrong_unit_is_recognised(tmp_path: Path, edit: str, told: str) -> None:
    text = changed(edit)
    problem = only_problem(tmp_path, text)
    name = edit.partition(" =")[0].rpartition(".")[2]
    assert problem.key.endswith(name)
    assert problem.line == line_of(text, f"{name} =")
    assert problem.text.endswith(f"; {told}")


@pytest.mark.parametrize("edit", ["site.latitude_deg = 95", "bank.reserve_soc = 1", "array.tilt_deg = 120"])
def test_a_plain_mistake_gets_no_advice_on_units(tmp_path: Path, edit: str) -> None:
    assert "looks like" not in only_problem(tmp_path, changed(edit)).text


def test_a_serial_device_needs_its_port_and_a_network_one_its_host(tmp_path: Path) -> None:
    more = '[[devices]]\nname = "shunt"\nprofile = "marsh-shunt"\nconnection = "tcp"\n'
    text = changed(without=("devices.port",), more=more)
    port, host = problems_in(tmp_path, text)
    assert (port.key, host.key) == ("devices[0].port", "devices[1].host")
    tables = [number for number, row in enumerate(text.splitlines(), start=1) if row == "[[devices]]"]
    assert [port.line, host.line] == tables
    assert "/dev/serial/by-id/" in port.text


def test_a_name_may_stand_once(tmp_path: Path) -> None:
    more = '[[devices]]\nname = "charger"\nprofile = "x"\nconnection = "tcp"\nhost = "192.0.2.1"\n'
    text = changed(more=more)
    first, second = (n for n, row in enumerate(text.splitlines(), start=1) if row == 'name = "charger"')
    problem = only_problem(tmp_path, text)
    assert (problem.key, problem.line) == ("devices[1].name", second)
    assert problem.text == f"'charger' is used already on line {first}; each name may stand once"


def test_an_alarm_on_an_unknown_quantity_names_the_nearest(tmp_path: Path) -> None:
    more = '[[alarms]]\nname = "low"\nquantity = "batery_voltage_V"\ncondition = "below"\nset_point = 11.8\n'
    text = changed(more=more)
    problem = only_problem(tmp_path, text)
    assert (problem.key, problem.line) == ("alarms[0].quantity", line_of(text, "quantity ="))
    assert problem.text == "unknown quantity 'batery_voltage_V'; did you mean 'battery_voltage_V'?"


@pytest.mark.parametrize(
    ("text", "line"), [("loads = 3\n" + MARSH_HIDE, 1), ("[loads]\nname = 'x'\n" + MARSH_HIDE, 1)]
)
def test_a_table_in_the_wrong_brackets_is_told(tmp_path: Path, text: str, line: int) -> None:
    problem = only_problem(tmp_path, text)
    assert (problem.key, problem.line) == ("loads", line)
    assert "write [[loads]] on a line of its own" in problem.text


def test_all_faults_are_told_at_once_in_the_files_order(tmp_path: Path) -> None:
    text = changed(
        "site.latitude = 1", "bank.reserve_soc = 50", "controller.kind = 'mpt'", "array.tilt_deg = 95"
    )
    told = problems_in(tmp_path, text)
    assert [problem.key for problem in told] == [
        "site.latitude",
        "bank.reserve_soc",
        "array.tilt_deg",
        "controller.kind",
    ]
    lines = [problem.line for problem in told]
    assert lines == sorted(line for line in lines if line is not None)


def test_the_error_reads_file_line_key(tmp_path: Path) -> None:
    text = changed("bank.reserve_soc = 50")
    path = write(tmp_path, text)
    with pytest.raises(SiteError) as caught:
        load_site(path)
    assert str(caught.value) == (
        f"{path}: line {line_of(text, 'reserve_soc')}: bank.reserve_soc: "
        "50 is not less than 1; looks like percent: write 0.5"
    )


def test_broken_toml_is_told_with_its_line(tmp_path: Path) -> None:
    text = MARSH_HIDE.replace('chemistry = "flooded"', "chemistry = flooded")
    problem = only_problem(tmp_path, text)
    assert (problem.key, problem.line) == ("file", line_of(text, "chemistry"))


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(SiteError, match="cannot be read"):
        load_site(tmp_path / "nowhere.toml")


@pytest.mark.parametrize(
    "text",
    ["x = " + "9" * 5000, "x = " + "[" * 4000, "x = " + "[" * 4000 + "]" * 4000, "x = 1e999", "\x00"],
    ids=["long number", "open brackets", "deep brackets", "infinite", "nul"],
)
def test_absurd_files_are_refused_in_words(tmp_path: Path, text: str) -> None:
    assert problems_in(tmp_path, text)


# Defaults


def filled(folder: Path, text: str) -> tuple[Site, dict[str, float | str]]:
    """The site with defaults, and what was assumed by key."""
    site, assumed = with_defaults(load_site(write(folder, text)))
    return site, {assumption.key: assumption.value for assumption in assumed}


def test_a_full_file_needs_no_assumption_but_the_coldest_morning(tmp_path: Path) -> None:
    assert filled(tmp_path, changed("site.coldest_C = -12"))[1] == {}
    site, assumed = filled(tmp_path, MARSH_HIDE)
    assert assumed == {"site.coldest_C": -24}  # 15 - 0.75 · 52.6, our rule
    assert site == load_site(tmp_path / "hide.toml")


@pytest.mark.parametrize(
    ("series", "expected"),
    [(2, (14.8, 13.2, 15.5, 11.4, 12.6, -0.03)), (4, (29.6, 26.4, 31.0, 22.8, 25.2, -0.06))],
)
def test_set_points_left_out_are_the_chemistrys_scaled_to_the_bank(
    tmp_path: Path, series: int, expected: tuple[float, ...]
) -> None:
    # A battery maker's data sheet, flooded: 14.8/13.2/15.5 V on 12 V, 29.6/26.4/31.0 V on 24 V
    _, assumed = filled(tmp_path, changed(f"bank.units_in_series = {series}", without=SET_POINTS))
    assert tuple(assumed[key] for key in SET_POINTS) == pytest.approx(expected)


def test_a_set_point_that_is_given_stays(tmp_path: Path) -> None:
    site, assumed = filled(tmp_path, changed(without=("controller.float_V",)))
    assert site.controller is not None
    assert (site.controller.absorption_V, site.controller.float_V) == (14.8, 13.2)
    assert list(assumed) == ["site.coldest_C", "controller.float_V"]


def test_lithium_gets_no_compensation_and_no_equalization(tmp_path: Path) -> None:
    text = changed(
        "bank.chemistry = 'lifepo4'",
        "bank.unit_voltage_V = 12.8",
        "bank.units_in_series = 1",
        without=SET_POINTS,
    )
    site, assumed = filled(tmp_path, text)
    assert site.controller is not None
    assert site.controller.equalization_V is None
    assert site.controller.temperature_compensation_V_per_C == 0
    assert "controller.equalization_V" not in assumed


def test_general_defaults_are_told_too(tmp_path: Path) -> None:
    _, assumed = filled(tmp_path, changed(without=("meters", "bank.capacity_rate_h", "site.time_zone")))
    assert assumed["bank.capacity_rate_h"] == 20
    assert assumed["site.time_zone"] == "UTC"
    assert assumed["meters.voltage_step_V"] == 0.01


def test_a_bank_without_sun_keeps_no_set_points(tmp_path: Path) -> None:
    site, assumed = filled(tmp_path, changed(without=("array", "controller")))
    assert site.controller is None
    assert not [key for key in assumed if key.startswith("controller")]


# Whatever a file holds, it is a site or a SiteError

KEYS = sorted(
    {key for table in Site.model_fields for key in (table, "port", "baud")}
    | {row.partition(" =")[0] for row in MARSH_HIDE.splitlines() if " = " in row}
)
VALUES = st.one_of(
    st.integers(),
    st.floats(),
    st.booleans(),
    st.dates(),
    st.datetimes(),
    st.times(),
    st.text(st.characters(codec="utf-8", exclude_characters='"\\', exclude_categories=("Cc", "Cs"))),
    st.sampled_from(sorted(zoneinfo.available_timezones())[:20]),
)


def as_toml(value: object) -> str:
    """A value as TOML text; nested lists and tables inline."""
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return f"[{', '.join(map(as_toml, value))}]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {as_toml(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, (int, float)):
        return repr(value)
    return value.isoformat()  # type: ignore[attr-defined]   # date, datetime or time


SHARED = HealthCheck.function_scoped_fixture  # each example overwrites the same file: meant
TREES = st.dictionaries(
    st.sampled_from(KEYS),
    st.recursive(
        VALUES,
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=4),
        max_leaves=8,
    ),
    max_size=6,
)


def is_told_in_words(path: Path) -> bool:
    """Loading gives a site or a SiteError whose problems have text; anything else comes up as it is."""
    try:
        load_site(path)
    except SiteError as error:
        return bool(error.problems) and all(problem.text and problem.key for problem in error.problems)
    return True


@settings(max_examples=300, suppress_health_check=[SHARED])
@given(tree=TREES)
def test_no_toml_tree_brings_anything_but_a_site_error(tmp_path: Path, tree: dict[str, object]) -> None:
    text = "".join(f"{key} = {as_toml(value)}\n" for key, value in tree.items())
    assert is_told_in_words(write(tmp_path, text)), text


@settings(max_examples=300, suppress_health_check=[SHARED])
@given(at=st.integers(0, len(MARSH_HIDE)), length=st.integers(0, 60), piece=st.text(max_size=20))
def test_no_edit_of_a_good_file_brings_anything_but_a_site_error(
    tmp_path: Path, at: int, length: int, piece: str
) -> None:
    text = MARSH_HIDE[:at] + piece + MARSH_HIDE[at + length :]
    path = tmp_path / "hide.toml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    assert is_told_in_words(path), text


@settings(max_examples=200, suppress_health_check=[SHARED])
@given(data=st.binary(max_size=200))
def test_no_bytes_bring_anything_but_a_site_error(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "hide.toml"
    path.write_bytes(data)
    assert is_told_in_words(path), data


@settings(max_examples=200, suppress_health_check=[SHARED])
@given(
    key=st.sampled_from([row.partition(" =")[0] for row in MARSH_HIDE.splitlines() if " = " in row]),
    value=VALUES,
)
def test_any_value_under_a_known_key_is_taken_or_told(tmp_path: Path, key: str, value: object) -> None:
    row = next(row for row in MARSH_HIDE.splitlines() if row.startswith(f"{key} ="))
    text = MARSH_HIDE.replace(row, f"{key} = {as_toml(value)}")
    assert is_told_in_words(write(tmp_path, text)), text
