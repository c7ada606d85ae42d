"""Derived quantities: powers, net bank current by metering level, conversion efficiency. Pure.

A quantity is derived only where no device gives it. May import site, records, quantities.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.quantities import QUANTITIES
from monitor.records import Quality, Reading

DERIVED = "derived"
"""The device name under which derived readings are stored."""

EFFICIENCY_FROM_W = 10.0
"""Below this array power the display's rounding decides the efficiency, so none is given (our choice)."""


@dataclass(frozen=True, slots=True)
class NetCurrent:
    """Net bank current [A], into the bank positive, or why it is not known."""

    current_A: float | None
    reason: str = ""


def net_current(present: Mapping[str, float], level: str, monitor_power_W: float) -> NetCurrent:
    """Net bank current at a metering level, from the quantities present.

    'shunt': a device measures it, nothing is derived. 'controller': charge minus metered load minus the
    monitor's own draw, which is taken straight from the bank. 'charging': unknown, the loads are not seen.
    """
    if level == "charging":
        return NetCurrent(None, "the loads are not metered")
    if level == "shunt":
        return NetCurrent(None, "the shunt gives no current")
    charge, load, voltage = (
        present.get(name) for name in ("charge_current_A", "load_current_A", "battery_voltage_V")
    )
    if charge is None or load is None:
        return NetCurrent(None, "the controller gives no charge or load current")
    own = monitor_power_W / voltage if voltage else 0.0
    return NetCurrent(charge - load - own)


def conversion_efficiency(array_power_W: float, charge_power_W: float) -> float | None:
    """Charge power over array power, None where the array gives too little to tell."""
    if array_power_W < EFFICIENCY_FROM_W:
        return None
    return charge_power_W / array_power_W


def product(present: Mapping[str, float], voltage: str, current: str) -> float | None:
    """Power [W] from a voltage and a current that are both present, else None."""
    volts, amperes = present.get(voltage), present.get(current)
    return None if volts is None or amperes is None else volts * amperes


def derived_readings(
    present: Mapping[str, float], time_ms: int, level: str, monitor_power_W: float
) -> list[Reading]:
    """Readings of device 'derived' for what the devices do not give themselves.

    present holds the good, fresh values by quantity (at most one each). An unknown net current is a
    MISSING reading with its reason; the other quantities are left out where their parts are absent.
    """
    readings: list[Reading] = []
    known = dict(present)

    def add(quantity: str, value: float | None, reason: str = "") -> None:
        if value is None:
            if reason:
                readings.append(Reading(time_ms, DERIVED, quantity, None, Quality.MISSING, reason))
            return
        known[quantity] = value
        readings.append(_judged(time_ms, quantity, value))

    if "battery_current_A" not in present:
        net = net_current(known, level, monitor_power_W)
        add("battery_current_A", net.current_A, net.reason)
    for quantity, voltage, current in (
        ("array_power_W", "array_voltage_V", "array_current_A"),
        ("charge_power_W", "battery_voltage_V", "charge_current_A"),
        ("load_power_W", "battery_voltage_V", "load_current_A"),
        ("battery_power_W", "battery_voltage_V", "battery_current_A"),
    ):
        if quantity not in present:
            add(quantity, product(known, voltage, current))
    if "array_power_W" in known and "charge_power_W" in known and "conversion_efficiency" not in present:
        add("conversion_efficiency", conversion_efficiency(known["array_power_W"], known["charge_power_W"]))
    return readings


def _judged(time_ms: int, quantity: str, value: float) -> Reading:
    """A derived value outside its plausible range is kept but marked: its parts contradict each other."""
    known = QUANTITIES[quantity]
    if known.low <= value <= known.high:
        return Reading(time_ms, DERIVED, quantity, value)
    # without the value: a reason that stays the same is stored once
    reason = f"outside the plausible {known.low:g} to {known.high:g}"
    return Reading(time_ms, DERIVED, quantity, value, Quality.SUSPECT, reason)
