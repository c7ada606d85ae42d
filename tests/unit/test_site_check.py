"""What contradicts itself or the usual practice: severity, key, line, and what the text says to do.

The figures behind the limits are published values (see tests/reference/test_sizing_facts.py) or common
practice without a source, as the rules in monitor/site say.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import Problem
from monitor.site.amounts import amounts, coldest_by_rule_C
from monitor.site.check import contradictions
from monitor.site.load import read_site, with_defaults
from monitor.site.model import Site
from tests.unit.site_files import MARSH_HIDE, SET_POINTS, changed, line_of, write


def found(folder: Path, text: str) -> tuple[Problem, ...]:
    """All that the check says of a text, defaults filled in."""
    site, lines = read_site(write(folder, text))
    return contradictions(with_defaults(site)[0], lines)


def problems(folder: Path, text: str) -> tuple[Problem, ...]:
    """What the check says without the notes."""
    return tuple(problem for problem in found(folder, text) if problem.severity != "note")


def test_the_scenario_is_fine(tmp_path: Path) -> None:
    assert problems(tmp_path, MARSH_HIDE) == ()


def test_from_three_strings_up_fuses_are_noted(tmp_path: Path) -> None:
    (note,) = found(tmp_path, MARSH_HIDE)
    assert (note.severity, note.key) == ("note", "array.strings_in_parallel")
    assert "3 strings in parallel: each needs its own DC fuse" in note.text
    assert found(tmp_path, changed("array.strings_in_parallel = 2")) == ()


def test_a_file_without_devices_is_noted(tmp_path: Path) -> None:
    notes = found(tmp_path, changed(without=("devices",)))
    assert "devices" in [note.key for note in notes]
    assert {note.severity for note in notes} == {"note"}


def test_a_page_that_shows_nothing_before_the_pin_says_how_to_set_it(tmp_path: Path) -> None:
    notes = found(tmp_path, MARSH_HIDE + "\n[page]\nreading_needs_pin = true\n")
    (note,) = [note for note in notes if note.key == "page.reading_needs_pin"]
    assert note.severity == "note"
    assert "nightbank pin" in note.text
    assert found(tmp_path, MARSH_HIDE + "\n[page]\nreading_needs_pin = false\n") == found(
        tmp_path, MARSH_HIDE
    )


RULES = [
    # edits, severity, key, words of the text
    (
        ("bank.unit_voltage_V = 7",),
        "error",
        "bank.unit_voltage_V",
        "no multiple of a flooded lead-acid cell's 2 V",
    ),
    (
        ("bank.strings_in_parallel = 6", "array.strings_in_parallel = 7", "controller.rating_A = 100"),
        "warning",
        "bank.strings_in_parallel",
        "share charge unevenly",
    ),
    (("bank.reserve_soc = 0.1",), "warning", "bank.reserve_soc", "80 % depth of discharge"),
    (("bank.reserve_soc = 0.95",), "warning", "bank.reserve_soc", "next to nothing"),
    (("array.panel_vmp_V = 23",), "error", "array.panel_vmp_V", "may be swapped"),
    (("array.panel_imp_A = 9",), "error", "array.panel_imp_A", "may be swapped"),
    (("array.panel_power_W = 180",), "warning", "array.panel_power_W", "Vmp x Imp = 150 W"),
    (
        ("array.voc_temperature_coefficient_per_C = -0.0007",),
        "warning",
        "array.voc_temperature_coefficient_per_C",
        "outside the usual",
    ),
    (("array.tilt_deg = 0.61",), "warning", "array.tilt_deg", "in radians write 35"),
    (("array.azimuth_deg = 0",), "warning", "array.azimuth_deg", "faces away from the noon sun"),
    (
        ("array.panels_in_series = 4", "array.strings_in_parallel = 1", "controller.rating_A = 60"),
        "error",
        "array.panels_in_series",
        "at most 3 in series",
    ),
    (("controller.rating_A = 30",), "warning", "controller.rating_A", "array watts over bank volts = 37.5 A"),
    (
        ("controller.kind = 'pwm'", "controller.rating_A = 30"),
        "error",
        "controller.rating_A",
        "x 1.25 = 32.2 A",
    ),
    (
        ("array.panel_vmp_V = 14", "array.panel_imp_A = 8.5", "array.panel_power_W = 119"),
        "error",
        "array.panels_in_series",
        "too low to charge this bank to 14.8 V",
    ),
    (
        ("array.panel_vmp_V = 16.5", "array.panel_imp_A = 8.5", "array.panel_power_W = 140"),
        "warning",
        "array.panels_in_series",
        "with the cells at 65 °C",
    ),
    (
        ("controller.kind = 'pwm'", "array.panels_in_series = 2", "controller.rating_A = 40"),
        "warning",
        "array.panels_in_series",
        "wire the panels in parallel, or use an mppt controller",
    ),
    (
        ("array.strings_in_parallel = 1",),
        "warning",
        "bank.strings_in_parallel",
        "the array is small for this bank",
    ),
    (
        ("bank.strings_in_parallel = 1", "array.strings_in_parallel = 4", "controller.rating_A = 50"),
        "warning",
        "bank.strings_in_parallel",
        "limit the current",
    ),
    (("controller.absorption_V = 13.8",), "warning", "controller.absorption_V", "14.4 to 15.6 V"),
    (("controller.float_V = 14.3",), "warning", "controller.float_V", "usual for flooded lead-acid"),
    (("controller.equalization_V = 16.5",), "warning", "controller.equalization_V", "15.0 to 16.2 V"),
    (
        ("controller.disconnect_V = 10.5",),
        "warning",
        "controller.disconnect_V",
        "1.75 V per cell; below 1.85 V per cell (11.1 V) the bank ages fast",
    ),
    (
        ("controller.reconnect_V = 11.3",),
        "error",
        "controller.disconnect_V",
        "must be below reconnect_V = 11.3 V",
    ),
    (
        ("controller.temperature_compensation_V_per_C = -0.005",),
        "warning",
        "controller.temperature_compensation_V_per_C",
        "looks like V per °C and cell: write -0.03",
    ),
    (
        ("controller.temperature_compensation_V_per_C = 0.0",),
        "warning",
        "controller.temperature_compensation_V_per_C",
        "-0.036 to -0.018 for this bank",
    ),
    (
        ("metering.level = 'shunt'", "metering.straight_to_bank = true"),
        "warning",
        "metering.straight_to_bank",
        "a shunt sees every load: leave it out",
    ),
]


@pytest.mark.parametrize(("edits", "severity", "key", "words"), RULES)
def test_each_rule_tells_severity_key_line_and_advice(
    tmp_path: Path, edits: tuple[str, ...], severity: str, key: str, words: str
) -> None:
    text = changed(*edits)
    told = [problem for problem in problems(tmp_path, text) if problem.key == key and words in problem.text]
    assert [problem.severity for problem in told] == [severity], problems(tmp_path, text)
    table, name = key.split(".")
    rows = text.splitlines()
    start = rows.index(f"[{table}]")
    assert told[0].line == next(n for n in range(start, len(rows)) if rows[n].startswith(f"{name} =")) + 1


def test_set_points_of_another_bank_name_the_series_count(tmp_path: Path) -> None:
    text = changed("bank.units_in_series = 4", "array.panels_in_series = 2")
    errors = [problem for problem in problems(tmp_path, text) if problem.severity == "error"]
    assert [problem.key for problem in errors] == [
        f"controller.{key}"
        for key in ("absorption_V", "float_V", "equalization_V", "disconnect_V", "reconnect_V")
    ]
    assert errors[0].line == line_of(text, "absorption_V")
    assert errors[0].text == (
        "14.8 V belongs to a bank of 6 cells in series, this one has 12 (4 x 6 V); either the series count "
        "or "
        "the set point is wrong"
    )


def test_one_six_volt_unit_alone_is_no_usual_bank(tmp_path: Path) -> None:
    text = changed("bank.units_in_series = 1", without=SET_POINTS)
    texts = {problem.key: problem.text for problem in problems(tmp_path, text)}
    assert "make a 6 V bank" in texts["bank.units_in_series"]


@pytest.mark.parametrize(("chemistry", "severity"), [("agm", "warning"), ("gel", "error")])
def test_valve_regulated_batteries_are_not_equalized(tmp_path: Path, chemistry: str, severity: str) -> None:
    told = [
        problem
        for problem in problems(tmp_path, changed(f"bank.chemistry = '{chemistry}'"))
        if problem.key == "controller.equalization_V"
    ]
    assert [problem.severity for problem in told] == [severity]
    assert "must not be equalized" in told[0].text


LITHIUM = ("bank.chemistry = 'lifepo4'", "bank.unit_voltage_V = 12.8", "bank.units_in_series = 1")


def test_a_lithium_bank_with_usual_set_points_is_fine(tmp_path: Path) -> None:
    assert problems(tmp_path, changed(*LITHIUM, without=SET_POINTS)) == ()


@pytest.mark.parametrize("volts", ["3.2", "12", "12.8", "24", "25.6", "48", "51.2"])
def test_lithium_units_are_known_by_their_round_and_their_true_voltage(tmp_path: Path, volts: str) -> None:
    text = changed(*LITHIUM, f"bank.unit_voltage_V = {volts}", without=SET_POINTS)
    assert "bank.unit_voltage_V" not in [problem.key for problem in problems(tmp_path, text)]


def test_lithium_takes_no_compensation_and_no_equalization(tmp_path: Path) -> None:
    keys = {problem.key: problem.severity for problem in problems(tmp_path, changed(*LITHIUM))}
    assert keys["controller.equalization_V"] == "error"
    assert keys["controller.temperature_compensation_V_per_C"] == "warning"


def test_an_array_without_controller_and_the_reverse_are_told(tmp_path: Path) -> None:
    text = changed(without=("controller",))
    (problem,) = problems(tmp_path, text)
    assert (problem.key, problem.line) == ("array", line_of(text, "[array]"))
    text = changed(without=("array",))
    (problem,) = problems(tmp_path, text)
    assert (problem.key, problem.line) == ("controller", line_of(text, "[controller]"))


def test_a_load_in_kilowatts_is_suspected(tmp_path: Path) -> None:
    text = changed(more='[[loads]]\nname = "pump"\npower_W = 0.06\n')
    (problem,) = problems(tmp_path, text)
    assert (problem.key, problem.line) == ("loads[0].power_W", line_of(text, "power_W"))
    assert "if it is in kW write 60" in problem.text


SECOND = """
[[devices]]
name = "shunt"
profile = "marsh-shunt"
connection = "serial"
port = "/dev/serial/by-id/usb-example"
"""


def test_devices_on_one_line_share_its_setting_and_differ_in_address(tmp_path: Path) -> None:
    text = changed(more=f"{SECOND}baud = 19200\nunit = 2\n")
    (problem,) = problems(tmp_path, text)
    assert (problem.severity, problem.key) == ("error", "devices[1].baud")
    assert problem.line == line_of(text, "baud")
    (problem,) = problems(tmp_path, changed(more=SECOND))
    assert (problem.severity, problem.key) == ("warning", "devices[1].unit")
    assert problems(tmp_path, changed(more=f"{SECOND}unit = 2\n")) == ()


def test_errors_come_first(tmp_path: Path) -> None:
    told = found(tmp_path, changed("bank.reserve_soc = 0.1", "array.panel_vmp_V = 23"))
    severities = [problem.severity for problem in told]
    assert severities == sorted(severities, key=["error", "warning", "note"].index)
    assert len(set(severities)) == 3


# What the system amounts to


def scenario(*edits: str, folder: Path) -> Site:
    return with_defaults(read_site(write(folder, changed(*edits)))[0])[0]


def test_the_scenarios_amounts(tmp_path: Path) -> None:
    # worked by hand from the plate values of the scenario
    figures = amounts(scenario("site.coldest_C = -15", folder=tmp_path))
    assert (figures.bank.voltage_V, figures.bank.capacity_Ah, figures.bank.energy_kWh) == (12, 450, 5.4)
    assert (figures.bank.usable_Ah, figures.bank.cells_in_series) == (225, 6)
    assert figures.array is not None
    assert figures.controller is not None
    assert figures.array.power_W == 450
    assert figures.array.voc_cold_V == pytest.approx(22.3 * 1.12)  # 40 °C below 25 °C at -0.3 % each
    assert figures.array.isc_design_A == pytest.approx(3 * 8.6 * 1.25)
    assert not figures.array.coldest_assumed
    assert figures.controller.design_current_A == pytest.approx(450 / 12)
    assert figures.controller.current_margin_A == pytest.approx(2.5)
    assert figures.controller.charge_rate == pytest.approx(37.5 / 450)
    assert figures.controller.voltage_margin_V == pytest.approx(100 - 22.3 * 1.12)


def test_a_pwm_controller_passes_the_arrays_own_current(tmp_path: Path) -> None:
    figures = amounts(scenario("controller.kind = 'pwm'", folder=tmp_path)).controller
    assert figures is not None
    assert figures.design_current_A == pytest.approx(3 * 8.6 * 1.25)
    assert figures.charge_current_A == pytest.approx(3 * 8.25)


def test_the_controllers_rating_limits_the_charge(tmp_path: Path) -> None:
    figures = amounts(scenario("controller.rating_A = 20", folder=tmp_path)).controller
    assert figures is not None
    assert figures.charge_current_A == 20
    assert figures.current_margin_A == pytest.approx(-17.5)


@pytest.mark.parametrize(
    ("latitude_deg", "altitude_m", "expected_C"), [(0, 0, 15), (52, 0, -24), (-52, 0, -24), (40, 2000, -28)]
)
def test_the_coldest_morning_by_our_rule(latitude_deg: float, altitude_m: float, expected_C: float) -> None:
    assert coldest_by_rule_C(latitude_deg, altitude_m) == pytest.approx(expected_C)


def test_an_assumed_coldest_morning_is_told_in_the_error(tmp_path: Path) -> None:
    text = changed("controller.array_voltage_limit_V = 25")
    (problem,) = [problem for problem in problems(tmp_path, text) if problem.severity == "error"]
    assert "assumed from the latitude: give [site] coldest_C" in problem.text
    assert "this panel does not suit this controller" in problem.text


def test_the_codes_table_warns_where_the_coefficient_passes(tmp_path: Path) -> None:
    text = changed("controller.array_voltage_limit_V = 26", "site.coldest_C = -24")  # 25.5 V and 26.8 V
    (problem,) = problems(tmp_path, text)
    assert (problem.severity, problem.key) == ("warning", "array.panels_in_series")
    assert "26.8 V by the electrical code's table" in problem.text
