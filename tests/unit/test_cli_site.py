"""`nightbank site new` and `site check` as a person runs them: real processes, real files."""

from __future__ import annotations

import json
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.site.ask import QUESTIONS
from monitor.site.check import contradictions
from monitor.site.load import load_site, read_site
from tests.unit.site_files import MARSH_HIDE, changed, line_of, write

COMMAND = (sys.executable, "-c", "from monitor.commands.site import site; site()")


def site(*arguments: str | Path, answers: str = "") -> subprocess.CompletedProcess[str]:
    """The finished command; answers go to its standard input, which then ends."""
    command = [*COMMAND, *(str(argument) for argument in arguments)]
    return subprocess.run(command, input=answers, capture_output=True, text=True, check=False)


def test_check_tells_what_the_system_amounts_to(tmp_path: Path) -> None:
    checked = site("check", write(tmp_path, MARSH_HIDE))
    assert (checked.returncode, checked.stderr) == (0, "")
    for words in (
        "12 V, 450 Ah at the 20 h rate, 5.4 kWh",
        "2 in series x 2 in parallel",
        "450 W, 1 in series x 3 in parallel",
        "in the coldest morning (-24 °C, assumed from the",
        "Isc 25.8 A, x 1.25 = 32.2 A",
        "margin 2.5 A",
        "8.3 % of the 20-hour capacity",
        "No problem found.",
    ):
        assert words in checked.stdout


def test_check_tells_what_was_assumed(tmp_path: Path) -> None:
    checked = site("check", write(tmp_path, changed(without=("controller.float_V",))))
    assert checked.returncode == 0
    assert "controller.float_V = 13.2" in checked.stdout
    assert "maker's data sheet" in checked.stdout


def test_check_tells_another_rate_and_its_conversion(tmp_path: Path) -> None:
    checked = site("check", write(tmp_path, changed("bank.capacity_rate_h = 100")))
    assert "450 Ah at the 100 h rate" in checked.stdout
    # 450 · 0.2^(0.071/1.071); exponent computed from a battery maker's sheet
    assert "about 404 Ah at the 20 h rate" in checked.stdout


def test_check_tells_of_a_device_that_tells_the_time(tmp_path: Path) -> None:
    text = (Path(__file__).parents[2] / "monitor/devices/profiles/README.md").read_text(encoding="utf-8")
    profile = text.rpartition("```toml\n")[2].partition("```")[0]
    (tmp_path / "roof.toml").write_text(profile, encoding="utf-8")
    device = (
        '\n[[devices]]\nname = "roof"\nprofile = "roof.toml"\nconnection = "serial"\nport = "/dev/roof"\n'
    )
    path = write(tmp_path, changed(more=device))
    checked = site("check", path)
    assert (checked.returncode, checked.stderr) == (0, "")
    assert "devices[1].profile: roof tells the time, too" in " ".join(checked.stdout.split())


def test_check_tells_of_lines_that_an_xor_alone_guards(tmp_path: Path) -> None:
    shipped = Path(__file__).parents[2] / "monitor/devices/profiles/marsh-shunt.toml"
    text = shipped.read_text(encoding="utf-8")
    (tmp_path / "weak.toml").write_text(text, encoding="utf-8")
    bounded = re.sub(r"(?m)^unit = .*", r"\g<0>\nlargest_step = 2", text)
    (tmp_path / "bounded.toml").write_text(bounded, encoding="utf-8")
    devices = "".join(
        f'\n[[devices]]\nname = "{name}"\nprofile = "{name}.toml"\n'
        f'connection = "serial"\nport = "/dev/{name}"\n'
        for name in ("weak", "bounded")
    )
    checked = site("check", write(tmp_path, changed(more=devices)))
    assert (checked.returncode, checked.stderr) == (0, "")
    told = " ".join(checked.stdout.split())
    assert "devices[1].profile: the checksum xor of the lines of weak is weak" in told
    assert "lines of bounded" not in told


def test_a_fault_ends_with_one_and_stands_on_standard_error(tmp_path: Path) -> None:
    text = changed("bank.reserve_soc = 50")
    path = write(tmp_path, text)
    checked = site("check", path)
    assert (checked.returncode, checked.stdout) == (1, "")
    assert checked.stderr == (
        f"error: {path}: line {line_of(text, 'reserve_soc')}: bank.reserve_soc: 50 is not less than 1; "
        "looks like percent: write 0.5\n"
    )


def test_a_contradiction_ends_with_one_and_brings_the_cautions(tmp_path: Path) -> None:
    checked = site("check", write(tmp_path, changed("controller.array_voltage_limit_V = 20")))
    assert checked.returncode == 1
    assert "array.panels_in_series: 1 in series reach 25.6 V" in checked.stderr
    assert "Before you change the wiring:" in checked.stderr
    assert "Local codes" in checked.stderr


def test_a_mistake_that_sends_nobody_to_the_wiring_is_told_alone(tmp_path: Path) -> None:
    checked = site("check", write(tmp_path, changed('devices.profile = "my-charger.toml"')))
    assert checked.returncode == 1
    (line,) = checked.stderr.splitlines()
    assert "devices[0].profile" in line


def test_json_is_one_document_on_standard_output(tmp_path: Path) -> None:
    checked = site("check", "--json", write(tmp_path, MARSH_HIDE))
    assert (checked.returncode, checked.stderr) == (0, "")
    document = json.loads(checked.stdout)
    assert document["fine"] is True
    assert document["amounts"]["bank"]["capacity_Ah"] == 450
    assert document["amounts"]["array"]["isc_design_A"] == pytest.approx(32.25)
    assert [problem["severity"] for problem in document["problems"]] == ["note"]


def test_json_of_a_faulty_file_has_its_problems(tmp_path: Path) -> None:
    text = changed("site.latitude = 52.6", "bank.reserve_soc = 50")
    checked = site("check", "--json", write(tmp_path, text))
    document = json.loads(checked.stdout)
    assert (checked.returncode, document["fine"], document["amounts"]) == (1, False, None)
    assert [(problem["key"], problem["line"]) for problem in document["problems"]] == [
        ("site.latitude", text.splitlines().index("latitude = 52.6") + 1),
        ("bank.reserve_soc", line_of(text, "reserve_soc")),
    ]


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    checked = site("check", tmp_path / "nowhere.toml")
    assert checked.returncode == 1
    assert "cannot be read" in checked.stderr


def test_wrong_use_ends_with_two() -> None:
    assert site("check").returncode == 2
    assert site("chek").returncode == 2


def test_new_writes_a_file_that_loads_and_checks_clean(tmp_path: Path) -> None:
    path = tmp_path / "hide.toml"
    made = site("new", path)
    assert made.returncode == 0, made.stderr
    described, lines = read_site(path)
    assert {problem.severity for problem in contradictions(described, lines)} == {"note"}
    assert described.controller is not None
    assert described.controller.absorption_V == 14.8
    comments = [row for row in path.read_text(encoding="utf-8").splitlines() if "#" in row]
    assert len(comments) > 15


def test_new_shows_the_cautions(tmp_path: Path) -> None:
    shown = " ".join(site("new", tmp_path / "hide.toml").stdout.split())
    for words in (
        "Local codes and the makers' sheets come first",
        "as close to the bank's positive post as you can",
        "Disconnect the array from the controller before you disconnect the bank",
        "thousands of amperes into a short circuit",
        "sulphuric acid and give off hydrogen",
        "isolated RS-485 or USB adapter",
        "one common ground",
    ):
        assert words in shown


def answers_for(**given: str) -> str:
    """One line for each question; a key with its dot written as two underscores, the rest empty."""
    lines = {question.key: "" for question in QUESTIONS}
    for name, text in given.items():
        key = name.replace("__", ".")
        assert key in lines
        lines[key] = text
    return "".join(f"{text}\n" for text in lines.values())


def test_answers_may_be_piped(tmp_path: Path) -> None:
    path = tmp_path / "hut.toml"
    answers = answers_for(
        site__name='Hut "north" \\ 2',
        site__latitude_deg="-41,3",
        site__time_zone="Pacific/Auckland",
        bank__chemistry="gel",
        bank__units_in_series="2",
        metering__level="charging",
    )
    made = site("new", path, answers=answers)
    assert made.returncode == 0, made.stderr
    described = load_site(path)
    assert described.site.name == 'Hut "north" \\ 2'
    assert described.site.latitude_deg == -41.3
    assert (described.bank.chemistry, described.bank.voltage_V) == ("gel", 24)
    assert described.metering.level == "charging"
    assert described.array is not None
    assert described.array.azimuth_deg == 0  # the noon sun stands in the north there
    assert described.array.panels_in_series == 2  # what a 24 V bank needs of these panels
    assert described.controller is not None
    assert described.controller.absorption_V == 28.8
    assert described.controller.equalization_V is None


@pytest.mark.parametrize("chemistry", ["flooded", "agm", "gel", "lifepo4"])
@pytest.mark.parametrize("kind", ["mppt", "pwm"])
def test_every_chemistrys_defaults_check_clean(tmp_path: Path, chemistry: str, kind: str) -> None:
    answers = answers_for(bank__chemistry=chemistry, controller__kind=kind)
    made = site("new", tmp_path / "x.toml", answers=answers)
    assert made.returncode == 0, made.stderr
    assert "No problem found." in made.stdout


def test_new_never_overwrites_without_being_told(tmp_path: Path) -> None:
    path = write(tmp_path, "mine")
    refused = site("new", path)
    assert refused.returncode == 1
    assert "--force" in refused.stderr
    assert path.read_text(encoding="utf-8") == "mine"
    assert site("new", "--force", path).returncode == 0
    assert load_site(path).site.name == "Marsh hide"


@pytest.mark.parametrize(
    ("answers", "told"),
    [
        ("x\n95\n", "answer 2 (site.latitude_deg): 95 is above the largest allowed value 90"),
        ("x\nnorth\n", "answer 2 (site.latitude_deg): 'north' is not a number; write only the digits"),
        ("x\n\n\n\nNarnia\n", "answer 5 (site.time_zone): unknown time zone 'Narnia'"),
        ("x\n\n\n\n\n\nflodded\n", "answer 7 (bank.chemistry): 'flodded' is not one of the choices"),
        ("x\n\n\n\n\n\n\n\n\n1.5\n", "answer 10 (bank.units_in_series): '1.5' is not a whole number"),
    ],
)
def test_a_piped_answer_that_cannot_be_is_told_and_nothing_is_written(
    tmp_path: Path, answers: str, told: str
) -> None:
    refused = site("new", tmp_path / "x.toml", answers=answers)
    assert refused.returncode == 1
    assert told in refused.stderr
    assert not (tmp_path / "x.toml").exists()


def test_at_a_terminal_a_wrong_answer_is_asked_again(tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    try:
        os.write(ours, b"My hut\n95\n47\n" + b"\n" * (len(QUESTIONS) - 2))
        command = [*COMMAND, "new", str(tmp_path / "x.toml")]
        made = subprocess.run(command, stdin=theirs, capture_output=True, text=True, check=False)
    finally:
        os.close(ours)
        os.close(theirs)
    assert made.returncode == 0, made.stderr
    assert made.stderr.count("Latitude in degrees") == 2
    assert "95 is above the largest allowed value 90" in made.stderr
    assert load_site(tmp_path / "x.toml").site.latitude_deg == 47


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    refused = site("new", tmp_path / "nowhere" / "x.toml")
    assert refused.returncode == 1
    assert "cannot be written" in refused.stderr
    assert "Latitude" not in refused.stderr, "told before two dozen answers are given"


def test_new_names_the_problems_of_what_was_answered(tmp_path: Path) -> None:
    made = site("new", tmp_path / "x.toml", answers=answers_for(array__panels_in_series="6"))
    assert made.returncode == 1
    assert (tmp_path / "x.toml").exists()
    assert "above the controller's limit of 100 V" in made.stderr


SHUNT = (
    'name = "shunt"\nprofile = "marsh-shunt"\nconnection = "serial"\nport = "/dev/serial/by-id/usb-second"\n'
)


@pytest.mark.parametrize(
    ("level", "more", "words"),
    [
        ("controller", "", None),
        ("controller", SHUNT, "shunt gives battery_current_A: where that is every current of the bank"),
        ("charging", SHUNT, "shunt gives battery_current_A: where that is every current of the bank"),
        ("shunt", SHUNT, None),
        ("shunt", "", "no device gives battery_current_A"),
        ("charging", "", None),
    ],
)
def test_check_holds_the_metering_level_against_what_the_devices_give(
    tmp_path: Path, level: str, more: str, words: str | None
) -> None:
    """The shipped profiles: the charger holds charge and load, the shunt sends the net current."""
    text = MARSH_HIDE.replace('level = "controller"', f'level = "{level}"')
    checked = site("check", write(tmp_path, f"{text}\n[[devices]]\n{more}" if more else text))
    assert checked.returncode == 0
    assert ("metering.level" in checked.stdout) is (words is not None)
    assert words is None or words in " ".join(checked.stdout.split())
