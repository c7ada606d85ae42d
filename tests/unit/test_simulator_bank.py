"""The simulated banks: charge is conserved, state of charge stays a share, no energy comes from nowhere."""

from __future__ import annotations

from random import Random

import pytest

from simulator.bank import CHEMISTRIES, PUBLISHED, BankSettings, draw_constants
from simulator.banks import build_bank

SEED = 20261125


def settings(chemistry="flooded", soc=0.7, **other):
    values = {
        "chemistry": chemistry,
        "unit_voltage_V": 12.8 if chemistry == "lifepo4" else 6,
        "unit_capacity_Ah": 225,
        "units_in_series": 1 if chemistry == "lifepo4" else 2,
        "strings_in_parallel": 2,
        "start_soc": soc,
        "constants": "published",
        "health": 1.0,
        "midpoint_offset_V": 0.0,
    }
    return BankSettings(**{**values, **other})


def bank_of(chemistry="flooded", soc=0.7, temperature_C=25.0, **other):
    return build_bank(settings(chemistry, soc, **other), temperature_C, Random(SEED))


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_charge_changes_only_by_what_is_stored(chemistry):
    rng = Random(SEED)
    bank = bank_of(chemistry)
    missing = bank.removed_Ah
    booked = 0.0
    for _ in range(3000):
        current_A = rng.uniform(-25, 40)
        hours = rng.choice((1 / 3600, 5 / 3600, 1 / 60))
        step = bank.step(current_A, hours, rng.uniform(-5, 35))
        # what the terminals carried is either in the bank, out again, or gone as gas
        assert step.accepted_Ah + step.gassed_Ah - step.delivered_Ah == pytest.approx(
            current_A * hours, abs=1e-9
        )
        assert step.stored_Ah == pytest.approx(step.accepted_Ah - step.delivered_Ah - step.self_discharged_Ah)
        assert 0 <= bank.state_of_charge <= 1, f"seed {SEED}"
        booked += step.stored_Ah
    assert missing - bank.removed_Ah == pytest.approx(booked, abs=1e-6), f"seed {SEED}"


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
@pytest.mark.parametrize(("current_A", "lowest", "highest"), [(60.0, 0.95, 1.0), (-60.0, 0.0, 0.08)])
def test_state_of_charge_stays_a_share_under_abuse(chemistry, current_A, lowest, highest):
    bank = bank_of(chemistry)
    for _ in range(1500):
        bank.step(max(current_A, -bank.largest_discharge_A(1 / 60)), 1 / 60, 20)
        assert 0 <= bank.state_of_charge <= 1
    assert lowest <= bank.state_of_charge <= highest


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
@pytest.mark.parametrize("current_A", [4.0, 22.0])
def test_a_cycle_gives_less_energy_and_charge_than_it_took(chemistry, current_A):
    bank = bank_of(chemistry, soc=0.9)
    out_Wh = out_Ah = in_Wh = in_Ah = 0.0
    start = bank.removed_Ah
    while bank.removed_Ah < start + 0.3 * bank.settings.capacity_Ah:
        out_Wh -= bank.voltage_V(-current_A) * -current_A / 60
        out_Ah += current_A / 60
        bank.step(-current_A, 1 / 60, 20)
    while bank.removed_Ah > start:
        in_Wh += bank.voltage_V(current_A) * current_A / 60
        in_Ah += current_A / 60
        bank.step(current_A, 1 / 60, 20)
    assert in_Ah > out_Ah
    assert 0.6 < out_Wh / in_Wh < 0.99


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_voltage_rises_with_current(chemistry):
    for soc in (0.2, 0.5, 0.9, 0.99):
        bank = bank_of(chemistry, soc=soc)
        for _ in range(30):
            bank.step(15, 1 / 60, 20)
        volts = [bank.voltage_V(amps) for amps in range(-40, 41)]
        assert volts == sorted(volts)


def test_two_six_volt_units_in_series_make_twelve_volts_at_unchanged_ampere_hours():
    # common practice, no source
    one = settings(units_in_series=1, strings_in_parallel=1)
    pair = settings(units_in_series=2, strings_in_parallel=1)
    side_by_side = settings(units_in_series=1, strings_in_parallel=2)
    assert pair.capacity_Ah == one.capacity_Ah == 225
    assert pair.cells == 2 * one.cells == 6
    assert side_by_side.capacity_Ah == 450
    assert side_by_side.cells == one.cells
    single, double = build_bank(one, 25, Random(SEED)), build_bank(pair, 25, Random(SEED))
    assert double.voltage_V(-5) == pytest.approx(2 * single.voltage_V(-5))
    parallel = build_bank(side_by_side, 25, Random(SEED))
    assert parallel.voltage_V(-10) == pytest.approx(single.voltage_V(-5))


def test_a_hard_worked_bank_recovers_at_rest():
    # common practice, no source: voltage climbs back after a heavy load is switched off
    bank = bank_of(soc=0.6)
    for _ in range(90):
        bank.step(-60, 1 / 60, 20)
    just_off = bank.voltage_V(0.0)
    for _ in range(600):
        bank.step(0.0, 1 / 60, 20)
    assert bank.voltage_V(0.0) > just_off + 0.05


def test_a_charged_bank_settles_at_rest():
    bank = bank_of(soc=0.6)
    for _ in range(120):
        bank.step(30, 1 / 60, 20)
    just_off = bank.voltage_V(0.0)
    for _ in range(24 * 60):
        bank.step(0.0, 1 / 60, 20)
    assert bank.voltage_V(0.0) < just_off - 0.1


def test_a_flooded_bank_in_storage_loses_ten_percent_a_month():
    # 10 to 12 %/month at 25 °C: a battery maker's manual
    bank = bank_of(soc=1.0)
    for _ in range(30 * 24):
        bank.step(0.0, 1.0, 25)
    assert 0.10 <= 1 - bank.state_of_charge <= 0.12


def test_cold_takes_capacity_and_not_charge():
    bank = bank_of(soc=0.8, temperature_C=25)
    before = bank.removed_Ah
    for _ in range(48):
        bank.step(0.0, 1.0, -5)
    assert bank.temperature_C == pytest.approx(-5, abs=1.0)
    assert bank.capacity_Ah == pytest.approx(450 * 0.85, rel=0.02)
    assert bank.removed_Ah - before < 450 * 0.01
    assert bank.state_of_charge < 0.8 - 0.03


def test_gassing_warms_the_bank():
    bank = bank_of(soc=1.0, temperature_C=20)
    for _ in range(8 * 60):
        bank.step(20, 1 / 60, 20)
    assert bank.temperature_C > 25


def test_drawn_banks_differ_by_seed_and_stay_within_the_published_ranges():
    drawn = [draw_constants("flooded", Random(seed)) for seed in range(200)]
    assert draw_constants("flooded", Random(7)) == draw_constants("flooded", Random(7))
    assert len({one.rest_full_V for one in drawn}) == 200
    for one in drawn:
        assert 2.085 <= one.rest_full_V <= 2.15  # Copetti 1993 to strong acid
        assert 0.05 <= one.self_discharge <= 0.15  # a battery maker's guide, a month
        assert 0.8 <= one.health <= 1.0
    assert PUBLISHED["flooded"] not in drawn


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_drawn_banks_keep_the_laws(chemistry):
    for seed in range(12):
        rng = Random(seed)
        bank = build_bank(settings(chemistry, 0.6, constants="drawn"), 15, rng)
        for _ in range(400):
            current_A = rng.uniform(-20, 30)
            assert bank.voltage_V(current_A) < bank.voltage_V(current_A + 1), f"seed {seed}"
            bank.step(current_A, 1 / 60, 15)
            assert 0 <= bank.state_of_charge <= 1, f"seed {seed}"
