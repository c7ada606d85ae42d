"""Supposed banks that run on without readings: what the loads and the sun of the coming hours do to them.

The outlook's half of the estimator: the same cells (`supposed.py`), moved by currents that are supposed
instead of read, and no voltage to weigh them by. What the voltage model was off by at the last reading fades
into what it may be off by at any time. Charges and currents are shares of the rated 20-hour capacity, as in
`priors.py`.
"""

from __future__ import annotations

from math import exp, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.bank.cell import Floats
from monitor.bank.quantiles import median
from monitor.bank.supposed import (
    BIAS_IN,
    BIAS_IN_H,
    BIAS_OUT,
    BIAS_OUT_H,
    FAST,
    VAR_IN,
    VAR_OUT,
    Supposed,
)

Flags = NDArray[np.bool_]

Past = Literal["nothing", "own", "straight", "loads"]
"""What flows out past the meters: nothing, what monitor and controller take, beside it what is wired
straight to the bank, all loads."""

LATER = 0.8
"""The deviation of later hours as a share of that of any hour: a night's drops are like those of the nights
from which the constants were learnt (our choice)."""

TRIES = 5
"""Halvings of the current's span at a set point (our choice: to 3 % of what the array offers)."""


class Ahead(Supposed):
    """Supposed banks on their way into the coming hours, one element of every array a bank."""

    def __init__(
        self,
        constants: Floats,
        state: Floats,
        *,
        lithium: bool,
        temperature_C: float,
        cell_V: float,
        past: Past,
        rng: np.random.Generator,
    ) -> None:
        super().__init__(constants, state, lithium=lithium, temperature_C=temperature_C)
        self._cell_V = cell_V
        self._hours = 0.0
        count = state.shape[1]
        self.count = count
        self._bias_out = state[BIAS_OUT] + np.sqrt(state[VAR_OUT]) * rng.standard_normal(count)
        self._bias_in = state[BIAS_IN] + np.sqrt(state[VAR_IN]) * rng.standard_normal(count)
        self._later = LATER * rng.standard_normal(count)
        # where no meter sees the loads, a bank that supposes larger drops supposes smaller loads
        self.load_share: Floats = np.ones(count)
        self.load_more: Floats = np.zeros(count)
        if past == "loads":
            self.load_share = self._unseen_mean / float(self._unseen_mean.mean())
        elif past != "nothing":
            self.load_more = self._own - float(self._own.mean())

    def drawn(self, load: Floats) -> Floats:
        """What truly flows to the loads of each bank, if meters tell `load`: the meter's zero is in it."""
        return np.asarray(np.maximum(0.0, load * self.load_share + self.load_more + self._offset))

    def advance(self, hours: float, charge: Floats | float, drawn: Floats, temperature_C: float) -> None:
        """Let a span pass in which the controller gives charge and the loads take `drawn`."""
        self.move(hours, np.asarray(charge - drawn), temperature_C)
        self._hours += hours

    def taken(self, offered: Floats, drawn: Floats, limit_cell_V: Floats) -> tuple[Floats, Flags]:
        """What a controller passes on of an offered current without lifting a cell above its set point.

        Returns the current and whether the set point holds it back.
        """
        soc = self._level()

        def voltage(charge: Floats) -> Floats:
            told = self._answer_to(soc, charge - drawn)
            return np.asarray(told.rest_V - told.drop_V + told.rise_V)

        held = voltage(offered) > limit_cell_V
        if not held.any():
            return offered, held
        low, high = np.zeros(self.count), offered
        for _ in range(TRIES):
            middle = 0.5 * (low + high)
            above = voltage(middle) > limit_cell_V
            low, high = np.where(above, low, middle), np.where(above, middle, high)
        return np.where(held, 0.5 * (low + high), offered), held

    def cell_V(self) -> Floats:
        """Each bank's mean voltage of the span just passed, as the meter would show it."""
        told = self._answer(self._level())
        out = self._current + self._state[FAST] <= 0.0
        spread = np.sqrt(self._bias_var(told, out))
        keep_out, keep_in = exp(-self._hours / BIAS_OUT_H), exp(-self._hours / BIAS_IN_H)
        bias = np.where(
            out,
            keep_out * self._bias_out + sqrt(1 - keep_out**2) * self._later,
            keep_in * self._bias_in + sqrt(1 - keep_in**2) * self._later,
        )
        shown = told.rest_V - told.drop_V + told.rise_V + spread * bias
        self._cell_V = float(median(shown))
        return np.asarray(shown)
