"""The canonical quantities: name, unit, sign convention, plausible range.

The name carries the unit. Current into the bank is positive; the store, CSV and JSON use these names.
Imports nothing of the project but errors. To add a quantity, add a row to QUANTITIES.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, IntFlag


@dataclass(frozen=True, slots=True)
class Quantity:
    """One canonical quantity.

    low and high bound what is physically plausible in a 12 to 48 V system of this size (our choice);
    a value outside is kept but marked suspect. label is its name on the page and the terminal; what has none
    is never shown there as a value of its own.
    """

    name: str
    unit: str
    meaning: str
    low: float
    high: float
    label: str = ""

    @property
    def is_share(self) -> bool:
        """Whether it is 0..1 in the store and percent for a person; codes have no unit either, but more
        values."""
        return not self.unit and self.high < 2


class Stage(IntEnum):
    """Charge stage as stored under `charge_stage`; the words are the trade's."""

    OFF = 0
    BULK = 1
    ABSORPTION = 2
    FLOAT = 3
    EQUALIZATION = 4


class Fault(IntFlag):
    """What `fault_bits` means once a profile has mapped a device's own bits."""

    BATTERY_OVER_VOLTAGE = 1
    BATTERY_UNDER_VOLTAGE = 2
    BATTERY_OVER_TEMPERATURE = 4
    CONTROLLER_OVER_TEMPERATURE = 8
    ARRAY_OVER_VOLTAGE = 16
    CHARGE_OVER_CURRENT = 32
    LOAD_OVER_CURRENT = 64
    LOAD_DISCONNECTED = 128
    TEMPERATURE_PROBE_MISSING = 256
    OTHER = 512


QUANTITIES: dict[str, Quantity] = {
    quantity.name: quantity
    for quantity in (
        Quantity("battery_voltage_V", "V", "bank terminal voltage", 0.0, 80.0, "Bank voltage"),
        Quantity(
            "battery_current_A",
            "A",
            "net bank current, into the bank positive",
            -600.0,
            600.0,
            "Bank current",
        ),
        Quantity("charge_current_A", "A", "controller's output to the bank", -1.0, 300.0, "Charge current"),
        Quantity(
            "load_current_A", "A", "current through the metered load output", -1.0, 300.0, "Load current"
        ),
        Quantity(
            "battery_temperature_C", "°C", "bank temperature at the probe", -50.0, 90.0, "Bank temperature"
        ),
        Quantity(
            "controller_temperature_C",
            "°C",
            "controller's own temperature",
            -50.0,
            130.0,
            "Controller temperature",
        ),
        Quantity("array_voltage_V", "V", "array voltage at the controller", -1.0, 600.0, "Array voltage"),
        Quantity("array_current_A", "A", "array current at the controller", -1.0, 200.0, "Array current"),
        Quantity("array_power_W", "W", "array power at the controller", -10.0, 20000.0, "Array power"),
        Quantity(
            "charge_power_W", "W", "power from controller into the bank side", -10.0, 20000.0, "Charge power"
        ),
        Quantity("load_power_W", "W", "power through the metered load output", -10.0, 20000.0, "Load power"),
        Quantity(
            "midpoint_voltage_V",
            "V",
            "voltage of the lower half of a series string",
            0.0,
            40.0,
            "Midpoint voltage",
        ),
        Quantity("charge_stage", "", "charge stage, a number of Stage", 0, 4, "Charge stage"),
        Quantity(
            "fault_bits",
            "",
            "faults a device reports, mapped to monitor.quantities.Fault",
            0,
            1023,
            "Controller faults",
        ),
        Quantity(
            "battery_power_W", "W", "net bank power, into the bank positive", -30000.0, 30000.0, "Bank power"
        ),
        Quantity(
            "conversion_efficiency",
            "",
            "charge power over array power, 0..1",
            0.0,
            1.05,
            "Conversion efficiency",
        ),
        Quantity("state_of_charge", "", "share of the bank's present capacity, 0..1", 0.0, 1.0, "Charge"),
        Quantity(
            "state_of_charge_sd",
            "",
            "standard deviation of state_of_charge, 0..1",
            0.0,
            1.0,
            "Charge, standard deviation",
        ),
        Quantity("bank_capacity_Ah", "Ah", "the bank's present true capacity, learnt", 0.0, 20000.0),
        Quantity("bank_capacity_sd_Ah", "Ah", "standard deviation of bank_capacity_Ah", 0.0, 20000.0),
        Quantity(
            "unseen_load_A",
            "A",
            "current out of the bank that no meter shows, estimated",
            0.0,
            600.0,
            "Unmetered loads",
        ),
    )
}


def unit_of(name: str) -> str:
    """The unit printed beside a value of this quantity, '' for codes and fractions. KeyError if unknown."""
    return QUANTITIES[name].unit
