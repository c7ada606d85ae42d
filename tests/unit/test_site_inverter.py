"""[inverter] and the loads behind it in a site file: what is refused, what counts twice, what a bank sees."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.bank.description import describe_site
from monitor.errors import SiteError
from monitor.site.check import contradictions
from monitor.site.load import load_site, read_site
from tests.unit.site_files import MARSH_HIDE, write

INVERTER = """
[inverter]
efficiency = 0.80
standby_W = 6
hours_per_day = 10
"""


def load(name: str, more: str = "") -> str:
    return f'\n[[loads]]\nname = "{name}"\nbranch = "shed"\npower_W = 60\nhours_per_day = 2\n{more}\n'


def problem_of(folder: Path, text: str) -> tuple[str, int | None, str]:
    with pytest.raises(SiteError) as refused:
        load_site(write(folder, text))
    (problem,) = refused.value.problems
    return problem.key, problem.line, problem.text


def line_of(text: str, words: str) -> int:
    return next(number for number, line in enumerate(text.splitlines(), 1) if line.startswith(words))


def warnings_of(folder: Path, text: str) -> list[tuple[str, str]]:
    site, lines = read_site(write(folder, text))
    found = contradictions(site, lines)
    return [(each.key, each.text) for each in found if each.key.startswith(("loads", "inverter"))]


def test_a_load_behind_no_inverter_is_refused_with_its_line(tmp_path: Path) -> None:
    text = MARSH_HIDE + load("drill", "ac = true")
    key, line, said = problem_of(tmp_path, text)
    assert (key, line) == ("loads[0].ac", line_of(text, "ac = true"))
    assert "add a table [inverter]" in said


@pytest.mark.parametrize(
    ("wrong", "key", "said"),
    [
        ("efficiency = 85", "inverter.efficiency", "85 is above the largest allowed value 1"),
        ('efficiency = "85 %"', "inverter.efficiency", "must be a number"),
        ("standby_W = -1", "inverter.standby_W", "below the smallest allowed value 0"),
        ("standby_w = 6", "inverter.standby_w", "did you mean 'standby_W'"),
        ("hours_per_day = 25", "inverter.hours_per_day", "above the largest allowed value 24"),
    ],
)
def test_a_wrong_value_is_refused_with_key_line_and_advice(
    tmp_path: Path, wrong: str, key: str, said: str
) -> None:
    text = f"{MARSH_HIDE}\n[inverter]\n{wrong}\n"
    found_key, line, told = problem_of(tmp_path, text)
    assert (found_key, line) == (key, line_of(text, wrong))
    assert said in told


@pytest.mark.parametrize(
    ("loads", "key", "said"),
    [
        (
            load("Drill", "ac = true") + load("drill "),
            "loads[1].name",
            "stands on both sides of the inverter",
        ),
        (load("drill", "ac = true") + load("the inverter"), "loads[1].name", "counts twice"),
        (load("drill"), "inverter", "no load is marked ac = true"),
        (
            load("drill", "ac = true").replace("= 2\n", "= 12\n"),
            "loads[0].hours_per_day",
            "longer than the inverter is switched on",
        ),
    ],
)
def test_what_counts_twice_or_cannot_be_is_told(tmp_path: Path, loads: str, key: str, said: str) -> None:
    ((found, told),) = warnings_of(tmp_path, MARSH_HIDE + INVERTER + loads)
    assert found == key
    assert said in told


def test_a_sound_description_is_not_complained_of(tmp_path: Path) -> None:
    assert warnings_of(tmp_path, MARSH_HIDE + INVERTER + load("drill", "ac = true") + load("lamp")) == []


def test_the_bank_sees_the_inverter_s_losses_and_what_it_takes_itself(tmp_path: Path) -> None:
    site = load_site(write(tmp_path, MARSH_HIDE + INVERTER + load("drill", "ac = true") + load("lamp")))
    # 60 W / 0.80 = 75 W for the drill, 60 W for the lamp, two hours each; 6 W for ten, 2 W for 24 hours:
    # 150 + 120 + 60 + 48 = 378 Wh a day, at 12 V over 24 h 1.3125 A (by hand)
    assert describe_site(site).use_A == pytest.approx(1.3125)
