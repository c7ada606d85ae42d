"""The day's ledger from day statistics, at each metering level."""

from datetime import date

import pytest

from monitor.bank.ledger import day_ledger
from monitor.records import DayStat

DAY = date(2026, 11, 20)


def stat(quantity, integral, positive=None, negative=0.0, day=DAY, **kwargs):
    values = {
        "count": 10,
        "minimum": 0.0,
        "min_ms": 0,
        "mean": 0.0,
        "maximum": 0.0,
        "first": 0.0,
        "last": 0.0,
        "covered_s": 86400.0,
    } | kwargs
    return DayStat(
        day,
        "d",
        quantity,
        integral_h=integral,
        positive_h=integral if positive is None else positive,
        negative_h=negative,
        **values,
    )


def test_the_controllers_level_counts_its_metered_load():
    ledger = day_ledger(
        [
            stat("array_power_W", 520.0),
            stat("charge_power_W", 500.0),
            stat("load_power_W", 300.0),
            stat("load_current_A", 24.0),
        ],
        "controller",
    )
    assert (ledger.harvest_Wh, ledger.charge_Wh, ledger.used_Wh, ledger.used_Ah) == (520, 500, 300, 24)


def test_the_shunts_level_counts_what_the_noon_array_fed_straight_to_the_loads():
    # by hand: the controller gave 40 Ah, the bank kept 15 net, so the loads took 25
    ledger = day_ledger(
        [stat("charge_current_A", 40.0), stat("battery_current_A", 15.0, positive=30.0, negative=-15.0)],
        "shunt",
    )
    assert ledger.used_Ah == pytest.approx(25.0)


def test_a_shunt_alone_counts_what_left_the_bank():
    ledger = day_ledger([stat("battery_current_A", 15.0, positive=30.0, negative=-15.0)], "shunt")
    assert ledger.used_Ah == pytest.approx(15.0)


def test_use_is_unknown_where_only_charging_is_metered():
    ledger = day_ledger([stat("charge_current_A", 40.0), stat("load_current_A", 0.0)], "charging")
    assert ledger.used_Ah is None
    assert ledger.used_Wh is None


def test_a_day_without_a_quantity_is_unknown_and_not_zero():
    ledger = day_ledger(
        [stat("battery_voltage_V", 290.0, minimum=12.1, min_ms=5, maximum=14.7)], "controller"
    )
    assert ledger.harvest_Wh is None
    assert (ledger.voltage_min_V, ledger.voltage_min_ms, ledger.voltage_max_V) == (12.1, 5, 14.7)


def test_one_reading_that_covers_no_time_is_no_energy():
    assert day_ledger([stat("array_power_W", 0.0, covered_s=0.0)], "controller").harvest_Wh is None


def test_statistics_of_two_days_are_refused():
    with pytest.raises(ValueError, match="one day"):
        day_ledger([stat("array_power_W", 1.0), stat("array_power_W", 1.0, day=date(2026, 11, 21))], "shunt")
