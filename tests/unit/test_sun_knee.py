"""The knee of the array's curve and what voltages say, on days whose array follows pvlib's single diode."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest

from monitor.sun.drawn import INDEX
from monitor.sun.knee import Form, form_of
from monitor.sun.level import Level
from monitor.sun.rise import rises
from monitor.sun.signs import signs_of
from tests.unit.sun_world import SUPPLY, best, days_from, module_C, sun_day, voltage_for, without

FIRST = date(2026, 6, 1)
LEVEL = Level(1.0, 0.03, 5)


def tapering(hour):
    return math.inf if hour < 10 else 40 + 140 * math.exp(-(hour - 10) / 1.5)


def always(index):
    return lambda hour: index


def history(sky, count=4):
    return [sun_day(day, sky, tapering)[0] for day in days_from(FIRST, count)]


USUAL = Form(2.8)


def says(days, at, form=USUAL):
    """The signs of a day of which all is held back from ten on."""
    day = days[at]
    held = [math.isfinite(tapering(step_h)) and 10 <= step_h < 17 for step_h in hours(day)]
    index = [
        None if is_held or clear.passed_W < 10 else step.power_W / clear.passed_W
        for step, clear, is_held in zip(day.steps, day.clear, held, strict=True)
    ]
    lit = [clear.passed_W >= 10 for clear in day.clear]
    return signs_of(day, SUPPLY, held, index, lit, LEVEL, rises(days, SUPPLY).offs[at], form), held


def hours(day):
    return [(step.start_ms - day.start_ms) / 3.6e6 for step in day.steps]


def test_height_is_the_shares_formula_solved():
    """share(r) = 1 - (exp(c r) - 1) / (exp(c) - 1), put back by hand for c = 3: r = 0.5 gives 0.8176."""
    share = 1 - (math.exp(1.5) - 1) / (math.exp(3) - 1)
    assert share == pytest.approx(0.8176, abs=1e-4)
    form = Form(3.0, 1.0)
    assert form.height(np.array([share, 1.0, 0.0])) == pytest.approx([0.5, 0.0, 1.0])
    assert Form(0.0, 0.8).height(np.array([0.25])) == pytest.approx([0.6])


def test_the_form_that_is_learnt_has_the_heights_of_a_single_diode():
    days = history(always(1.0))
    form = form_of(
        days, SUPPLY, [says(days, at)[1] for at in range(4)], lambda at, form: says(days, at, form)[0]
    )
    best_V, best_W, open_V = best(900.0, module_C(900.0))
    for share in (0.3, 0.5, 0.8):
        true = (voltage_for(share * best_W, 900.0, module_C(900.0)) - best_V) / (open_V - best_V)
        assert float(form.height(np.array([share]))[0]) == pytest.approx(true, abs=0.15)


def test_where_no_array_voltage_is_read_the_form_is_the_usual_one():
    blind = [without(day, "array_voltage_V") for day in history(always(1.0))]
    asked = []
    form = form_of(blind, SUPPLY, [says(blind, at)[1] for at in range(4)], lambda at, _: asked.append(at))
    assert (form, asked) == (USUAL, [])


def told(index, at=10 * 12 + 2):
    """Mean and deviation of what one held step says, all suppositions weighed; the bank takes some 170 W."""
    signs, held = says(history(always(index)), 3)
    assert held[at]
    weights = np.exp(signs.likelihoods[at - signs.first] + signs.weights[:, None]).sum(axis=0)
    mean = np.average(INDEX, weights=weights)
    return mean, math.sqrt(np.average((INDEX - mean) ** 2, weights=weights))


def test_a_held_steps_voltage_says_how_much_light_there_was():
    for index in (1.0, 0.6):
        mean, sd = told(index)
        assert mean == pytest.approx(index, abs=2 * sd)
        assert sd < 0.25
    assert told(1.0)[0] - told(0.6)[0] > 0.1


def test_a_held_step_says_no_less_than_was_taken():
    """Power alone: 0.5 of a clear sky's was taken; less is unlikely, all above alike."""
    days = [without(day, "array_voltage_V") for day in history(always(1.0))]
    signs, _ = says(days, 3)
    at = 11 * 12
    taken = days[3].steps[at].power_W / days[3].clear[at].passed_W
    of_step = signs.likelihoods[at - signs.first]
    less, more = np.less(INDEX, taken - 0.15), np.greater(INDEX, taken)
    assert np.all(of_step[:, less] < -4)
    assert np.all(of_step[:, more] == 0)
