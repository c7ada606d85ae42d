"""The course of the clear-sky index between what was seen, against the direct solution of the same model."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import truncnorm

from monitor.sun.course import (
    QUICK_S,
    SLOW_DRIFT_PER_H,
    SLOW_MEAN,
    SLOW_SD,
    Glimpse,
    Guess,
    between,
    course,
)

STEP_S = 300.0


def directly(glimpses, quick_sd):
    """The same by conditioning one joint normal distribution of all steps (textbook; no recursion)."""
    times_h = np.arange(len(glimpses)) * STEP_S / 3600
    apart_s = np.abs(times_h[:, None] - times_h[None, :]) * 3600
    slow = SLOW_SD**2 + SLOW_DRIFT_PER_H**2 * np.minimum(times_h[:, None], times_h[None, :])
    covariance = slow + quick_sd**2 * np.exp(-apart_s / QUICK_S)
    seen = [(at, each.index, each.sd) for at, some in enumerate(glimpses) for each in some]
    rows = [at for at, _, _ in seen]
    noise = np.diag([sd**2 for _, _, sd in seen])
    gain = covariance[:, rows] @ np.linalg.inv(covariance[np.ix_(rows, rows)] + noise)
    mean = SLOW_MEAN + gain @ (np.array([value for _, value, _ in seen]) - SLOW_MEAN)
    spread = covariance - gain @ covariance[rows, :]
    return mean, np.sqrt(np.diag(spread))


@pytest.mark.parametrize("quick_sd", [0.05, 0.3])
def test_filter_and_smoother_give_what_conditioning_all_at_once_gives(quick_sd):
    random = np.random.default_rng(7)
    glimpses = [
        [Glimpse(float(random.uniform(0.1, 1.1)), 0.05)] if random.random() < 0.4 else [] for _ in range(60)
    ]
    glimpses[30] = [Glimpse(0.7, 0.03), Glimpse(0.9, 0.2)]
    mean, sd = directly(glimpses, quick_sd)
    found = course(glimpses, STEP_S, quick_sd)
    assert [guess.index for guess in found] == pytest.approx(mean, abs=1e-9)
    assert [guess.sd for guess in found] == pytest.approx(sd, abs=1e-9)


def test_what_lies_between_two_clear_hours_is_taken_for_clear_and_is_less_sure_in_the_middle():
    clear = [Glimpse(1.0, 0.03)]
    found = course([clear] * 12 + [[]] * 36 + [clear] * 12, STEP_S, 0.05)
    middle, edge = found[30], found[13]
    assert middle.index == pytest.approx(1.0, abs=0.03)
    assert 1.5 * edge.sd < middle.sd < SLOW_SD


def test_a_day_of_which_nothing_was_seen_is_as_vague_as_before():
    (guess,) = course([[]], STEP_S, 0.15)
    assert guess.index == SLOW_MEAN
    assert guess.sd == pytest.approx(math.hypot(SLOW_SD, 0.15))
    assert course([], STEP_S, 0.15) == []


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.15), (0.7, 1.15), (0.95, 1.15), (0.2, 0.4)])
def test_bounds_cut_the_guess_as_a_truncated_normal(low, high):
    guess = Guess(0.6, 0.25)
    # scipy's truncated normal is an implementation of its own
    cut = truncnorm((low - 0.6) / 0.25, (high - 0.6) / 0.25, loc=0.6, scale=0.25)
    found = between(guess, low, high)
    assert found.index == pytest.approx(cut.mean(), abs=1e-6)
    assert found.sd == pytest.approx(cut.std(), abs=1e-6)


def test_far_beyond_a_bound_the_bound_is_believed():
    assert between(Guess(0.2, 0.01), 0.8, 1.15).index == 0.8
    assert between(Guess(2.0, 0.01), 0.0, 1.15).index == 1.15
