"""What one sample tells of charging, with everything unusable taken out. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.bank.description import BankDescription
from monitor.bank.sample import BankSample
from monitor.quantities import Stage

CELL_SPAN_V = {"flooded": (1.0, 3.0), "agm": (1.0, 3.0), "gel": (1.0, 3.0), "lifepo4": (1.5, 4.3)}
"""A cell voltage outside is a fault of the reading, not of the bank (our choice)."""

MOST_C = 10.0
"""A current above ten times the capacity in an hour is no reading (our choice)."""

COLDEST_C, HOTTEST_C = -50.0, 90.0
"""Bank temperatures outside are no reading (as `quantities.py` bounds them)."""

LIT_ABOVE_V = 0.5
"""An idle array so far above the bank has light on it; at night it stands near zero (our choice)."""


TIED_V = 0.35
"""What a closed switch and its wires take (our choice)."""


@dataclass(frozen=True, slots=True)
class Signs:
    """The usable part of a sample.

    charge_A is what comes from the array's side: measured, or from the array's own power, None where only the
    net current is seen. net_A is the bank's. lit is None where no array voltage is seen. tied: the array
    stands at the bank's voltage, as a controller that only switches has it while it passes all current on.
    """

    time_ms: int
    voltage_V: float
    charge_A: float | None
    net_A: float | None
    temperature_C: float | None
    lit: bool | None
    dark: bool
    tied: bool
    told: Stage | None


def signs_of(sample: BankSample, bank: BankDescription) -> Signs | None:
    """The signs in a sample, None where it has no usable voltage."""
    low_V, high_V = CELL_SPAN_V[bank.chemistry]
    voltage_V = within(sample.battery_voltage_V, low_V * bank.cells, high_V * bank.cells)
    if voltage_V is None:
        return None
    most_A = MOST_C * bank.capacity_Ah
    array_V = within(sample.array_voltage_V, -5.0, 1000.0)
    array_A = within(sample.array_current_A, -most_A, most_A)
    charge_A = within(sample.charge_current_A, -most_A, most_A)
    if charge_A is None and array_A is not None:
        # a converter's output by its power; where it only switches, both voltages are about the same
        charge_A = array_A if array_V is None else array_A * max(array_V, voltage_V) / voltage_V
    # a controller that steps up takes current from an array below the bank
    least_A = bank.meters.current_offset_tolerance_A + 2 * bank.meters.current_step_A
    flows = charge_A is not None and charge_A > least_A
    return Signs(
        time_ms=sample.time_ms,
        voltage_V=voltage_V,
        charge_A=charge_A,
        net_A=within(sample.battery_current_A, -most_A, most_A),
        temperature_C=within(sample.battery_temperature_C, COLDEST_C, HOTTEST_C),
        lit=None if array_V is None else array_V > voltage_V + LIT_ABOVE_V,
        dark=array_V is not None and array_V < voltage_V - LIT_ABOVE_V and not flows,
        tied=array_V is not None and flows and abs(array_V - voltage_V) <= TIED_V,
        told=_stage(sample.stage),
    )


def within(value: float | None, low: float, high: float) -> float | None:
    """A finite value within bounds, else None: NaN, infinite and impossible values are no readings."""
    if value is None or not math.isfinite(value) or not low <= value <= high:
        return None
    return float(value)


def _stage(told: Stage | None) -> Stage | None:
    try:
        return None if told is None else Stage(told)
    except ValueError:
        return None
