"""The loads that the site file declares: they stand in for nights not known yet, and can be switched off.

Pure. Currents in A.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

import numpy as np

from monitor.bank.cell import Floats
from monitor.outlook.past import DAY, Singles
from monitor.site.model import Load, Site

STAND_INS = 12
"""So many days of the declared loads, from sparing to generous (our choice)."""

GUESSED_USE, GUESSED_FACTOR = 0.006, 2.1
"""The guess: a seventh of the capacity a day, as `priors.USUAL_UNSEEN` (our choice)."""

DUSK_H, EVENING_H = 18.0, 12.0
"""Declared loads of up to so many hours a day burn from about dusk on, others around the clock (our
choice)."""


def stand_ins(site: Site, capacity_Ah: float, first: int) -> Floats:
    """Days of the declared loads, or of a wide guess, each from local slot `first` on for 24 hours."""
    spreads = np.linspace(-1.5, 1.5, STAND_INS)
    own_A = site.metering.monitor_power_W / site.bank.voltage_V
    if not site.loads:
        level = np.maximum(own_A, GUESSED_USE * capacity_Ah * GUESSED_FACTOR**spreads)
        return np.tile(level[:, None], (1, DAY))
    days = np.full((STAND_INS, DAY), own_A)
    for number, spread in enumerate(spreads):
        for load in site.loads_at_bank:
            days[number] += _declared_A(load, site.bank.voltage_V, spread)
    return np.roll(days, -first, axis=1)


def _declared_A(load: Load, bank_V: float, spread: float) -> Floats:
    """A declared load by the slots of a local day: around the clock, or some hours in the evening."""
    hours = min(24.0, load.hours_per_day * 1.3**spread)
    current_A = load.power_W * load.count / bank_V
    if load.hours_per_day > EVENING_H:
        return np.full(DAY, current_A * hours / 24)
    begin = DUSK_H - 0.5 + 0.7 * (-spread if spread < 0 else spread)
    at = (np.arange(DAY) / 12 - begin) % 24
    return np.where(at < hours, current_A, 0.0)


def switched_off(drawn_A: Singles, loads: Sequence[Load], bank_V: float, least_A: float) -> Singles:
    """The loads without these, where they are likely on: nothing below what is always drawn.

    drawn_A has a row a slot. What runs some hours a day can save no more hours than those; of the slots, the
    ones in which most is drawn, the earlier first.
    """
    floor_A = np.minimum(drawn_A, least_A)
    left_A = drawn_A
    for load in loads:
        less_A = load.power_W * load.count / bank_V
        if load.hours_per_day > EVENING_H:
            left_A = np.maximum(floor_A, left_A - less_A * load.hours_per_day / 24)
            continue
        on = np.argsort(-left_A, axis=0, kind="stable")[: ceil(12 * load.hours_per_day)]
        saved_A = np.maximum(np.take_along_axis(floor_A, on, 0), np.take_along_axis(left_A, on, 0) - less_A)
        left_A = left_A.copy()
        np.put_along_axis(left_A, on, saved_A, 0)
    return np.asarray(left_A, dtype=np.float32)
