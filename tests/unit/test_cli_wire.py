"""`nightbank wire`: the answer as a person and a program get it, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from monitor.cli import main

DEMO_SITE = Path(__file__).resolve().parents[2] / "monitor/demo_site.toml"


def asked(line: str, *more: str) -> tuple[int, str]:
    done = CliRunner().invoke(main, ["wire", *line.split(), *more])
    return done.exit_code, done.output


def results(line: str, *more: str) -> tuple[int, dict[str, dict[str, Any]]]:
    status, output = asked(f"{line} --json", *more)
    return status, {result["name"]: result for result in json.loads(output)["results"]}


def test_a_load_gets_wire_and_fuse_with_their_sources() -> None:
    status, told = results("--current 14 --length 6 --voltage 12")
    assert status == 0
    # 14 A: 17.5 A, 20 A fuse (computed). 0.36 V over 12 m at 14 A allow 2.143 ohm/km: at 75 °C 10 mm2 has
    # 2.323 and 16 mm2 1.472 (IEC 60228 class 5 times 1.216), AWG 8 2.552 and AWG 6 1.611 (NEC)
    assert told["fuse_A"]["value"] == 20
    assert told["allowed_drop_V"]["value"] == pytest.approx(0.36)
    assert (told["smallest_mm2"]["value"], told["smallest_awg"]["value"]) == ("16 mm²", "AWG 6")
    assert all(result["sources"] for result in told.values())


def test_the_words_name_sources_the_fuses_place_and_who_decides() -> None:
    status, said = asked("--current 14 --length 6 --voltage 12")
    text = " ".join(said.split())
    assert status == 0
    assert "Smallest wire: 16 mm²: loses 0.247 V (2.1 %)" in text
    for word in ("IEC 60228", "NEC 240.6", "positive post", "licensed person", "short circuit"):
        assert word in text


def test_a_fuse_never_outgrows_its_wire() -> None:
    # a short run that loses next to nothing: the fuse of 100 A (1.25 × 80) decides, and AWG 2 (130 A) is the
    # first of the published rows that carries it
    _, told = results("--current 80 --length 0.5 --voltage 24")
    assert (told["fuse_A"]["value"], told["smallest_awg"]["value"]) == (100, "AWG 2")
    _, hot = results("--current 80 --length 0.5 --voltage 24 --hot-place")  # 130 A × 0.85 = 110.5 A
    assert hot["smallest_awg"]["value"] == "AWG 2"
    _, more = results("--current 88 --length 0.5 --voltage 24 --hot-place")  # 110 A: still; 125 A: AWG 1
    assert (more["fuse_A"]["value"], more["smallest_awg"]["value"]) == (110, "AWG 2")
    _, most = results("--current 90 --length 0.5 --voltage 24 --hot-place")
    assert (most["fuse_A"]["value"], most["smallest_awg"]["value"]) == (125, "AWG 1")


def test_the_wire_that_is_there_is_judged() -> None:
    enough, told = results("--current 14 --length 6 --voltage 12", "--laid", "16 mm2")
    assert (enough, told["wire"]["wrong"]) == (0, False)
    thin, told = results("--current 14 --length 6 --voltage 12", "--laid", "awg 10")
    assert (thin, told["wire"]["wrong"]) == (1, True)
    assert "loses more than 3 %" in told["wire"]["words"]
    weak, told = results("--current 30 --length 0.3 --voltage 12", "--laid", "4")  # fuse 40 A, carries 30 A
    assert weak == 1
    assert "bears one of 30 A at most" in told["wire"]["words"]
    _, told = results("--current 5 --length 1 --voltage 12", "--laid", "1.5mm2")
    assert told["wire"]["wrong"]
    assert "not known here" in told["wire"]["words"]


def test_a_short_circuit_that_would_not_blow_the_fuse_is_a_fault() -> None:
    # 100 m of 1.5 mm2 at 75 °C: 1.617 ohm (13.3 ohm/km × 1.216), so 7.4 A at 12 V, under the 25 A fuse
    status, told = results("--current 20 --length 50 --voltage 12", "--laid", "1.5 mm2")
    assert status == 1
    assert told["far_short_A"]["value"] == pytest.approx(7.4, abs=0.05)
    assert told["far_short_A"]["wrong"]


def test_the_array_of_a_site_file() -> None:
    # the demo's: three strings of one panel, 8.6 A at 18.2 V. 13.44 A each: 15 A; 40.3 A together: 45 A
    status, told = results(f"--array {DEMO_SITE} --length 8")
    assert status == 0
    assert (told["string_fuse_A"]["value"], told["fuse_A"]["value"]) == (15, 45)
    assert told["allowed_drop_V"]["value"] == pytest.approx(0.02 * 18.2)
    assert "which was not given" in told["string_fuse_A"]["words"]
    asked_same = results("--isc 8.6 --strings 3 --voltage 18.2 --length 8")
    assert (status, told) == asked_same


def test_a_string_fuse_above_the_panels_plate_is_a_fault() -> None:
    status, told = results("--isc 8.6 --strings 3 --voltage 18 --length 2 --plate-fuse 10")
    assert status == 1
    assert told["string_fuse_A"]["wrong"]
    fits, told = results("--isc 8.6 --strings 3 --voltage 18 --length 2 --plate-fuse 15")
    assert (fits, told["string_fuse_A"]["wrong"]) == (0, False)


def test_two_strings_want_no_fuse_each_and_one_is_the_run() -> None:
    _, two = results("--isc 9.2 --strings 2 --voltage 18 --length 2")
    assert two["string_fuse_A"]["value"] is None
    assert two["fuse_A"]["value"] == 30
    _, one = results("--isc 5.9 --voltage 18 --length 2")
    assert one["fuse_A"]["value"] == 10
    assert "string_wire" not in one


def test_what_no_single_wire_can_do_is_said() -> None:
    status, told = results("--current 400 --length 5 --voltage 12")
    assert status == 1
    assert told["fuse_A"]["value"] is None
    assert "a higher voltage" in told["smallest_mm2"]["words"]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("--current 14 --length 6", "--voltage is missing"),
        ("--length 6 --voltage 12", "give one of --current"),
        ("--current 14 --isc 8 --length 6 --voltage 12", "give one of --current"),
        ("--current 14 --power 8 --length 6 --voltage 12", "give one of --current"),
        ("--power 80 --length 6 --voltage 12 --for charging", "give --current"),
        ("--current 14 --length 6 --voltage 12 --strings 3", "belong to --isc"),
        ("--isc 8 --length 6 --voltage 12 --for minor", "--for belongs to --current"),
        ("--current nan --length 6 --voltage 12", "'nan' is no number from 0.05 to 1000 A"),
        ("--current 14 --length -6 --voltage 12", "'-6' is no number from 0.05 to 1000 m"),
        ("--current 14 --length 6 --voltage 12 --laid 7", "none of the sizes known here"),
        (f"--array {DEMO_SITE} --isc 8 --length 6", "leave them out"),
        ("--array missing.toml --length 6", "missing.toml"),
    ],
)
def test_what_does_not_fit_is_refused_with_the_reason(line: str, reason: str) -> None:
    status, said = asked(line)
    assert status in (1, 2)
    assert reason in " ".join(said.split())


def test_a_load_known_by_its_power_draws_most_from_an_emptying_bank() -> None:
    # 114 W at 11.4 V, 1.90 V a cell, the least that a battery maker's manual advises before a disconnect:
    # 10 A by hand, so 12.5 A and a fuse of 15 A
    status, told = results("--power 114 --length 2 --voltage 12")
    assert status == 0
    assert told["current_A"]["value"] == pytest.approx(10)
    assert told["fuse_A"]["value"] == 15
    by_current = results("--current 10 --length 2 --voltage 12")[1]
    assert told["smallest_mm2"]["value"] == by_current["smallest_mm2"]["value"]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("--current 14 --length 6 --voltage 12", "In short: 16 mm² or AWG 6, with a fuse of 20 A."),
        ("--current 14 --length 6 --voltage 12 --laid 16", "In short: 16 mm², with a fuse of 20 A."),
        ("--current 14 --length 6 --voltage 12 --laid 4", "In short: the 4 mm² that is there is not enough"),
        ("--current 400 --length 5 --voltage 12", "In short: it does not do as asked"),
        (
            f"--array {DEMO_SITE} --length 8",
            "In short: 35 mm² or AWG 3, with a fuse of 45 A and one of 15 A in each string.",
        ),
    ],
)
def test_the_answer_comes_first_in_one_sentence(line: str, said: str) -> None:
    assert asked(line)[1].splitlines()[1].startswith(said)
