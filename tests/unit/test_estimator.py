"""State of charge, first cut: counted from the last full charge, unknown before."""

import json

import pytest

from monitor.bank.description import BankDescription
from monitor.bank.estimator import COULOMBIC_EFFICIENCY, UNIFORM_SD, BankEstimator
from monitor.bank.sample import BankSample
from monitor.bank.stage import SetPoints
from monitor.quantities import Stage
from monitor.site.model import Meters

BANK = BankDescription(
    chemistry="flooded",
    cells=6,
    capacity_Ah=100.0,
    set_points=SetPoints(14.8, 13.5, 15.5, -0.030),
    absorption_h=2.5,
    tail_current_A=2.0,
    disconnect_V=11.4,
    meters=Meters(),
    monitor_A=0.2,
    use_A=1.0,
    level=None,
)
MINUTE_MS = 60_000


def run(estimator, start_ms, minutes, **sample):
    """Feed the same sample each minute; the last estimate."""
    estimate = None
    for minute in range(1, minutes + 1):
        estimate = estimator.update(BankSample(start_ms + minute * MINUTE_MS, **sample))
    return estimate


def full(estimator, start_ms=0):
    """An hour of absorption at a tail current: the signs of a full bank."""
    return run(
        estimator,
        start_ms,
        60,
        battery_voltage_V=14.8,
        battery_current_A=1.0,
        charge_current_A=1.0,
        battery_temperature_C=25.0,
    )


def test_nothing_is_claimed_before_the_first_full_charge():
    estimate = run(BankEstimator(BANK), 0, 30, battery_voltage_V=12.4, battery_current_A=-2.0)
    assert (estimate.soc, estimate.soc_sd) == (None, None)
    assert estimate.basis == ("no full charge seen yet",)


def test_absorption_held_at_the_tail_current_is_full_and_told_once():
    estimator = BankEstimator(BANK)
    told = [estimator.update(BankSample(at * MINUTE_MS, 14.8, 1.0, 1.0)).became_full for at in range(1, 61)]
    assert sum(told) == 1
    assert estimator.update(BankSample(61 * MINUTE_MS, 14.8, 1.0, 1.0)).soc == 1.0


def test_a_large_current_in_absorption_is_not_full():
    estimate = run(
        BankEstimator(BANK), 0, 120, battery_voltage_V=14.8, battery_current_A=9.0, charge_current_A=9.0
    )
    assert estimate.soc is None


def test_the_controllers_own_float_after_a_long_absorption_is_full():
    estimator = BankEstimator(BANK)
    run(estimator, 0, 45, battery_voltage_V=14.8, battery_current_A=4.0, stage=Stage.ABSORPTION)
    estimate = run(
        estimator, 45 * MINUTE_MS, 1, battery_voltage_V=13.5, battery_current_A=1.0, stage=Stage.FLOAT
    )
    assert (estimate.soc, estimate.became_full) == (1.0, True)


def test_five_amperes_for_four_hours_take_twenty_of_a_hundred_ampere_hours():
    estimator = BankEstimator(BANK)
    full(estimator)
    estimate = run(estimator, 60 * MINUTE_MS, 240, battery_voltage_V=12.3, battery_current_A=-5.0)
    assert estimate.soc == pytest.approx(0.80, abs=1e-6)


def test_charge_given_back_counts_less_by_the_coulombic_efficiency():
    estimator = BankEstimator(BANK)
    full(estimator)
    run(estimator, 60 * MINUTE_MS, 600, battery_voltage_V=12.1, battery_current_A=-5.0)
    estimate = run(
        estimator, 660 * MINUTE_MS, 120, battery_voltage_V=13.2, battery_current_A=10.0, charge_current_A=10.0
    )
    assert estimate.soc == pytest.approx(0.5 + 0.20 * COULOMBIC_EFFICIENCY["flooded"], abs=1e-6)


def test_the_band_widens_with_every_hour_since_full():
    estimator = BankEstimator(BANK)
    just_full = full(estimator)
    later = run(estimator, 60 * MINUTE_MS, 48 * 60, battery_voltage_V=12.5, battery_current_A=-0.5)
    # by hand: 48 h x 50 mA offset = 2.4 Ah and 1 % of 24 Ah = 0.24 Ah of 100, joined with the band at full
    assert later.soc_sd == pytest.approx((just_full.soc_sd**2 + 0.0264**2) ** 0.5, rel=0.01)


def test_a_gap_is_not_counted_but_widens_the_band_and_is_told():
    estimator = BankEstimator(BANK)
    before = full(estimator)
    after = estimator.update(BankSample(66 * 3_600_000 + 60 * MINUTE_MS, 12.4, -5.0))
    assert after.soc == before.soc
    assert after.soc_sd > before.soc_sd
    assert "66.0 h without readings since" in after.basis


def test_no_band_is_wider_than_knowing_nothing():
    estimator = BankEstimator(BANK)
    full(estimator)
    estimate = estimator.update(BankSample(1000 * 3_600_000, 12.4, -5.0))
    assert estimate.soc_sd == pytest.approx(UNIFORM_SD)


def test_a_restart_goes_on_where_it_stopped():
    one = BankEstimator(BANK)
    full(one)
    run(one, 60 * MINUTE_MS, 60, battery_voltage_V=12.4, battery_current_A=-5.0)
    other = BankEstimator(BANK, one.state())
    sample = BankSample(121 * MINUTE_MS, 12.4, -5.0)
    assert other.update(sample) == one.update(sample)


@pytest.mark.parametrize("saved", ["", "no json", "[]", json.dumps({"soc": 0.5, "unknown": 1})])
def test_a_spoilt_saved_state_starts_from_nothing(saved):
    assert BankEstimator(BANK, saved).update(BankSample(0, 12.4)).soc is None


def test_rows_that_repeat_or_go_back_change_nothing():
    estimator = BankEstimator(BANK)
    full(estimator)
    now = run(estimator, 60 * MINUTE_MS, 10, battery_voltage_V=12.4, battery_current_A=-5.0)
    estimator.update(BankSample(65 * MINUTE_MS, 12.4, -500.0))
    estimator.update(BankSample(70 * MINUTE_MS, 12.4, -500.0))
    after = estimator.update(BankSample(71 * MINUTE_MS, 12.4, 0.0))
    assert after.soc == pytest.approx(now.soc, abs=1e-9)


@pytest.mark.parametrize("poison", [float("nan"), float("inf"), -float("inf")])
def test_no_value_poisons_the_state(poison):
    estimator = BankEstimator(BANK)
    full(estimator)
    estimator.update(BankSample(61 * MINUTE_MS, poison, -5.0))
    estimator.update(BankSample(62 * MINUTE_MS, 12.4, poison))
    estimate = estimator.update(BankSample(63 * MINUTE_MS, 12.4, -5.0))
    assert 0 <= estimate.soc <= 1


def test_unseen_loads_are_taken_as_declared_and_widen_the_band():
    estimator = BankEstimator(BANK)
    before = full(estimator)
    after = run(estimator, 60 * MINUTE_MS, 600, battery_voltage_V=12.4, charge_current_A=0.0)
    # by hand: 10 h at the declared 1 A
    assert after.soc == pytest.approx(0.90, abs=1e-6)
    assert after.soc_sd > before.soc_sd + 0.03
