"""The estimated charge against banks of other physics than the estimator's (tests/banks names their sources).

A few of the records that `python -m tests.bench.charge_error` judges in full. The bounds are wider than what
that prints, so that they hold for any seed; what the plain methods reach on the same records stands beside.
"""

from functools import cache
from statistics import fmean

import pytest

from monitor.bank import estimator
from tests.banks.library import record
from tests.banks.plain_methods import METHODS
from tests.bench.charge_error import estimates_of, run_plain, scored, told

RECORDS = ("ferry_pybamm_24", "van_lithium_12", "lodge_unmetered_12", "hut_flooded_12")
"""PyBaMM's lead-acid model, a LiFePO4 table, Shepherd without metered loads, a third-order circuit."""


@cache
def judged(name, grade):
    kept = record(name, grade)
    estimates, cpu_ms = estimates_of(kept)
    return kept, estimates, scored(kept, "estimator", told(estimates), None, cpu_ms)


@pytest.mark.parametrize("name", RECORDS)
def test_the_charge_is_near_the_truth_and_the_band_holds_it(name):
    _, _, score = judged(name, "coarse")
    assert score.rms < 0.10
    assert score.inside >= 0.65


def test_the_mean_error_is_what_was_aimed_at():
    """Issue targets: at most 7 % RMS in the mean with steps of 0.1 V and 0.1 A."""
    assert fmean(judged(name, "coarse")[2].rms for name in RECORDS) < 0.07


@pytest.mark.parametrize("method", METHODS)
def test_every_plain_method_is_worse(method):
    plain = fmean(run_plain(record(name, "coarse"), method).rms for name in RECORDS)
    assert plain > 1.5 * fmean(judged(name, "coarse")[2].rms for name in RECORDS)


@pytest.mark.parametrize("name", RECORDS)
def test_the_learnt_capacity_lies_within_its_band(name):
    kept, estimates, _ = judged(name, "coarse")
    last, truth = estimates[-1], kept.truth[-1]
    assert abs(last.capacity_Ah - truth.capacity_Ah) <= 2.5 * last.capacity_sd_Ah


def test_where_the_random_numbers_begin_does_not_matter_much(monkeypatch):
    kept, estimates, _ = judged("lodge_unmetered_12", "coarse")
    monkeypatch.setattr(estimator, "SEED", 7)
    others, _ = estimates_of(kept)
    assert fmean(abs(one.soc - other.soc) for one, other in zip(estimates, others, strict=True)) < 0.04
