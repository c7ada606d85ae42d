"""Values as whole steps: what the store keeps instead of floats.

A value is kept as a whole number of thousandths of its unit (millionths for fractions, whole numbers for
codes): finer than any meter of this trade shows (0.01 V, 0.01 A), two or three bytes instead of nine, and
sums are exact, so that no result depends on the order in which readings came. Pure.
"""

from __future__ import annotations

from typing import NoReturn

from monitor.errors import StoreError
from monitor.quantities import QUANTITIES
from monitor.records import LATEST_MS, Quality, Reading

CODES = frozenset({"charge_stage", "fault_bits"})
"""Quantities whose values are whole numbers."""

GOOD, MISSING = Quality.GOOD, Quality.MISSING

MOST_STEPS = 2**53
"""Beyond this a float does not hold every whole number, and no quantity comes near it."""

STEPS: dict[str, int] = {
    name: 1 if name in CODES else 1000 if quantity.unit else 1_000_000
    for name, quantity in QUANTITIES.items()
}
"""Steps in one unit, by quantity."""


def steps_of(quantity: str) -> int:
    """Steps in one unit of a quantity. Raises StoreError for a name that is no canonical quantity."""
    try:
        return STEPS[quantity]
    except KeyError:
        raise StoreError(
            f"'{quantity}' is no quantity that the store knows; known are {', '.join(QUANTITIES)}"
        ) from None


def as_kept(reading: Reading) -> tuple[Reading, int | None]:
    """The reading as it will be read back, and its value in steps (None unless it is good).

    A good value is rounded to the step. A value that is not finite, or too large to keep, becomes MISSING
    with the reason said. Raises StoreError for an unknown quantity, an empty device name or a time that is
    no whole number of ms between 1970 and 2200.
    """
    per_unit = STEPS.get(reading.quantity) or steps_of(reading.quantity)
    time_ms, value = reading.time_ms, reading.value
    if type(time_ms) is not int or not 0 <= time_ms < LATEST_MS or not reading.device:
        _refuse_key(reading)
    quality = reading.quality
    if quality is MISSING or value is None:
        return _missing(reading, reading.reason or "no value"), None
    try:
        steps = round(value * per_unit)
    except (OverflowError, ValueError):
        return _missing(reading, f"the value was {value}"), None
    if not -MOST_STEPS <= steps <= MOST_STEPS:
        return _missing(reading, f"the value was {value:g}"), None
    if quality is not GOOD:
        return reading, None
    rounded = steps / per_unit
    if rounded == value and not reading.reason:
        return reading, steps
    return Reading(time_ms, reading.device, reading.quantity, rounded), steps


def _refuse_key(reading: Reading) -> NoReturn:
    if not reading.device:
        raise StoreError(f"{reading.quantity}: a reading must name its device")
    raise StoreError(
        f"{reading.device} {reading.quantity}: {reading.time_ms!r} is no time between 1970 and 2200 in"
        " whole milliseconds; look at the clock"
    )


def _missing(reading: Reading, reason: str) -> Reading:
    return Reading(reading.time_ms, reading.device, reading.quantity, None, Quality.MISSING, reason)
