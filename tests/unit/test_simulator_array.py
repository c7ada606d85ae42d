"""The simulated array keeps to its data sheet and to what the trade knows of panels."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simulator.array import Array, ArraySettings

PANEL = ArraySettings(150, 22.3, 8.6, 18.2, 8.25, -0.0030, -0.0040, 1, 1, 35, 180, 45)


def array_of(series=1, parallel=1):
    return Array(replace(PANEL, panels_in_series=series, strings_in_parallel=parallel))


def test_it_gives_its_data_sheet_values_at_standard_conditions():
    best = array_of().maximum_power(1000, 25)
    assert best.voltage_V == pytest.approx(18.2, abs=1e-6)
    assert best.current_A == pytest.approx(8.25, abs=1e-6)
    assert array_of().open_circuit_V(1000, 25) == pytest.approx(22.3)
    assert array_of().at_voltage(0.0, 1000, 25).current_A == pytest.approx(8.6, rel=1e-6)


@pytest.mark.parametrize("cell_C", [5, 15, 35, 60])
def test_power_and_open_voltage_follow_their_coefficients(cell_C):
    best = array_of().maximum_power(1000, cell_C)
    assert best.power_W == pytest.approx(150.15 * (1 - 0.0040 * (cell_C - 25)), rel=0.01)
    assert array_of().open_circuit_V(1000, cell_C) == pytest.approx(22.3 * (1 - 0.0030 * (cell_C - 25)))


def test_two_like_panels_in_parallel_add_their_watts_at_unchanged_voltage():
    # common practice, no source
    one, two = array_of().maximum_power(700, 20), array_of(parallel=2).maximum_power(700, 20)
    assert two.power_W == pytest.approx(2 * one.power_W)
    assert two.voltage_V == pytest.approx(one.voltage_V)


def test_two_like_panels_in_series_add_their_volts_at_unchanged_current():
    # common practice, no source
    one, two = array_of().maximum_power(700, 20), array_of(series=2).maximum_power(700, 20)
    assert two.voltage_V == pytest.approx(2 * one.voltage_V)
    assert two.current_A == pytest.approx(one.current_A)


def test_in_rain_a_panel_still_shows_near_open_circuit_voltage_at_a_few_percent_of_rated_current():
    # common practice, no source
    for irradiance in (30, 60):
        assert array_of().open_circuit_V(irradiance, 12) > 0.85 * 22.3
        assert 0.02 < array_of().maximum_power(irradiance, 12).current_A / 8.25 < 0.08


def test_no_point_beats_the_maximum():
    array = array_of(2, 3)
    for irradiance in (5, 80, 400, 1000, 1200):
        best = array.maximum_power(irradiance, 30)
        powers = [
            array.at_voltage(best.voltage_V * share, irradiance, 30).power_W
            for share in (0.9, 0.97, 1.03, 1.1)
        ]
        assert max(powers) < best.power_W
        assert array.at_voltage(best.voltage_V, irradiance, 30).current_A == pytest.approx(
            best.current_A, rel=1e-4
        )


def test_a_throttled_array_gives_just_what_is_asked_at_a_higher_voltage():
    array = array_of()
    best = array.maximum_power(800, 25)
    for share in (0.05, 0.5, 0.95, 0.999):
        point = array.at_power(share * best.power_W, 800, 25)
        assert point.power_W == pytest.approx(share * best.power_W, rel=1e-6)
        assert best.voltage_V < point.voltage_V < array.open_circuit_V(800, 25)
    assert array.at_power(2 * best.power_W, 800, 25) == best


def test_the_way_back_from_power_to_irradiance():
    array = array_of(parallel=3)
    for watts in (2.0, 45.0, 300.0, 430.0):
        irradiance = array.irradiance_for(watts, 10)
        cell_C = 10 + 25 / 800 * irradiance
        assert array.maximum_power(irradiance, cell_C).power_W == pytest.approx(watts, rel=1e-4)
    assert array.irradiance_for(0.0, 10) == 0.0


def test_at_night_there_is_nothing():
    array = array_of()
    assert array.maximum_power(0, 5).power_W == array.open_circuit_V(0, 5) == 0
    assert array.at_voltage(12, 0, 5).current_A == 0


def test_a_contradictory_data_sheet_is_refused_with_advice():
    with pytest.raises(ValueError, match=r"panel_imp_A < panel_isc_A.*copy them from one data sheet"):
        Array(replace(PANEL, panel_imp_A=9.0))
