"""A capacity test beside a maker's capacities at several rates, worksheets' cold and rest voltages.

[guide] is one battery maker's guide and data sheet, [manual] another's manual, seen unless 'secondary source'
stands beside.
"""

from __future__ import annotations

import pytest

from monitor.care.capacity import Discharge, NoCapacity, measured_capacity
from monitor.care.stopping import copetti_cell_V, safe_cell_V
from monitor.site.model import Meters

EXACT = Meters(current_gain_tolerance=0.0, current_offset_tolerance_A=0.0)
WARM_C = 26.7
"""80 °F, where the published capacities hold."""


@pytest.mark.parametrize(("hours", "taken_Ah"), [(5, 271), (10, 304), (20, 330), (100, 367)])
def test_one_battery_has_one_capacity_at_any_rate(hours: float, taken_Ah: float) -> None:
    # [guide]: 271/304/330/367 Ah at 5/10/20/100 h of one battery; 2 % since one exponent serves 5 to 20 h
    found = measured_capacity("flooded", EXACT, Discharge(taken_Ah, hours, WARM_C, None))
    assert found.capacity_Ah == pytest.approx(330, rel=0.02)
    assert abs(found.capacity_Ah - 330) < 2 * found.sd_Ah


@pytest.mark.parametrize(
    ("fahrenheit", "multiplier"),
    # battery-bank worksheets of the trade, two copies (read)
    [(80, 1.00), (60, 1.11), (40, 1.30), (20, 1.59)],
)
def test_the_cold_is_taken_off(fahrenheit: float, multiplier: float) -> None:
    cold = Discharge(330 / multiplier, 20, (fahrenheit - 32) / 1.8, None)
    assert measured_capacity("flooded", EXACT, cold).capacity_Ah == pytest.approx(330, rel=0.001)


def test_near_room_temperature_the_makers_own_rule_says_the_same() -> None:
    # [guide]: minutes corrected by 1 - 0.009 (T - 27), valid from 24 to 32 °C: 1.027 at 24 °C
    found = measured_capacity("flooded", EXACT, Discharge(300, 20, 24, None))
    assert found.capacity_Ah / 300 == pytest.approx(1.027, abs=0.01)


@pytest.mark.parametrize(("block_V", "taken"), [(12.24, 0.4), (12.10, 0.5), (11.96, 0.6), (11.81, 0.7)])
def test_a_gentle_test_goes_by_the_rest_voltage(block_V: float, taken: float) -> None:
    # [guide] table of rest voltages of a 12 V block at 80 °F (secondary source); any rate, any temperature
    found = measured_capacity("flooded", EXACT, Discharge(330 * taken, 9, None, block_V / 6))
    assert found.capacity_Ah == pytest.approx(330, rel=0.001)


def test_a_deeper_test_is_surer() -> None:
    shallow = measured_capacity("flooded", EXACT, Discharge(132, 9, None, 12.24 / 6))
    deep = measured_capacity("flooded", EXACT, Discharge(231, 9, None, 11.81 / 6))
    assert deep.sd_Ah < shallow.sd_Ah
    # 7.4 % of rest voltage (5 % from memory; 5.5 % of acid: two makers' gravities at half charge, 1.172 from
    # memory and 1.190 read) and 3 % of full, over the 70 % that were taken: 11.4 % (by hand)
    assert deep.sd_Ah / deep.capacity_Ah == pytest.approx(0.114, abs=0.001)


def test_the_meters_faults_widen_the_band() -> None:
    # 5 % gain, 0.5 A offset over 20 h of 16.5 A (3 %): with 3 % of full at least the root of their squares
    meters = Meters(current_gain_tolerance=0.05, current_offset_tolerance_A=0.5)
    found = measured_capacity("flooded", meters, Discharge(330, 20, WARM_C, None))
    assert found.sd_Ah / found.capacity_Ah == pytest.approx((0.05**2 + 0.0303**2 + 0.03**2) ** 0.5, abs=0.002)


@pytest.mark.parametrize(
    ("chemistry", "test", "reason"),
    [
        ("lifepo4", Discharge(80, 10, 20, None), "LiFePO4"),
        ("flooded", Discharge(50, 10, 20, 12.5 / 6), "go on for longer"),
        ("flooded", Discharge(100, 2, 20, None), "5 to 100 h"),
        ("flooded", Discharge(100, 10, None, None), "temperature was not measured"),
        ("flooded", Discharge(100, 10, -20, None), "warmer days"),
        ("flooded", Discharge(0, 10, 20, None), "nothing was taken"),
    ],
)
def test_what_tells_no_capacity_is_said_with_the_reason(chemistry, test, reason) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(NoCapacity, match=reason):
        measured_capacity(chemistry, EXACT, test)


@pytest.mark.parametrize(
    ("charge", "current_A", "cell_V"),
    # Copetti, Lorenzo, Chenlo 1993, its equation worked by itself: C10 = 100 Ah, 25 °C
    [(1.0, 1, 2.0621), (0.8, 5, 2.0192), (0.5, 5, 1.9638), (0.5, 10, 1.9275), (0.2, 10, 1.6660)],
)
def test_the_voltage_under_load_is_copettis(charge: float, current_A: float, cell_V: float) -> None:
    assert copetti_cell_V(charge, current_A / 100, current_A, 25.0) == pytest.approx(cell_V, abs=1e-4)


def test_the_safe_voltage_lies_where_makers_set_the_loads_disconnect() -> None:
    # [manual]: 1.85 to 1.95 V a cell; at a twentieth of the capacity, in a room
    assert 1.85 <= safe_cell_V("flooded", 330, 330 / 20, 20) <= 1.95


def test_the_safe_voltage_falls_with_the_current_and_the_cold_but_never_below_the_rated_end() -> None:
    rates = [safe_cell_V("flooded", 330, amperes, 20) for amperes in (5, 16.5, 33)]
    assert rates == sorted(rates, reverse=True)
    assert safe_cell_V("flooded", 330, 16.5, -5) < safe_cell_V("flooded", 330, 16.5, 20)
    assert safe_cell_V("flooded", 330, 300, 20) == 1.75  # [manual]: the common end of a rated discharge
    assert safe_cell_V("flooded", 330, 16.5, None) == safe_cell_V("flooded", 330, 16.5, 20)
