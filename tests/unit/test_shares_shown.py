"""A share is 0..1 in the store and percent for a person; the quantity itself says that it is one."""

from __future__ import annotations

import pytest

from dashboard.words import shown
from monitor.alarms.rule import Rule
from monitor.quantities import QUANTITIES


def test_what_is_a_share_and_what_a_code() -> None:
    shares = {name for name, quantity in QUANTITIES.items() if quantity.is_share}
    assert {"state_of_charge", "conversion_efficiency"} <= shares
    assert not shares & {"charge_stage", "fault_bits", "battery_voltage_V"}


@pytest.mark.parametrize("name", [name for name, quantity in QUANTITIES.items() if quantity.is_share])
def test_a_share_is_told_in_percent(name: str) -> None:
    rule = Rule("Own", name, "above", 0.6, deadband=0.1, on_delay_s=0, off_delay_s=0, priority="low")
    assert rule.says(0.627) == "Own: 62.7 % is above 60 %"
    assert shown(0.627, name) == "63 %"
