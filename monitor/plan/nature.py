"""How a bank gives and takes over whole days: the estimator's own constants, as plain numbers. Pure.

They are the medians of `bank/priors.py` without their spread, so that the plan's reserve is the one that the
page 'Tonight' will show. Charges are shares of the present capacity.
"""

from __future__ import annotations

from math import asinh, exp, sinh
from statistics import fmean

from monitor.bank.priors import ACCEPTANCE_AT_REST, ACCEPTANCE_PER_CURRENT, PRIORS
from monitor.bank.tables import charge_at_rest, rest_voltage_V, self_discharge_per_month
from monitor.site.model import Chemistry

RATED_C = 25.0

LEAST_SHARE = 0.3
"""In the hardest cold the capacity counts as this share, as in the estimator."""

FAR = 20.0
"""So many widths below full nothing of the taper is felt: tanh is 1 to sixteen digits."""

MONTH_DAYS = 730 / 24


def capacity_share(chemistry: Chemistry, temperature_C: float | None) -> float:
    """Capacity at a temperature over the rated one; 1 where it is unknown, and warmth is no gain."""
    if temperature_C is None:
        return 1.0
    per_C = PRIORS[chemistry].capacity_per_C[0]
    return min(1.0, max(LEAST_SHARE, 1 + per_C * (temperature_C - RATED_C)))


def giving_cell_V(chemistry: Chemistry, lowest: float) -> float:
    """Mean voltage of a cell that slow loads take from full down to a charge (rest curves, `bank/tables`)."""
    steps = 10
    return fmean(rest_voltage_V(chemistry, 1 - (1 - lowest) * (step + 0.5) / steps) for step in range(steps))


def cut_off(chemistry: Chemistry, disconnect_cell_V: float | None) -> float:
    """The charge at which a controller has cut slow loads off, by the rest curve; 0 without a controller's
    disconnect: then the loads go on until the bank is empty."""
    return 0.0 if disconnect_cell_V is None else charge_at_rest(chemistry, disconnect_cell_V)


def stored(chemistry: Chemistry, missing: float, offered: float, hours: float) -> float:
    """What of a charge that is offered evenly over some hours the bank keeps: most of it far below full, ever
    less toward full.

    The estimator's acceptance (`bank/cell.accepted_share`) summed up: d missing = -(1 - loss) tanh(missing /
    width) d offered gives sinh(missing / width) falling by the factor exp(-(1 - loss) offered / width).
    """
    priors = PRIORS[chemistry]
    kept = 1 - exp(priors.ln_loss[0])
    width = exp(priors.ln_taper[0]) * (ACCEPTANCE_AT_REST + ACCEPTANCE_PER_CURRENT * offered / hours)
    straight = missing - kept * offered
    if straight > FAR * width:
        return kept * offered
    # far below full sinh is half an exponential: the part above FAR widths falls in a straight line
    above = max(0.0, missing / width - FAR)
    left = asinh(sinh(missing / width - above) * exp(above - kept * offered / width))
    return missing - width * left


def lost_a_day(chemistry: Chemistry, temperature_C: float | None) -> float:
    """What a bank loses by itself in a day; at room temperature where its own is unknown."""
    return (
        self_discharge_per_month(chemistry, RATED_C if temperature_C is None else temperature_C) / MONTH_DAYS
    )
