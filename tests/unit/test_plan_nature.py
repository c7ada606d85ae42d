"""A bank over whole days, beside the estimator's own equations taken in small steps."""

from __future__ import annotations

from math import exp

import numpy as np
import pytest

from monitor.bank.cell import accepted_share, capacity
from monitor.bank.priors import PRIORS
from monitor.plan import nature

CASES = [
    (chemistry, missing, offered, hours)
    for chemistry in ("flooded", "agm", "lifepo4")
    for missing, offered, hours in ((0.5, 0.3, 8.0), (0.1, 0.3, 8.0), (0.02, 0.01, 10.0), (0.9, 0.05, 6.0))
]


@pytest.mark.parametrize(("chemistry", "missing", "offered", "hours"), CASES)
def test_what_is_kept_of_a_day_s_charge_is_the_estimator_s_acceptance_summed(
    chemistry, missing, offered, hours
) -> None:
    priors, steps = PRIORS[chemistry], 2_000
    taper, loss = np.array([exp(priors.ln_taper[0])]), np.array([exp(priors.ln_loss[0])])
    left = missing
    for _ in range(steps):
        share = accepted_share(np.array([1 - left]), np.array([offered / hours]), taper, loss)
        left = max(0.0, left - float(share[0]) * offered / steps)
    assert nature.stored(chemistry, missing, offered, hours) == pytest.approx(missing - left, abs=2e-4)


def test_no_more_is_kept_than_is_offered_or_missing() -> None:
    for missing, offered in ((0.0, 0.2), (0.05, 2.0), (0.5, 0.0), (1.0, 0.4)):
        kept = nature.stored("gel", missing, offered, 8.0)
        assert 0 <= kept <= min(missing, offered) + 1e-12


def test_the_cold_takes_what_the_estimator_s_median_takes_and_warmth_gives_nothing() -> None:
    per_C = PRIORS["flooded"].capacity_per_C[0]
    for temperature_C in (-30.0, 0.0, 10.0, 25.0):
        told = capacity(np.array([1.0]), np.array([per_C]), temperature_C)
        assert nature.capacity_share("flooded", temperature_C) == pytest.approx(float(told[0]))
    assert nature.capacity_share("flooded", 40.0) == 1.0
    assert nature.capacity_share("flooded", None) == 1.0


def test_loads_are_cut_where_the_rest_curve_has_the_disconnect_voltage() -> None:
    # a battery maker's table: 11.81 V of a 12 V block at rest are 30 % (secondary source)
    assert nature.cut_off("flooded", 11.81 / 6) == pytest.approx(0.30)
    assert nature.cut_off("flooded", None) == 0.0
