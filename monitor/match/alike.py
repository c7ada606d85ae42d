"""Whether a look tells a quantity from another one that would have shown the same digits.

What may look alike is physics: the bank's current is charge less load, and a converter keeps a part of the
power. All limits are our choice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from monitor.match.doubt import Doubt
from monitor.match.seen import Shown

APART = 3.5
"""Digits so many steps apart are different for certain, whatever is rounded, cut or late by little."""

WARMING_W, WARMING_A = 50.0, 3.0
"""From here on a controller warms itself so that its probes part."""

THROUGH = 1.25
"""An array's voltage below so many times the bank's is the bank's own and the drop of a controller."""

BELOW_FLOAT_V = 12.9
"""No controller holds a battery of nominal 12 V so low, however hot it is."""

MOST_LOSS = 1.15
"""A converter takes no more than so many times what it gives."""

COMMON_LOSS, LEAST_LOSS, LOSSES = 0.02, 0.01, 2
"""At least this share of the array's power a converter keeps for itself, and what may be a mere switch; so
often must it tell (`_lossy`)."""


def batteries_in_series(bank_V: float) -> int:
    """How many batteries of nominal 12 V make a bank that stands so high."""
    return 1 if bank_V < 18 else 2 if bank_V < 36 else 4


Seen = Mapping[str, Shown]


def _apart(quantity: str, other: str) -> Callable[[Seen], bool]:
    """Whether two shown quantities differ for certain, whatever their signs."""

    def apart(seen: Seen) -> bool:
        if quantity not in seen or other not in seen:
            return False
        one, two = seen[quantity], seen[other]
        return abs(abs(one.value) - abs(two.value)) >= APART * max(one.step, two.step)

    return apart


def _flows(seen: Seen, *names: str) -> bool:
    """Whether one of these is shown well above zero."""
    return any(name in seen and seen[name].value >= APART * seen[name].step for name in names)


def _charges(seen: Seen) -> bool:
    return _flows(seen, "charge_current_A", "array_current_A")


def _not_net(seen: Seen) -> bool:
    """For a charge current: a load is on, so that the bank's current is another."""
    return _flows(seen, "load_current_A") or _apart("charge_current_A", "battery_current_A")(seen)


def _not_charge(seen: Seen) -> bool:
    """For the bank's current: it flows out, or a load takes a part of the charge."""
    told = seen["battery_current_A"]
    out = told.value <= -APART * told.step
    return out or _flows(seen, "load_current_A") or _apart("battery_current_A", "charge_current_A")(seen)


def _not_load(seen: Seen) -> bool:
    """For the bank's current: something charges, or the load shows another current."""
    return _charges(seen) or _apart("battery_current_A", "load_current_A")(seen)


def _load_not_net(seen: Seen) -> bool:
    """For a load current: the bank's current is another one, or must be since something charges."""
    return _charges(seen) or _apart("load_current_A", "battery_current_A")(seen)


def _converted(current: str, other: str) -> Callable[[Seen], bool]:
    """Whether array and charge current must differ: shown so, or a converter works between them."""

    def apart(seen: Seen) -> bool:
        if _apart(current, other)(seen):
            return True
        if current not in seen or not _has_converter(seen):
            return False
        share = 1 - seen["battery_voltage_V"].value / seen["array_voltage_V"].value
        return seen[current].value * share >= APART * seen[current].step

    return apart


def _has_converter(seen: Seen) -> bool:
    """Whether array and bank stand at different voltages while the controller passes on all that it can.

    A controller without converter ties them together, but for the times at which it holds the bank's voltage:
    then the array's is a mean of tied and open. It does not hold back below every float voltage; or else its
    power would be far above the bank's volts times the charge current.
    """
    if "array_voltage_V" not in seen or "battery_voltage_V" not in seen or not _charges(seen):
        return False
    bank_V = seen["battery_voltage_V"].value
    if seen["array_voltage_V"].value < THROUGH * bank_V:
        return False
    if bank_V <= BELOW_FLOAT_V * batteries_in_series(bank_V):
        return True
    if "array_power_W" not in seen or "charge_current_A" not in seen:
        return False
    return seen["array_power_W"].value <= MOST_LOSS * bank_V * seen["charge_current_A"].value


def ties_together(seen: Seen) -> bool:
    """Whether the array hangs on the bank without a converter: a current flows and its volts are like the
    bank's.
    """
    if "array_voltage_V" not in seen or "battery_voltage_V" not in seen or not _charges(seen):
        return False
    return seen["array_voltage_V"].value < THROUGH * seen["battery_voltage_V"].value


def _lossy(seen: Seen) -> int:
    """For the array's power: what reaches the bank is less by more than the digits could hide. Counts twice
    where it is so by far; a little loss at one look may hide behind the display's lag.
    """
    told = seen["array_power_W"]
    loss, unsure = told.value * _least_loss(seen), 1.25 * told.step
    if "charge_current_A" in seen and "battery_voltage_V" in seen:
        amps, volts = seen["charge_current_A"], seen["battery_voltage_V"]
        steps = amps.step * volts.value + volts.step * amps.value + told.step
        if told.value - amps.value * volts.value > 1.5 * steps:
            return 2
    return 2 if loss >= 2 * unsure else 1 if loss >= unsure else 0


def _least_loss(seen: Seen) -> float:
    """The share of the array's power that surely stays in the controller: the drop between array and bank
    where nothing converts, as far as the digits tell it.
    """
    if ties_together(seen):
        array, bank = seen["array_voltage_V"], seen["battery_voltage_V"]
        return max(0.0, array.value - bank.value - max(array.step, bank.step)) / array.value
    return COMMON_LOSS if _has_converter(seen) else LEAST_LOSS


def _under_load(seen: Seen) -> bool:
    """For the controller's temperature: it works so hard that its other probes are warmer or cooler."""
    watts, amps = seen.get("array_power_W"), seen.get("charge_current_A")
    return (watts is not None and watts.value >= WARMING_W) or (amps is not None and amps.value >= WARMING_A)


def _not_bank(seen: Seen) -> bool:
    """For the array's voltage: it stands apart from the bank's."""
    told = seen["array_voltage_V"]
    return _apart("array_voltage_V", "battery_voltage_V")(seen) or told.value < 5


ALIKE: Mapping[str, Mapping[Doubt, Callable[[Seen], int]]] = {
    "charge_current_A": {"net": _not_net, "array": _converted("charge_current_A", "array_current_A")},
    "battery_current_A": {"charge": _not_charge, "load": _not_load},
    "array_current_A": {"charge": _converted("array_current_A", "charge_current_A")},
    "array_power_W": {"charge": _lossy},
    "array_voltage_V": {"net": _not_bank},
    "load_current_A": {"net": _load_not_net},
    "controller_temperature_C": {"probe": _under_load},
}
"""For each quantity the others that may look like it, and whether a look tells them apart."""
