"""The capacity of a lead-acid bank at the 20-hour rate, from one discharge that began full. Pure.

Two published ways: the discharge goes down to the end voltage at which batteries are rated, and its Ah are
corrected for rate (Peukert) and temperature; or it stops sooner, the bank rests, and its rest voltage tells
what is left. The second is the gentle one and needs neither correction: the acid is used up by the charge
that was taken, however fast and cold.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

from monitor.bank.health import FULL_SD
from monitor.bank.tables import capacity_share, charge_at_rest
from monitor.care.digits import fine
from monitor.site.chemistry import capacity_at_20_h
from monitor.site.model import Chemistry, Meters

END_CELL_V = 1.75
"""The voltage under load at which lead-acid batteries count as empty when they are rated (a battery
maker's article, read: a common default, and too low for daily use)."""

REST_CHARGE_SD = hypot(0.05, 0.055)
"""What the rest voltage tells of the charge after 6 h: ±5 % where the acid is known (from memory), taken as
one deviation; and the acid's strength is not: at half charge two makers' tables (1.172, from memory, 1.190,
read; both in `bank/tables.py`) lie 8 % of the charge apart, 5.5 % as a deviation of two (computed)."""

SHALLOWEST = 0.3
"""A discharge that took less tells no capacity (our choice: a deviation of the rest voltage were a
quarter of it)."""

PEUKERT_SPAN = (1.05, 1.30)
"""Exponents of lead-acid batteries, from AGM's lowest (from memory) to the highest of three engineering notes
(secondary source): how far the rate's correction may be off."""

COPETTI_PER_C, COPETTI_C = 0.005, 25.0
"""Capacity by temperature in Copetti 1993 (secondary source): the second opinion beside the worksheet's."""


@dataclass(frozen=True, slots=True)
class Discharge:
    """One discharge from full: Ah taken, hours, mean temperature of the bank (None: not measured).

    rest_cell_V is the voltage of a cell after a rest of hours that followed, None where the discharge went
    down to END_CELL_V.
    """

    taken_Ah: float
    hours: float
    temperature_C: float | None
    rest_cell_V: float | None


@dataclass(frozen=True, slots=True)
class Measured:
    """Capacity at the 20-hour rate and 80 °F with its standard deviation, and how it was found."""

    capacity_Ah: float
    sd_Ah: float
    words: str


class NoCapacity(ValueError):
    """The discharge tells no capacity; the text says why and what to do."""


def measured_capacity(chemistry: Chemistry, meters: Meters, test: Discharge) -> Measured:
    """The capacity that a discharge tells. Raises NoCapacity."""
    if chemistry == "lifepo4":
        raise NoCapacity("for LiFePO4 no correction is published here; its own electronics count its charge")
    if not (test.taken_Ah > 0 and test.hours > 0):
        raise NoCapacity("nothing was taken from the bank in that time")
    meter_sd = hypot(
        meters.current_gain_tolerance, meters.current_offset_tolerance_A * test.hours / test.taken_Ah
    )
    if test.rest_cell_V is not None:
        return _by_rest(chemistry, test, test.rest_cell_V, meter_sd)
    return _by_end_voltage(chemistry, test, meter_sd)


def _by_rest(chemistry: Chemistry, test: Discharge, rest_cell_V: float, meter_sd: float) -> Measured:
    left = charge_at_rest(chemistry, rest_cell_V)
    taken = 1 - left
    if taken < SHALLOWEST:
        raise NoCapacity(
            f"only {100 * taken:.0f} % of the charge was taken by the rest voltage, and less than "
            f"{100 * SHALLOWEST:.0f} % tells no capacity: go on for longer"
        )
    capacity_Ah = test.taken_Ah / taken
    sd = hypot(meter_sd, REST_CHARGE_SD / taken, FULL_SD / taken)
    words = (
        f"{fine(test.taken_Ah)} Ah were {100 * taken:.0f} % of it, by the rest voltage of {rest_cell_V:.3f} "
        "V a cell"
    )
    return Measured(capacity_Ah, sd * capacity_Ah, words)


def _by_end_voltage(chemistry: Chemistry, test: Discharge, meter_sd: float) -> Measured:
    at_20_h_Ah = capacity_at_20_h(chemistry, test.taken_Ah, test.hours)
    if at_20_h_Ah is None:
        raise NoCapacity(
            f"it took {test.hours:.1f} h; Peukert's correction is published for 5 to 100 h: take another load"
        )
    if test.temperature_C is None:
        raise NoCapacity("the bank's temperature was not measured, and the cold takes capacity")
    share = capacity_share(test.temperature_C)
    if share is None:
        raise NoCapacity(f"at {test.temperature_C:z.0f} °C no correction is published: wait for warmer days")
    rate = 20 / test.hours
    powers = [rate ** ((exponent - 1) / exponent) for exponent in PEUKERT_SPAN]
    rate_sd = abs(powers[1] - powers[0]) / 2
    other_share = 1 + COPETTI_PER_C * (test.temperature_C - COPETTI_C)
    warmth_sd = abs(min(1.0, other_share) - share) / 2
    capacity_Ah = at_20_h_Ah / share
    words = (
        f"{fine(test.taken_Ah)} Ah in {test.hours:.1f} h at {test.temperature_C:z.0f} °C down to "
        f"{END_CELL_V:g} V a cell, times {at_20_h_Ah / test.taken_Ah:.3f} for the rate (Peukert) and "
        f"{1 / share:.3f} for the cold (worksheets of the trade)"
    )
    return Measured(capacity_Ah, hypot(meter_sd, FULL_SD, rate_sd, warmth_sd) * capacity_Ah, words)
