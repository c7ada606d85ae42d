"""Some three thousand supposed banks, each with its own constants and charge, weighed by what the meters say.

A particle filter (Gordon, Salmond, Smith 1993) with the constants kept alive by shrinking and jittering them
(Liu and West 2001). What the voltage model cannot know of a bank is a bias of its own that wanders; each
supposed bank carries its mean and variance in a Kalman filter (Rao-Blackwellised), beside the unseen load,
which the voltage shows as linearly. Numbers are drawn from a fixed seed: the same samples give the same
estimates.

Units as in `priors.py`. May import ahead, cell, full_sign, packed, priors, supposed, weights.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, sqrt

import numpy as np
from numpy.typing import NDArray

from monitor.bank.ahead import Ahead, Past
from monitor.bank.cell import Floats, gassing
from monitor.bank.full_sign import Held, full_sign, wasted_sign
from monitor.bank.packed import pack_rows, unpack_rows
from monitor.bank.priors import NAMES, Priors
from monitor.bank.quantiles import median
from monitor.bank.supposed import (
    BIAS_IN,
    BIAS_IN_H,
    BIAS_OUT,
    BIAS_OUT_H,
    FAST,
    FAST_H,
    MISSING,
    PARAMETER,
    SIDE,
    SLOW_IN,
    SLOW_OUT,
    SURFACE,
    UNSEEN,
    VAR_IN,
    VAR_OUT,
    VAR_UNSEEN,
    Supposed,
)
from monitor.bank.weights import FEWEST_EFFECTIVE, GROUPS, SUPPOSED, drawn, effective, weighed, weights_of

SAVED = 256
"""How many of them are kept over a restart, drawn by weight: less on the card (our choice)."""

START_DEEP, START_SKEW = 0.95, 2.0
"""At a start of which nothing is known the charge may be anything; fuller banks are likelier: 1 - 0.95 u²
with u even on 0..1 (our choice: mean 0.68, deviation 0.28)."""

EVIDENCE_SHARE: dict[Past, float] = {"nothing": 0.06, "own": 0.06, "straight": 0.03, "loads": 0.06}
"""What one weighing counts of the likelihood it would have were the readings independent. Readings minutes
apart share the model's errors: a night holds a few independent looks, not a hundred (our choice, from unlike
bank models: more makes the band too narrow, less learns too slowly). Half of it where a load past the
controller would be taken for a lower charge: a fridge's error lasts as long as the fridge runs."""

STEP_SHARE = 0.4
"""Share of a display step's variance that lasts like a bias: a voltage that stands still is rounded the same
way each time (our choice)."""

READING_V = 0.002
"""Noise of a cell's voltage from one weighing to the next, beside the meter's step (our choice)."""

TAIL_FREEDOM = 5.0
"""Degrees of freedom of the likelihood (Student's t): an outlier counts little (our choice)."""

UNSEEN_H = 6.0
"""How long an unseen load keeps its level where nothing shows a change (our choice: an evening)."""

UNSEEN_SPREAD: dict[Past, float] = {"loads": 1.5, "straight": 0.6, "own": 0.3, "nothing": 0.0}
UNSEEN_LEAST: dict[Past, float] = {"loads": 0.003, "straight": 0.0003, "own": 0.0001, "nothing": 0.0}
"""Its deviation: a share of its mean and a little more (our choice: lamps are on or off; past a controller a
monitor is always on, and a fridge or a pump may be)."""

UNSEEN_JUMP: dict[Past, float] = {"loads": 0.03, "straight": 0.005, "own": 0.002, "nothing": 0.0}
"""A step of the voltage that nothing seen explains may be a load so large (our choice). Where the loads are
metered it is more often what the model gets wrong of a metered load's step."""

JUMP_SIGNS = 2.5
"""...if at least half of the supposed banks find the voltage so many deviations off (our choice)."""

HABIT_H = 120.0
"""Time constant of the learnt mean of the unseen load: five days (our choice)."""

OWN: frozenset[Past] = frozenset({"own", "straight"})
"""Where a controller meters loads: what bypasses it is the constant `ln_own`."""

HABIT: dict[Past, str] = {"loads": "ln_unseen", "straight": "ln_own"}
"""The constant of a bank that the habit is."""

OVERDRAWN_SHARE = 0.01
"""A supposed bank that gives more than that becomes less likely: a factor e for each percent (our choice)."""

DARK_SD_PER_H, DARK_POWER, DARK_MOST_SD = 0.025, 0.85, 0.30
"""What the charge may do in hours without readings: 2.5 % in the first, ever slower (our choice: loads of a
tenth to a third of the capacity a day, or as much sun)."""

BLIND_SD_PER_ROOT_H = 0.03
"""What it may do in an hour in which the voltage is read and no current is (our choice)."""

SHRINK = 0.97
"""Liu and West's a: constants are drawn toward their mean so far, and jittered back to their spread."""

WANDER_H = 1440.0
"""Time constant with which a bank's constants wander, and what was learnt of them is forgotten: 60 days (our
choice: banks age, acid stratifies and mixes, seasons change)."""

SPREAD_FLOOR, REST_FLOOR, LEAD_FLOOR, UNSEEN_FLOOR = 0.3, 0.4, 0.6, 0.6
"""No constant is believed better than this share of its prior spread: models are only models. Rest voltages
keep more; still more the capacity and rest span of lead-acid, whose quotient alone the voltage tells, and
where loads are unseen what turns voltage into load (our choice)."""

LEAST_SD = 0.01
"""Nor is the charge (our choice)."""

TINY, RIDGE = 1e-18, 1e-9

DRIVES_UNSEEN = [PARAMETER[name] for name in ("ln_ohm_out", "ln_activation_V", "ln_slow", "ln_unseen")]


def _floors(*, lithium: bool, unseen: bool) -> Floats:
    floors = np.full((len(NAMES), 1), SPREAD_FLOOR)
    floors[[PARAMETER["rest_full_V"], PARAMETER["rest_span_V"]]] = REST_FLOOR
    if not lithium:
        floors[[PARAMETER[name] for name in ("ln_capacity", "rest_span_V")]] = LEAD_FLOOR
    if unseen:
        floors[DRIVES_UNSEEN] = UNSEEN_FLOOR
    return floors


@dataclass(frozen=True, slots=True)
class Flow:
    """The mean known current of a span, into the bank positive [share of rated capacity an hour].

    past is what flows out past the meters. blind: no current was read.
    """

    current: float
    past: Past
    blind: bool = False


@dataclass(frozen=True, slots=True)
class Moments:
    """Mean and standard deviation over the supposed banks, capacities at the present temperature."""

    soc: float
    soc_sd: float
    capacity: float
    capacity_sd: float
    unseen: float
    stored_share: float
    """Share of a charging current that is being stored."""


class Cloud(Supposed):
    """The supposed banks of one real one."""

    def __init__(self, priors: Priors, *, lithium: bool, step_V: float, seed: int) -> None:
        """step_V is the voltmeter's step per cell."""
        spreads = np.array([getattr(priors, name) for name in NAMES])
        self._mean0, self._sd0 = spreads[:, :1], spreads[:, 1:]
        self._step_var = step_V**2 / 12
        self._rng = np.random.default_rng(seed)
        self._night = False
        self.past: Past = "loads"  # what flows out past the meters, by the newest flow
        constants = self._mean0 + self._sd0 * self._rng.standard_normal((len(NAMES), SUPPOSED))
        super().__init__(constants, np.zeros((12, SUPPOSED)), lithium=lithium)
        self._log_weight = np.zeros(SUPPOSED)
        self._drawn_h = np.zeros(GROUPS)
        self._state[MISSING] = START_DEEP * self._rng.random(SUPPOSED) ** START_SKEW * self._at_25
        self._state[SURFACE] = 0.5 * self._rng.random(SUPPOSED)
        self._forget_biases()

    def _forget_biases(self) -> None:
        state = self._state
        state[[BIAS_OUT, BIAS_IN]] = 0.0
        state[[VAR_OUT, VAR_IN]] = 1.0
        state[UNSEEN] = self._past_mean()
        state[VAR_UNSEEN] = self._unseen_sd() ** 2
        state[SIDE] = self._rng.standard_normal(SUPPOSED)

    def _unseen_sd(self) -> float:
        """The same for all: a bank that supposes smaller loads must not gain by a smaller spread."""
        return UNSEEN_SPREAD[self.past] * float(np.mean(self._past_mean())) + UNSEEN_LEAST[self.past]

    def _past_mean(self) -> Floats:
        return np.asarray(self._own if self.past in OWN else self._unseen_mean)

    def advance(self, hours: float, flow: Flow, temperature_C: float) -> None:
        """Let a span pass at a constant mean current."""
        state, rng = self._state, self._rng
        self.temperature_C = temperature_C
        self._drawn_h += hours
        current = flow.current - self._offset
        if flow.past != self.past:
            owner_says_otherwise = {flow.past, self.past} == OWN
            if owner_says_otherwise:
                place = PARAMETER["ln_own"]
                self._constants[place] = self._mean0[place] + self._sd0[place] * rng.standard_normal(SUPPOSED)
                self._unpack_constants()
            self.past = flow.past
            self._forget_biases()
        if flow.past != "nothing":
            keep = exp(-hours / 3.0)
            state[SIDE] *= keep
            state[SIDE] += sqrt(1 - keep * keep) * rng.standard_normal(SUPPOSED)
            self._let_unseen_drift(hours)
            current = current - np.maximum(0.0, state[UNSEEN] + state[SIDE] * np.sqrt(state[VAR_UNSEEN]))
        lost: Floats | float = 0.0
        if flow.blind:
            lost = self.capacity() * BLIND_SD_PER_ROOT_H * sqrt(hours) * rng.standard_normal(SUPPOSED)
        self.move(hours, current, temperature_C, lost)
        self._let_biases_wander(hours)

    def _let_unseen_drift(self, hours: float) -> None:
        state = self._state
        step = 1 - exp(-hours / UNSEEN_H)
        mean = self._past_mean()
        state[UNSEEN] += step * (mean - state[UNSEEN])
        state[VAR_UNSEEN] += np.maximum(0.0, 2 * step * (self._unseen_sd() ** 2 - state[VAR_UNSEEN]))
        if self._night and self.past in HABIT:  # only then is the load seen, through the voltage
            learnt = np.clip(state[UNSEEN] / mean - 1, -1.0, 3.0)
            habit = self._constants[PARAMETER[HABIT[self.past]]]
            habit += hours / HABIT_H * learnt
            if self.past in OWN:
                self._own = np.exp(habit)
            else:
                self._unseen_mean = np.exp(habit)

    def _let_biases_wander(self, hours: float) -> None:
        state = self._state
        for bias, variance, lasts_h in ((BIAS_OUT, VAR_OUT, BIAS_OUT_H), (BIAS_IN, VAR_IN, BIAS_IN_H)):
            keep = exp(-hours / lasts_h)
            state[bias] *= keep
            state[variance] = keep * keep * state[variance] + (1 - keep * keep)

    def darken(self, hours: float) -> None:
        """Let hours pass of which nothing is known."""
        state = self._state
        total = self.capacity()
        sd = min(DARK_MOST_SD, DARK_SD_PER_H * hours**DARK_POWER)
        moved = np.abs(state[MISSING] + total * sd * self._rng.standard_normal(SUPPOSED))
        state[MISSING] = np.where(moved > total, np.maximum(0.0, 2 * total - moved), moved)
        state[[SLOW_OUT, SLOW_IN]] *= np.exp(-hours / self._slow_h)
        state[FAST] *= exp(-hours / FAST_H)
        state[SURFACE] *= np.exp(-hours / self._surface_h)
        self._forget_biases()

    def weigh(self, cell_V: float, hours: float, *, blind: bool, held: Held) -> None:
        """Weigh the supposed banks by the mean voltage of the span just passed; each bias learns from it.

        blind: no current was read, so that the voltage tells less. held: a controller holds the voltage.
        """
        state = self._state
        self._cell_V = cell_V
        soc = self._level()
        predicted = self._answer(soc)
        out = self._current + state[FAST] <= 0.0
        lasting = STEP_SHARE * self._step_var + (0.03**2 if blind else 0.0)
        spread = np.sqrt(self._bias_var(predicted, out) + lasting)
        bias = np.where(out, state[BIAS_OUT], state[BIAS_IN])
        variance = np.where(out, state[VAR_OUT], state[VAR_IN])
        off_V = cell_V - (predicted.rest_V - predicted.drop_V + predicted.rise_V) - spread * bias
        expected = spread * spread * variance + READING_V**2 + self._step_var
        unseen = self.past != "nothing"
        if unseen:
            expected, load_var = self._with_unseen(out, off_V, expected, predicted.volt_per_current)
        fit = -0.5 * (TAIL_FREEDOM + 1) * np.log1p(off_V * off_V / (TAIL_FREEDOM * expected))
        fit -= 0.5 * np.log(expected)
        root = np.sqrt(expected)
        off_V = np.clip(off_V, -3 * root, 3 * root)
        gain = variance * spread / expected
        bias, variance = bias + gain * off_V, variance * (1 - gain * spread)
        state[BIAS_OUT], state[BIAS_IN] = (
            np.where(out, bias, state[BIAS_OUT]),
            np.where(out, state[BIAS_IN], bias),
        )
        state[VAR_OUT], state[VAR_IN] = (
            np.where(out, variance, state[VAR_OUT]),
            np.where(out, state[VAR_IN], variance),
        )
        if unseen:
            gain = -load_var * predicted.volt_per_current / expected
            state[UNSEEN] = np.maximum(0.0, state[UNSEEN] + gain * off_V)
            left = np.maximum(1e-9, load_var + gain * predicted.volt_per_current * load_var)
            state[VAR_UNSEEN] = np.where(out, left, state[VAR_UNSEEN])
        # what a controller holds, it holds at any charge: only the current tells
        share = 0.0 if held is not None and not self._lithium else EVIDENCE_SHARE[self.past]
        current = float(np.mean(self._current))
        full = full_sign(cell_V, current, soc, self._full_at, held, lithium=self._lithium)
        fit = share * fit + hours * (full + self._wasted(cell_V, held))
        self._tell(fit - self._overdrawn / OVERDRAWN_SHARE)

    def _wasted(self, cell_V: float, held: Held) -> Floats | float:
        """What is told by a current that a supposed bank would neither store nor gas: with only a part of the
        loads metered, it tells of the others."""
        if self.past != "straight" or held is None:
            return 0.0
        current_in = np.maximum(self._current, 0.0)
        lost = current_in - self._stored(np.clip(self._level(), 0.0, 1.0), current_in)
        gas = gassing(self._gas, cell_V, self.temperature_C)
        return wasted_sign(cell_V, lost, gas, held, lithium=self._lithium)

    def _with_unseen(
        self, out: Floats, off_V: Floats, expected: Floats, slope: Floats
    ) -> tuple[Floats, Floats]:
        """The voltage's variance with that of the unseen load, and the latter; it may have jumped."""
        state = self._state
        was_night, self._night = self._night, bool(np.mean(out) > 0.9)
        if self._night and not was_night:  # dusk: while charging nothing showed the load
            state[VAR_UNSEEN] += self._unseen_sd() ** 2
        load_var = np.where(out, state[VAR_UNSEEN], 0.0)
        if self._night:
            signs = np.abs(median(off_V / np.sqrt(expected + slope * slope * load_var)))
            if signs > JUMP_SIGNS:
                load_var = load_var + UNSEEN_JUMP[self.past] ** 2
        return expected + slope * slope * load_var, load_var

    def _tell(self, fit: Floats) -> None:
        """Add evidence; the groups in which too few banks are left are drawn anew."""
        after, weights = weighed(self._log_weight, fit)
        self._log_weight = np.asarray(after - after.max())
        for group in np.flatnonzero(effective(weights) < FEWEST_EFFECTIVE):
            self._draw_anew(int(group), weights)

    def _draw_anew(self, group: int, weights: Floats) -> None:
        """Systematic resampling of a group."""
        each = SUPPOSED // GROUPS
        own = slice(group * each, (group + 1) * each)
        places = (self._rng.random() + np.arange(each)) / each
        self._take(group, own, drawn(GROUPS * weights[own], places), GROUPS * weights[own])

    def _take(self, group: int, own: slice, chosen: NDArray[np.intp], weights: Floats) -> None:
        """Put the chosen ones of a group in its place, jittered so that no two banks are the same."""
        rng = self._rng
        apart = np.vstack([self._constants, self._level()])[:, own]
        mean = (apart @ weights)[:, None]
        apart -= mean
        # few effective banks understate the spread
        spread = (apart * weights) @ apart.T / (1 - float(weights @ weights))
        variance = np.maximum(0.0, np.diag(spread))[:, None]
        floors = _floors(lithium=self._lithium, unseen=self.past == "loads")
        least = np.vstack([(floors * self._sd0) ** 2, [[LEAST_SD**2]]])
        # jittered together: what the voltage ties to each other, as charge and rest voltage, stays tied
        scale = np.sqrt(variance + TINY)
        factor = scale * np.linalg.cholesky(spread / (scale * scale.T) + RIDGE * np.eye(len(apart)))
        jitter = factor @ rng.standard_normal(apart.shape)
        jitter += np.sqrt(np.maximum(0.0, least - variance)) * rng.standard_normal(apart.shape)
        moved = mean + SHRINK * apart[:, chosen] + sqrt(1 - SHRINK**2) * jitter
        self._constants[:, own] = self._aged(group, moved[:-1])
        self._unpack_constants()
        self._state[:, own] = self._state[:, own][:, chosen]
        self._current[own] = self._current[own][chosen]
        missing = np.minimum(np.abs(1 - moved[-1]), self._deepest)
        self._state[MISSING, own] = missing * self.capacity()[own]
        self._log_weight[own] = 0.0

    def _aged(self, group: int, constants: Floats) -> Floats:
        """Constants after the hours since their group was last drawn: they wander toward their priors."""
        keep = exp(-self._drawn_h[group] / WANDER_H)
        self._drawn_h[group] = 0.0
        wander = sqrt(1 - keep * keep) * self._sd0 * self._rng.standard_normal(constants.shape)
        return np.asarray(self._mean0 + keep * (constants - self._mean0) + wander)

    def moments(self) -> Moments:
        """What the supposed banks say together."""
        weights = weights_of(self._log_weight)
        soc, total = self.soc(), self.capacity()
        mean, size = float(weights @ soc), float(weights @ total)
        current_in = float(weights @ np.maximum(self._current, 0.0))
        stored = float(weights @ self._stored(soc, np.maximum(self._current, 0.0)))
        return Moments(
            soc=mean,
            soc_sd=sqrt(float(weights @ (soc - mean) ** 2)),
            capacity=size,
            capacity_sd=sqrt(float(weights @ (total - size) ** 2)),
            unseen=0.0 if self.past == "nothing" else float(weights @ self._state[UNSEEN]),
            stored_share=stored / current_in if current_in > 0 else 1.0,
        )

    def ahead(self, count: int, sd_factor: float, sd_least: float, seed: int) -> Ahead:
        """Some of the supposed banks, drawn by weight, to run on from here by themselves.

        Their charges are spread as the estimate's band is: sd_factor times as far, and by sd_least more.
        """
        rng = np.random.default_rng(seed)
        weights = weights_of(self._log_weight)
        chosen = drawn(weights, (np.arange(count) + 0.5) / count)
        state, total = self._state[:, chosen].copy(), self.capacity()[chosen]
        missing = state[MISSING] / total
        mean = float(missing.mean())
        missing = mean + sd_factor * (missing - mean) + sd_least * rng.standard_normal(count)
        # mirrored at full: pressed against it, the band would lean to the side of comfort
        state[MISSING] = np.minimum(np.abs(missing), self._deepest) * total
        return Ahead(
            self._constants[:, chosen],
            state,
            lithium=self._lithium,
            temperature_C=self.temperature_C,
            cell_V=self._cell_V,
            past=self.past,
            rng=rng,
        )

    def packed(self) -> str:
        """A part of the supposed banks, drawn by weight, as text to restore from: 16 bits a number."""
        weights = weights_of(self._log_weight)
        chosen = drawn(weights, (np.arange(SAVED) + 0.5) / SAVED)  # as many of each group
        return pack_rows(np.vstack([self._constants[:, chosen], self._state[:, chosen]]))

    def restore(self, text: str, temperature_C: float, past: Past) -> None:
        """Go on from `packed`. Raises ValueError where the text is not one of ours."""
        rows = unpack_rows(text, len(NAMES) + len(self._state), SAVED)
        if past not in UNSEEN_SPREAD:
            raise ValueError(f"nothing past the meters is named {past!r}")
        self.temperature_C, self.past = temperature_C, past
        self._night = True  # a restart is no dusk: what was known of the load is known
        again = np.arange(SUPPOSED) * SAVED // SUPPOSED
        self._constants, self._state = rows[: len(NAMES), again], rows[len(NAMES) :, again]
        self._current = np.zeros(SUPPOSED)
        self._unpack_constants()
        for group in range(GROUPS):
            self._draw_anew(group, np.full(SUPPOSED, 1 / SUPPOSED))
