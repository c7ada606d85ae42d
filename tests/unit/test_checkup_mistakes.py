"""Every mistake of a new system, made in the simulator, is named by the checkup; a right one passes.

The simulator's physics are its own (`simulator/`), so what is found is found from the readings. The counts
over fifty systems are in `tests.bench.checkup_systems`."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

from monitor.checkup.judge import judge
from monitor.checkup.result import CHECKS, Verdict
from simulator.sky import WeatherSpan
from tests.checkups.mistakes import MISTAKES
from tests.checkups.play import play
from tests.checkups.systems import draw

CLEAR = (WeatherSpan(30, 0, "clear"),)
SEEDS = range(200, 240)


def under_clear_sky(seed, day=True):
    system = draw(seed, day=day)
    return replace(system, world=replace(system.world, weather=CLEAR))


def said(recording, verdict):
    return {result.check for result in judge(recording) if result.verdict is verdict}


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: mistake.name)
def test_each_mistake_is_named_and_nothing_else(mistake):
    for seed in SEEDS:
        made = mistake.make(under_clear_sky(seed), Random(seed))
        if made is not None:
            break
    wrong = said(play(made), Verdict.WRONG)
    assert wrong & set(mistake.found_by), f"seed {seed}"
    assert wrong <= {*mistake.found_by, *mistake.with_it}, f"seed {seed}"


@pytest.mark.parametrize("level", ["charging", "controller", "shunt"])
def test_by_day_a_right_system_of_each_metering_level_shows_nothing_wrong(level):
    system = next(
        system
        for system in map(under_clear_sky, SEEDS)
        if system.site.metering.level == level
        and system.site.meters.voltage_step_V < 0.1  # coarser ones do not show a lead's drop
        and system.world.bank.start_soc < 0.8  # a full bank takes too little to show the array
    )
    recording = play(system)
    assert said(recording, Verdict.WRONG) == set()
    # what only a shunt and a second voltmeter see is the rest
    assert said(recording, Verdict.UNTOLD) <= ({"lead_drop", "own_draw"} if level != "shunt" else set())


def test_in_the_dark_nothing_is_said_of_the_array():
    recording = play(under_clear_sky(200, day=False))
    assert said(recording, Verdict.WRONG) == set()
    of_array = {name for name in CHECKS if name.startswith("array")}
    assert said(recording, Verdict.RIGHT) & of_array == set()


def test_who_does_and_says_nothing_is_told_what_is_missing_and_nothing_wrong():
    recording = play(under_clear_sky(201), acts=False, answers=False)
    results = {result.check: result for result in judge(recording)}
    assert [name for name, result in results.items() if result.verdict is Verdict.WRONG] == []
    for name in ("clock", "loads", "probe", "battery_switch"):
        assert results[name].verdict is Verdict.UNTOLD
        assert results[name].look_at


def test_one_spoilt_reading_makes_no_finding():
    recording = play(under_clear_sky(200))
    plain = judge(recording)
    for number in (30, 60, 90):
        spoilt = list(recording.samples)
        values = {name: 3 * value for name, value in spoilt[number].values.items() if value is not None}
        spoilt[number] = replace(spoilt[number], values=values)
        verdicts = [result.verdict for result in judge(replace(recording, samples=spoilt))]
        assert Verdict.WRONG not in verdicts
        assert len(verdicts) == len(plain)


def test_what_is_wrong_comes_with_advice_and_what_touches_wires_with_a_caution():
    for result in judge(play(under_clear_sky(200), acts=True)):
        assert result.evidence
    made = MISTAKES[0].make(under_clear_sky(200), Random(1))
    wrong = [result for result in judge(play(made)) if result.verdict is Verdict.WRONG]
    assert all(result.look_at and result.cautions for result in wrong)
