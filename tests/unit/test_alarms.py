"""Alarm rules and their states: set point, on-delay, deadband, off-delay."""

import pytest

from monitor.alarms.engine import first_state, step
from monitor.alarms.rules import Rule, rules_of
from monitor.site.model import AlarmEntry, Bank, Place, Site

LOW = Rule(
    "Low voltage",
    "battery_voltage_V",
    "below",
    11.7,
    deadband=0.3,
    on_delay_s=120,
    off_delay_s=300,
    priority="high",
)


def play(rule, values, every_s=60):
    """States and events when `values` come one each every_s."""
    state, states, events = first_state(rule, 0), [], []
    for index, value in enumerate(values):
        state, event = step(rule, state, value, index * every_s * 1000)
        states.append(state.state)
        events += [event] if event else []
    return states, events


def test_a_pump_start_shorter_than_the_on_delay_raises_nothing():
    states, events = play(LOW, [12.4, 11.5, 11.5, 12.3, 12.3])
    assert states == ["normal", "waiting", "waiting", "normal", "normal"]
    assert events == []


def test_a_lasting_low_is_raised_once_with_value_and_limit():
    states, events = play(LOW, [12.4, 11.6, 11.6, 11.55, 11.5, 11.5])
    assert states == ["normal", "waiting", "waiting", "active", "active", "active"]
    assert [event.text for event in events] == ["Raised. Low voltage: 11.55 V is below 11.7 V"]


def test_inside_the_deadband_the_alarm_stands():
    states, _ = play(LOW, [11.6, 11.6, 11.6, 11.8, 11.99, 11.75])
    assert states[-1] == "active"


def test_clear_of_the_deadband_for_the_off_delay_it_goes():
    states, events = play(LOW, [11.6] * 3 + [12.1] * 6)
    assert states == ["waiting", "waiting", "active"] + ["clearing"] * 5 + ["normal"]
    assert events[-1].text == "Cleared at 12.1 V."


def test_a_dip_while_clearing_keeps_it_raised_without_a_second_event():
    states, events = play(LOW, [11.6] * 3 + [12.1, 12.1, 11.5, 12.1])
    assert states[-4:] == ["clearing", "clearing", "active", "clearing"]
    assert len(events) == 1


def test_a_standing_alarm_keeps_the_time_at_which_the_value_went_beyond():
    state = first_state(LOW, 0)
    assert not state.stands
    for at_min, value in enumerate([12.4, 11.6, 11.6, 11.6, 12.1, 11.6, 12.1, 12.1]):
        state, _ = step(LOW, state, value, at_min * 60_000)
    assert (state.state, state.stands, state.raised_ms) == ("clearing", True, 60_000)
    for at_min in range(8, 14):
        state, _ = step(LOW, state, 12.1, at_min * 60_000)
    assert (state.state, state.stands, state.raised_ms) == ("normal", False, None)


def test_a_value_from_before_the_state_changes_nothing():
    state, _ = step(LOW, first_state(LOW, 0), 11.5, 60_000)
    assert step(LOW, state, 12.6, 59_000) == (state, None)


def site(chemistry="flooded", units=2, alarms=()):
    bank = Bank(chemistry=chemistry, unit_voltage_V=6, unit_capacity_Ah=225, units_in_series=units)
    return Site(
        site=Place(name="Marsh hide", latitude_deg=52.6, longitude_deg=1.55), bank=bank, alarms=alarms
    )


@pytest.mark.parametrize(("units", "set_point_V"), [(2, 11.7), (4, 23.4)])
def test_the_shipped_low_voltage_follows_the_banks_cells(units, set_point_V):
    # 1.95 V a cell: upper end of a maker's disconnect range, 11.4 to 11.7 V on 12 V [read]
    low = next(rule for rule in rules_of(site(units=units)) if rule.name == "Low voltage")
    assert low.set_point == pytest.approx(set_point_V)


def test_the_site_file_replaces_adds_and_switches_off():
    entries = (
        AlarmEntry(name="low voltage", quantity="battery_voltage_V", condition="below", set_point=12.0),
        AlarmEntry(name="Cold shed", quantity="battery_temperature_C", condition="below", set_point=-5),
        AlarmEntry(
            name="Bank too hot",
            quantity="battery_temperature_C",
            condition="above",
            set_point=45,
            enabled=False,
        ),
    )
    rules = {rule.name: rule.set_point for rule in rules_of(site(alarms=entries))}
    assert rules == {"low voltage": 12.0, "Controller too hot": 75.0, "Cold shed": -5}
