"""Mistakes and hands in the simulated supply: each does what it would do to a real one."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from simulator.plant import Plant
from simulator.scenario import load_world
from simulator.sky import WeatherSpan

NOON_MS = round(datetime(2026, 6, 21, 11, tzinfo=UTC).timestamp() * 1000)


def plant_of(start_soc=0.5, **wiring):
    """The built-in hide at noon under a clear sky, with half-empty batteries that take all."""
    world = load_world(None, NOON_MS, NOON_MS, 1)
    world = replace(
        world,
        weather=(WeatherSpan(30, 0, "clear"),),
        bank=replace(world.bank, start_soc=start_soc),
        wiring=replace(world.wiring, **wiring),
    )
    plant = Plant(world)
    after(plant)
    return plant


def after(plant, seconds=20):
    """What is true so much later."""
    for _ in range(seconds // 2):
        plant.step(plant.time_ms + 2000)
    return plant.truth


def test_a_covered_panel_takes_its_string_with_it():
    plant = plant_of()
    free_A = plant.truth.array_current_A
    plant.handle(lambda hands: hands.covered.add(2))
    assert after(plant).array_current_A == pytest.approx(free_A * 2 / 3, rel=0.02)  # two of three strings
    plant.handle(lambda hands: hands.covered.add(7))  # a string that is not there
    assert after(plant).array_current_A == pytest.approx(free_A * 2 / 3, rel=0.02)
    plant.handle(lambda hands: hands.covered.clear())
    assert after(plant).array_current_A == pytest.approx(free_A, rel=0.02)


def test_an_open_array_gives_no_voltage_whatever_is_switched():
    plant = plant_of(array_switch=False)
    plant.handle(lambda hands: setattr(hands, "array_off", False))
    assert after(plant).array_voltage_V == 0
    assert plant.truth.charge_current_A == 0


def test_without_a_bank_the_array_carries_the_loads_or_all_is_dark():
    plant = plant_of(battery_switch=False)
    assert plant.truth.powered
    assert plant.truth.battery_current_A == 0
    assert plant.truth.battery_voltage_V == pytest.approx(plant.truth.absorption_set_V)
    plant.handle(lambda hands: setattr(hands, "array_off", True))
    dark = after(plant)
    assert not dark.powered
    assert dark.battery_voltage_V == 0
    assert dark.posts_voltage_V > 11  # the bank itself still stands


def test_a_string_alone_stands_lower_under_load_and_none_is_no_bank():
    plant = plant_of()
    plant.handle(lambda hands: setattr(hands, "array_off", True))
    plant.loads.set("pump", True)
    both = after(plant).battery_voltage_V
    plant.handle(lambda hands: hands.strings_off.add(1))
    assert 0 < after(plant).battery_voltage_V < both
    plant.handle(lambda hands: hands.strings_off.add(2))
    assert not after(plant).powered


def test_leads_part_the_controllers_voltage_from_the_posts_by_ohms_law():
    plant = plant_of(bank_lead_ohm=0.02)
    truth = plant.truth
    assert truth.battery_voltage_V - truth.posts_voltage_V == pytest.approx(0.02 * truth.battery_current_A)
    assert truth.battery_current_A > 10


def test_a_shunt_sees_what_goes_through_it_as_it_is_turned():
    right = plant_of().truth
    charge_A, loads_A = right.charge_current_A, right.load_current_A + right.unseen_load_A
    for wiring, seen_A in (
        ({}, charge_A - loads_A),
        ({"shunt_reversed": True}, loads_A - charge_A),
        ({"shunt_sees": "charge"}, charge_A),
        ({"shunt_sees": "loads"}, -loads_A),
    ):
        assert plant_of(**wiring).truth.shunt_current_A == pytest.approx(seen_A, rel=1e-6)


@pytest.mark.parametrize(("spot", "warms"), [("bank", True), ("controller", False), ("air", False)])
def test_a_hand_warms_only_a_probe_on_the_bank(spot, warms):
    plant = plant_of(probe_at=spot)
    start_C = plant.truth.probe_temperature_C
    plant.handle(lambda hands: setattr(hands, "on_probe", True))
    assert (after(plant, 40).probe_temperature_C - start_C > 1) is warms
