"""What an alarm rule may judge beside the measured quantities: our signs, and the names of the shipped rules.

A sign is worked out from several readings, from the outlook or from the computer itself (`monitor/alarms`).
Its name carries its unit as a quantity's does. Imports only quantities.
"""

from __future__ import annotations

from monitor.quantities import QUANTITIES, Quantity

SIGNS: dict[str, Quantity] = {
    sign.name: sign
    for sign in (
        Quantity("unloaded_voltage_V", "V", "bank voltage with the present load's drop added", 0, 80),
        Quantity("disconnect_margin_V", "V", "bank voltage above the controller's disconnect", -80, 80),
        Quantity("supply_margin_V", "V", "bank voltage above the end of this computer's supply", -80, 80),
        Quantity(
            "over_voltage_V", "V", "bank voltage above its highest set point at its temperature", -80, 80
        ),
        Quantity("charge_at_most", "", "state of charge plus one standard deviation, 0..1", 0, 1),
        Quantity("low_before_morning", "", "probability not to last, from the outlook, 0..1", 0, 1),
        Quantity("cold_charging_C", "°C", "bank above the coldest at which it may be charged", -150, 150),
        Quantity("freezing_margin_C", "°C", "bank above the freezing point of its electrolyte", -150, 150),
        Quantity("daylight_share", "", "array's power over a clear sky's, in daylight, 0..1", -0.1, 10),
        Quantity("days_since_full", "days", "days since the last full charge", 0, 36500),
        Quantity("runaway_C", "°C", "rise of the bank's temperature beside a rising held current", -50, 50),
        Quantity("silence_s", "s", "time since a device last answered", 0, 1e9),
        Quantity("line_silence_s", "s", "time since any device of a line last answered", 0, 1e9),
        Quantity("implausible_readings", "", "number of quantities whose readings cannot be true", 0, 1000),
        Quantity("clock_doubt", "", "1 where the time cannot be trusted", 0, 1),
        Quantity("unwritten_s", "s", "time since the store could last be written", 0, 1e9),
        Quantity("free_space_MB", "MB", "room left on the store's disk or card", 0, 1e9),
        Quantity("computer_under_voltage", "", "1 where the computer's supply is too low", 0, 1),
        Quantity("computer_temperature_C", "°C", "temperature of the computer's processor", -50, 150),
        Quantity("test_left_h", "h", "time that a capacity test may still go on", -1e4, 1e4),
        Quantity("test_waits_h", "h", "time that a bank waits for its charge after a test", 0, 1e4),
        Quantity("dark_min", "min", "time without readings before the monitor's last start", 0, 1e8),
    )
}

SHIPPED = (
    "Low voltage",
    "Low charge",
    "Will be low before morning",
    "Near the disconnect",
    "Supply about to end",
    "Bank too hot",
    "Controller too hot",
    "Charging a cold bank",
    "Electrolyte may freeze",
    "Voltage too high",
    "No charge in daylight",
    "No full charge",
    "Thermal runaway",
    "Device silent",
    "Line silent",
    "Reading implausible",
    "Clock not trusted",
    "Store not written",
    "Card nearly full",
    "Computer under-voltage",
    "Computer too hot",
    "Monitor was dark",
    "End the capacity test",
    "Capacity test over",
)
"""Names of the shipped rules. A site has those that its bank and devices call for; 'Device silent' and 'Line
silent' are there once for each, as 'Device silent: charger'."""


def base_name(name: str) -> str:
    """'Device silent' of 'Device silent: charger', for comparing: in small letters."""
    return name.partition(":")[0].strip().casefold()


SHIPPED_BASES = frozenset(name.casefold() for name in SHIPPED)


def judged(name: str) -> Quantity:
    """The quantity or sign of this name. KeyError where there is none."""
    return SIGNS[name] if name in SIGNS else QUANTITIES[name]
