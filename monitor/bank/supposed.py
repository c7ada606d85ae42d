"""Supposed banks, each with its own constants and charge: how they move, and what voltage they show.

`cloud.py` weighs some thousands of them by what the meters say; the outlook takes a few hundred of these and
lets them run on into the night. Both move them by the same lines. Units as in `priors.py`. May import cell,
priors.
"""

from __future__ import annotations

from math import exp

import numpy as np

from monitor.bank.cell import (
    SURFACE_DOWN,
    SURFACE_UP,
    Answer,
    Drops,
    Floats,
    accepted_share,
    answer,
    capacity,
    gassing,
    lead_rest_V,
    lifepo4_rest_V,
    self_discharge,
)
from monitor.bank.priors import NAMES

BIAS_OUT_V, BIAS_IN_V = {False: 0.008, True: 0.004}, {False: 0.022, True: 0.010}
"""Deviation of the voltage model, lead-acid and LiFePO4 (True), at rest or discharging and charging; it grows
with the drop or rise itself by BIAS_OUT_SHARE, BIAS_IN_SHARE, and BIAS_SURFACE of a surface charge."""

BIAS_OUT_SHARE, BIAS_IN_SHARE, BIAS_SURFACE = 0.27, 0.35, 0.4
BIAS_OUT_H, BIAS_IN_H = 6.0, 3.0
"""How long such a bias lasts (our choice: a night, and part of a day)."""

FAST_H = 0.2
"""Time constant of the fast polarisation: 12 minutes [h] (rest within the hour, a battery maker's FAQ)."""

SLOW_MORE = {False: 0.12, True: 0.02}
"""What a bank holds beyond its 20-hour capacity at slow rates, lead-acid and LiFePO4 (True): 367 Ah at 100 h,
330 Ah at 20 h on one maker's data sheet; 0.02 by its Peukert exponent of 1.01 to 1.05."""

PARAMETER = {name: place for place, name in enumerate(NAMES)}
(MISSING, SURFACE, SLOW_OUT, SLOW_IN, FAST, BIAS_OUT, VAR_OUT, BIAS_IN, VAR_IN, UNSEEN, VAR_UNSEEN, SIDE) = (
    range(12)
)
LN = [place for place, name in enumerate(NAMES) if name.startswith("ln_")]


class Supposed:
    """Supposed banks side by side: rows of constants (`priors.NAMES`) and of state, a column each."""

    def __init__(
        self, constants: Floats, state: Floats, *, lithium: bool, temperature_C: float = 25.0
    ) -> None:
        self._lithium = lithium
        self._deepest = 1.0 + SLOW_MORE[lithium]
        self.temperature_C = temperature_C
        self._cell_V = 0.0
        self._constants, self._state = constants, state
        self._current: Floats = np.zeros(state.shape[1])
        self._overdrawn: Floats = np.zeros(state.shape[1])
        self._unpack_constants()

    def _unpack_constants(self) -> None:
        p = self._constants.copy()
        p[LN] = np.exp(p[LN])
        (
            self._at_25,
            self._per_C,
            self._full_V,
            self._span_V,
            ohm_out,
            ohm_in,
            activation_V,
            end_rise,
            low_knee,
            slow,
            self._slow_h,
            self._surface_V,
            self._surface_h,
            self._taper,
            self._loss,
            self._gas,
            self._full_at,
            self._self_month,
            self._offset,
            self._own,
            self._unseen_mean,
        ) = p
        self._drops = Drops(ohm_out, ohm_in, activation_V, end_rise, low_knee, slow)

    def capacity(self) -> Floats:
        """Present capacity of each supposed bank."""
        return capacity(self._at_25, self._per_C, self.temperature_C)

    def soc(self) -> Floats:
        """State of charge of each supposed bank, 0..1."""
        return np.asarray(np.clip(self._level(), 0.0, 1.0))

    def _level(self) -> Floats:
        """The same below zero, too, where a bank gives at slow rates more than at the 20-hour rate."""
        return np.asarray(1 - self._state[MISSING] / self.capacity())

    def move(self, hours: float, current: Floats, temperature_C: float, lost: Floats | float = 0.0) -> None:
        """Let a span pass at a constant true current of each bank; lost is charge that went otherwise."""
        state = self._state
        self.temperature_C = temperature_C
        self._current = current
        total = self.capacity()
        soc = np.clip(1 - state[MISSING] / total, 0.0, 1.0)
        current_in = np.maximum(current, 0.0)
        current_out = current_in - current
        stored = self._stored(soc, current_in) - current_out
        stored -= self_discharge(self._self_month, temperature_C) * total
        missing = state[MISSING] - stored * hours + lost
        deep = self._deepest
        self._overdrawn = np.maximum(0.0, missing / total - deep)
        state[MISSING] = np.clip(missing, 0.0, deep * total)
        step = 1 - np.exp(-hours / self._slow_h)
        state[SLOW_OUT] += step * (current_out - state[SLOW_OUT])
        state[SLOW_IN] += step * (current_in - state[SLOW_IN])
        state[FAST] += (1 - exp(-hours / FAST_H)) * (current - state[FAST])
        surface = 1 - (1 - state[SURFACE]) * np.exp(-current_in * hours / SURFACE_UP)
        state[SURFACE] = surface * np.exp(-hours / self._surface_h - current_out * hours / SURFACE_DOWN)

    def _stored(self, soc: Floats, current_in: Floats) -> Floats:
        """What of a charging current is stored: not what turns water into gas, and less toward full."""
        left = np.maximum(0.0, current_in - gassing(self._gas, self._cell_V, self.temperature_C))
        return np.asarray(accepted_share(soc, left, self._taper, self._loss) * left)

    def _answer(self, soc: Floats) -> Answer:
        return self._answer_to(soc, 0.5 * (self._current + self._state[FAST]))

    def _answer_to(self, soc: Floats, current: Floats) -> Answer:
        """The voltage under a current, halfway settled."""
        state = self._state
        if self._lithium:
            rest_V = lifepo4_rest_V(np.maximum(soc, 0.0), self._full_V, self._span_V)
        else:
            rest_V = lead_rest_V(soc, self._full_V, self._span_V, self.temperature_C)
        return answer(
            (self._deepest - 1 + soc) / self._deepest,
            rest_V + self._surface_V * state[SURFACE],
            current,
            state[SLOW_OUT],
            state[SLOW_IN],
            self._drops,
            self.temperature_C,
            lithium=self._lithium,
        )

    def _bias_var(self, predicted: Answer, out: Floats) -> Floats:
        """Variance of what the voltage model cannot know of each bank, by whether it discharges."""
        return np.where(
            out,
            BIAS_OUT_V[self._lithium] ** 2
            + (BIAS_OUT_SHARE * predicted.drop_V) ** 2
            + (BIAS_SURFACE * self._surface_V * self._state[SURFACE]) ** 2,
            BIAS_IN_V[self._lithium] ** 2 + (BIAS_IN_SHARE * predicted.rise_V) ** 2,
        )
