"""Derived quantities: what no device gives, from what they give."""

import pytest

from monitor.derive import conversion_efficiency, derived_readings, net_current
from monitor.records import Quality

CONTROLLER_SEES_ALL = {
    "battery_voltage_V": 12.5,
    "charge_current_A": 10.0,
    "load_current_A": 3.0,
    "array_voltage_V": 18.0,
    "array_current_A": 7.2,
}


def by_name(readings):
    return {reading.quantity: reading for reading in readings}


def test_net_current_is_charge_minus_load_minus_the_monitors_own_draw():
    # by hand: 10 A - 3 A - 2.5 W / 12.5 V = 6.8 A
    assert net_current(CONTROLLER_SEES_ALL, "controller", 2.5).current_A == pytest.approx(6.8)


def test_net_current_is_unknown_where_the_loads_are_not_metered():
    net = by_name(derived_readings(CONTROLLER_SEES_ALL, 0, "charging", 2.0))["battery_current_A"]
    assert (net.value, net.quality) == (None, Quality.MISSING)
    assert net.reason == "the loads are not metered"


def test_a_measured_net_current_is_never_overwritten():
    present = CONTROLLER_SEES_ALL | {"battery_current_A": 6.5}
    derived = by_name(derived_readings(present, 0, "shunt", 2.0))
    assert "battery_current_A" not in derived
    assert derived["battery_power_W"].value == pytest.approx(6.5 * 12.5)


def test_powers_are_volts_times_amperes():
    derived = by_name(derived_readings(CONTROLLER_SEES_ALL, 0, "controller", 0.0))
    assert derived["array_power_W"].value == pytest.approx(18.0 * 7.2)
    assert derived["charge_power_W"].value == pytest.approx(125.0)
    assert derived["load_power_W"].value == pytest.approx(37.5)


def test_array_watts_times_efficiency_are_charge_watts():
    # common practice, no source: what leaves a converter is what enters it times its efficiency
    derived = by_name(derived_readings(CONTROLLER_SEES_ALL, 0, "controller", 0.0))
    array_W, efficiency = derived["array_power_W"].value, derived["conversion_efficiency"].value
    assert array_W * efficiency == pytest.approx(derived["charge_power_W"].value)


def test_no_efficiency_is_claimed_from_a_few_watts():
    assert conversion_efficiency(3.0, 2.0) is None


def test_more_out_than_in_is_kept_but_suspect():
    present = {"array_power_W": 100.0, "charge_power_W": 130.0}
    efficiency = by_name(derived_readings(present, 0, "shunt", 0.0))["conversion_efficiency"]
    assert (efficiency.value, efficiency.quality) == (pytest.approx(1.3), Quality.SUSPECT)
    assert "outside" in efficiency.reason
