"""Drawn courses of the sky: their shares against the model's own probabilities, and what they tell."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from monitor.sun.drawn import COURSES, INDEX, Signs, courses, evidence

STEP_S = 300
ONE = np.zeros(1)
"""A single supposition."""


def silent(steps):
    return np.zeros((steps, 1, len(INDEX)))


def showing(*values, sd=0.03):
    """Log likelihoods of steps that show an index, None: nothing."""
    said = silent(len(values))
    for at, value in enumerate(values):
        if value is not None:
            said[at] = -0.5 * ((INDEX - value) / sd) ** 2
    return said


def only(*parts):
    """Log likelihoods that allow the indices below (0) or from a half on (1) in each step."""
    high = INDEX >= 0.5
    return np.array([[np.where(high == bool(part), 0.0, -700.0)] for part in parts])


def test_readings_that_say_nothing_are_no_evidence():
    assert evidence(Signs(0, silent(40), ONE), STEP_S) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("step_s", [300, 900])
def test_what_may_happen_adds_up_to_certainty(step_s):
    """Each of three steps is dim or bright: the eight cases are all there are."""
    cases = itertools.product((0, 1), repeat=3)
    total = sum(math.exp(evidence(Signs(0, only(*case), ONE), step_s)) for case in cases)
    assert total == pytest.approx(1.0, abs=1e-9)


def test_courses_are_drawn_as_often_as_they_are_likely():
    """The shares of the four cases of two steps an hour apart, over 60 seeds, against their probabilities,
    which come of the forward pass alone. 2880 draws: one standard error is below 0.01."""
    drawn = np.concatenate([courses(Signs(0, silent(13), ONE), STEP_S, seed) for seed in range(60)], axis=1)
    for first, last in itertools.product((0, 1), repeat=2):
        said = silent(13)
        said[0], said[12] = only(first)[0], only(last)[0]
        share = np.mean(((drawn[0] >= 0.5) == first) & ((drawn[12] >= 0.5) == last))
        assert share == pytest.approx(math.exp(evidence(Signs(0, said, ONE), STEP_S)), abs=0.04)


def test_the_same_seed_gives_the_same_courses():
    signs = Signs(0, showing(*[None] * 20), ONE)
    assert np.array_equal(courses(signs, STEP_S, 7), courses(signs, STEP_S, 7))
    assert not np.array_equal(courses(signs, STEP_S, 7), courses(signs, STEP_S, 8))
    assert courses(signs, STEP_S, 7).shape == (20, COURSES)


def test_what_lies_between_two_clear_hours_is_mostly_clear_and_less_sure_in_the_middle():
    found = courses(Signs(0, showing(*[1.0] * 12, *[None] * 36, *[1.0] * 12), ONE), STEP_S, 1)
    assert np.median(found[30]) == pytest.approx(1.0, abs=0.05)
    assert found[5].std() < 0.04 < found[30].std()


def test_between_two_broken_hours_courses_are_rough():
    """A mean of courses would be smooth; each course is as rough as the hours beside it."""
    broken = [1.0, 1.0, 0.9, 0.4, 0.35, 0.4] * 2
    rough = courses(Signs(0, showing(*broken, *[None] * 24, *broken), ONE), STEP_S, 1)
    calm = courses(Signs(0, showing(*[1.0] * 12, *[None] * 24, *[1.0] * 12), ONE), STEP_S, 1)

    def jumps(drawn):
        return np.abs(np.diff(drawn[12:36], axis=0)).mean()

    assert jumps(rough) > 3 * jumps(calm)
    assert jumps(rough) > 2 * np.abs(np.diff(rough[12:36].mean(axis=1))).mean()


def test_a_supposition_that_the_free_steps_contradict_is_dropped():
    """Of two suppositions one reads the held hours as clear, the other as half as bright; beside clear free
    hours without a jump only the first is likely."""
    said = np.zeros((36, 2, len(INDEX)))
    said[:12] = said[24:] = showing(1.0)[0]
    said[12:24, 0], said[12:24, 1] = showing(1.0)[0], showing(0.5)[0]
    found = courses(Signs(0, said, np.zeros(2)), STEP_S, 1)
    assert found[12:24].mean() > 0.9
