"""Courses of the clear-sky index over a day, drawn so that they fit what its readings say. Pure.

The sky is taken for one of two: steady, in which the index stays or wanders a little, and unsettled, in which
clouds pass; it turns from one into the other after some hours. Readings say of some steps what the index was,
of others only what it may have been (`signs.py`). All states are weighed by a hidden Markov model over a grid
of indices (forward filter; Rabiner 1989), and whole courses are drawn from it backwards (forward filtering,
backward sampling; both from memory). A drawn course is as rough as the sky was, which a mean of courses is
not, so that the day's variability can be told from them.

Something else may be unknown all day, the same for all steps: a row of suppositions, each with its own
likelihoods. Numbers are drawn from the day's own seed: the same readings give the same courses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

SPACING = 0.025
INDEX: Floats = np.arange(SPACING, 1.25 + SPACING / 2, SPACING)
"""The indices that are weighed, over the array's level: up to a cloud's edge (our choice)."""

COURSES = 48
"""So many are drawn: a share of them is known to 0.07 (our choice)."""

STEADY_FIRST = 0.6
UNSETTLES_H, SETTLES_H = 4.0, 3.0
"""How often a day begins steady, and how long the sky is steady and unsettled (our choice)."""

DRIFT, STIR = 0.02, 0.05
"""How far the index wanders within STEP_S under a steady and an unsettled sky (our choice)."""

STEP_S = 300.0

STRAY = 0.01
"""Chance within STEP_S that a steady sky's index becomes any other (our choice: one in eight hours)."""

CLOUD_S = 1500.0
"""An unsettled sky forgets its index after so long (our choice: cumulus at a few metres a second)."""

STEADY_AT = ((0.75, 1.0, 0.05), (0.25, 0.5, 0.4))
UNSETTLED_AT = ((0.55, 0.95, 0.13), (0.45, 0.5, 0.25))
"""Share, middle and deviation of the indices met under either sky: clear, or some grey; between the clouds,
or below them (our choice)."""


@dataclass(frozen=True, slots=True)
class Signs:
    """What a day's readings say: log likelihoods by step, supposition and INDEX, and log weights of the
    suppositions. The steps are those in daylight, without a gap, the first of them `first` of the day."""

    first: int
    likelihoods: Floats
    weights: Floats


@dataclass(frozen=True, slots=True)
class _Sky:
    """moves[sky, from, to] between indices, turns[from, to] between skies, begins[sky, index]."""

    moves: Floats
    turns: Floats
    begins: Floats


@cache
def _sky(step_s: int) -> _Sky:
    steady_at, unsettled_at = _met(STEADY_AT), _met(UNSETTLED_AT)
    wide = math.sqrt(step_s / STEP_S)
    stray = -math.expm1(math.log1p(-STRAY) * step_s / STEP_S)
    forgets = -math.expm1(-step_s / CLOUD_S)
    steady = (1 - stray) * _near(DRIFT * wide) + stray * steady_at
    unsettled = (1 - forgets) * _near(STIR * wide) + forgets * unsettled_at
    unsettles, settles = (-math.expm1(-step_s / 3600 / hours) for hours in (UNSETTLES_H, SETTLES_H))
    begins = np.stack([STEADY_FIRST * steady_at, (1 - STEADY_FIRST) * unsettled_at])
    turns = np.array([[1 - unsettles, unsettles], [settles, 1 - settles]])
    return _Sky(np.stack([steady, unsettled]), turns, begins)


def _near(sd: float) -> Floats:
    """Moves to neighbours on the grid, normal with that deviation; rows sum to 1."""
    moves = np.exp(-0.5 * ((INDEX[None, :] - INDEX[:, None]) / sd) ** 2)
    return np.asarray(moves / moves.sum(axis=1, keepdims=True))


def _met(parts: tuple[tuple[float, float, float], ...]) -> Floats:
    found = np.zeros_like(INDEX)
    for share, middle, sd in parts:
        found += share * np.exp(-0.5 * ((INDEX - middle) / sd) ** 2) / sd
    return np.asarray(found / found.sum())


def evidence(signs: Signs, step_s: int) -> float:
    """How well the readings as a whole agree with any course of the sky: their log likelihood."""
    return _filtered(signs, step_s)[1]


def courses(signs: Signs, step_s: int, seed: int) -> Floats:
    """COURSES drawn courses, index[step, course], of the steps that signs speak of."""
    filtered, _ = _filtered(signs, step_s)
    sky, random = _sky(step_s), np.random.default_rng(seed)
    count = len(filtered)
    last = filtered[-1]
    supposed = _picked(np.tile(last.sum(axis=(1, 2)), (COURSES, 1)), random)
    drawn = np.empty((count, COURSES), dtype=np.int64)
    weights = last[supposed]
    for at in range(count - 1, -1, -1):
        state = _picked(weights.reshape(COURSES, -1), random)
        kind = state // len(INDEX)
        drawn[at] = state % len(INDEX)
        if at:
            moved = sky.moves.transpose(0, 2, 1)[kind, drawn[at]]
            weights = filtered[at - 1][supposed] * sky.turns.T[kind][:, :, None] * moved[:, None, :]
    return np.asarray(INDEX[drawn])


def _filtered(signs: Signs, step_s: int) -> tuple[Floats, float]:
    """Weights of all states after each step's signs, weight[step, supposition, sky, INDEX], each step's sum
    1, and the log likelihood of all signs."""
    sky = _sky(step_s)
    count, suppositions, _ = signs.likelihoods.shape
    filtered = np.empty((count, suppositions, 2, len(INDEX)))
    weights = np.exp(signs.weights - signs.weights.max())[:, None, None] * sky.begins
    weights = weights / weights.sum()
    total = 0.0
    for at in range(count):
        if at:
            turned = np.einsum("ofi,ft->oti", weights, sky.turns)
            weights = np.stack([turned[:, kind] @ sky.moves[kind] for kind in (0, 1)], axis=1)
        likelihood = signs.likelihoods[at]
        highest = float(likelihood.max())
        weights = weights * np.exp(likelihood - highest)[:, None, :]
        sum_of = float(weights.sum())
        weights = weights / sum_of
        total += math.log(sum_of) + highest
        filtered[at] = weights
    return filtered, total


def _picked(weights: Floats, random: np.random.Generator) -> Whole:
    """One column of each row, by the row's weights."""
    sums = weights.cumsum(axis=1)
    wanted = random.random(len(weights)) * sums[:, -1]
    return np.asarray(np.minimum((sums <= wanted[:, None]).sum(axis=1), weights.shape[1] - 1))
