"""The course of the clear-sky index over a day from what was seen of it, and how sure it is. Pure.

The index is taken for the sum of a slow part (weather), which wanders, and a quick one (single clouds), which
is forgotten within a quarter of an hour or two. Both are followed by a Kalman filter forwards and a
Rauch-Tung-Striebel smoother backwards (standard texts of estimation; from memory), so that a step between two
seen ones gets a value between them, the less sure the farther they are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

SLOW_MEAN, SLOW_SD = 0.8, 0.3
"""The index before anything is seen: of days on which a bank is held back, rather a good one (our choice)."""

SLOW_DRIFT_PER_H = 0.12
"""How far the weather wanders in an hour; in four hours twice as far (our choice)."""

QUICK_S = 1200.0
"""A cloud's passing is forgotten after so long (our choice: cumulus at a few metres a second)."""


@dataclass(frozen=True, slots=True)
class Glimpse:
    """One sight of the index in a step, with its deviation."""

    index: float
    sd: float


@dataclass(frozen=True, slots=True)
class Guess:
    """The index in a step and its deviation."""

    index: float
    sd: float


State = tuple[float, float, float, float, float]
"""Mean of the slow and the quick part, their variances (slow, both, quick)."""


def course(glimpses: Sequence[Sequence[Glimpse]], step_s: float, quick_sd: float) -> list[Guess]:
    """The index in each of consecutive steps from the glimpses in each; quick_sd is the quick part's."""
    keep = math.exp(-step_s / QUICK_S)
    drift = SLOW_DRIFT_PER_H**2 * step_s / 3600
    renewed = quick_sd**2 * (1 - keep**2)
    foreseen: list[State] = []
    filtered: list[State] = []
    state: State = (SLOW_MEAN, 0.0, SLOW_SD**2, 0.0, quick_sd**2)
    for seen in glimpses:
        if filtered:
            slow, quick, slow_var, both, quick_var = state
            state = (slow, keep * quick, slow_var + drift, keep * both, keep**2 * quick_var + renewed)
        foreseen.append(state)
        for glimpse in seen:
            state = _weighed(state, glimpse)
        filtered.append(state)
    return [_told(each) for each in _smoothed(filtered, foreseen, keep)]


def _weighed(state: State, glimpse: Glimpse) -> State:
    slow, quick, slow_var, both, quick_var = state
    gain_slow, gain_quick = slow_var + both, both + quick_var
    spread = gain_slow + gain_quick + glimpse.sd**2
    off = glimpse.index - slow - quick
    return (
        slow + gain_slow * off / spread,
        quick + gain_quick * off / spread,
        slow_var - gain_slow**2 / spread,
        both - gain_slow * gain_quick / spread,
        quick_var - gain_quick**2 / spread,
    )


def _smoothed(filtered: Sequence[State], foreseen: Sequence[State], keep: float) -> list[State]:
    """Backwards: each state told what came later. C = P F' inv(P-), x += C dx, P += C dP C'."""
    if not filtered:
        return []
    later = filtered[-1]
    smoothed = [later]
    for now, ahead in zip(reversed(filtered[:-1]), reversed(foreseen[1:]), strict=True):
        a, b, c = now[2], now[3], now[4]
        p, q, r = ahead[2], ahead[3], ahead[4]
        det = p * r - q * q
        # rows of P F' times the inverse of the foreseen covariance
        c11, c12 = (a * r - keep * b * q) / det, (keep * b * p - a * q) / det
        c21, c22 = (b * r - keep * c * q) / det, (keep * c * p - b * q) / det
        d1, d2 = later[0] - ahead[0], later[1] - ahead[1]
        dp, dq, dr = later[2] - p, later[3] - q, later[4] - r
        later = (
            now[0] + c11 * d1 + c12 * d2,
            now[1] + c21 * d1 + c22 * d2,
            a + c11 * c11 * dp + 2 * c11 * c12 * dq + c12 * c12 * dr,
            b + c11 * c21 * dp + (c11 * c22 + c12 * c21) * dq + c12 * c22 * dr,
            c + c21 * c21 * dp + 2 * c21 * c22 * dq + c22 * c22 * dr,
        )
        smoothed.append(later)
    return smoothed[::-1]


def _told(state: State) -> Guess:
    return Guess(state[0] + state[1], math.sqrt(max(0.0, state[2] + 2 * state[3] + state[4])))


def between(guess: Guess, low: float, high: float) -> Guess:
    """The guess when the index is known to lie between two bounds: mean and deviation of the normal
    distribution cut off there (textbook formula). Where next to nothing of it lies between, the nearer
    bound."""
    if guess.sd <= 0.0 or high <= low:
        return Guess(min(max(guess.index, low), max(low, high)), guess.sd)
    a, b = (low - guess.index) / guess.sd, (high - guess.index) / guess.sd
    inside = _below(b) - _below(a)
    if inside < 1e-6:
        return Guess(low if a > 0 else high, 0.1 * guess.sd)
    density_a, density_b = _density(a), _density(b)
    mean = (density_a - density_b) / inside
    variance = 1 + (a * density_a - b * density_b) / inside - mean**2
    return Guess(guess.index + guess.sd * mean, guess.sd * math.sqrt(max(0.0, variance)))


def _below(z: float) -> float:
    return 0.5 * (1 + math.erf(z / math.sqrt(2)))


def _density(z: float) -> float:
    return math.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
