"""When a place may be called certain: only where each of these doubts is answered by what was shown.

    little    too little was shown: another register may agree by chance (`settle` and `chance` say that)
    lag       one look agrees only with the display's lag
    twin      another place holds the very same values
    rivals    another place, or the same one read in another way, agrees as well or nearly so
    extreme   a record of the highest or lowest would have gone the same way: it must have risen and fallen
    alike     another quantity would have shown the same digits at every look; it is named: net (the bank's
              current), charge, array, load, through (a controller without a converter passes the array's
              current on), probe (another one of the controller), month (the month's energy on its first day),
              output (the load output's voltage, which is the bank's as long as the output is on)
    shared    another quantity is as likely to live in the same register
    width     the register beside it has always been empty: it may be the other half, which is needed, or not
    sign      it has never been below zero, so that nobody knows how the register writes that

What 'alike' means is physics: the bank's current is charge less load, and a converter keeps a part of the
power. All limits are our choice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Literal

from monitor.match.groups import Choice
from monitor.match.habits import SOUGHT
from monitor.match.same_day import no_day_began
from monitor.match.seen import Look, Shown

Doubt = Literal[
    "little",
    "lag",
    "twin",
    "rivals",
    "extreme",
    "net",
    "charge",
    "array",
    "load",
    "through",
    "probe",
    "month",
    "output",
    "shared",
    "sign",
    "width",
]

RIVAL_SHARE = 0.003
"""A rival with less belief than this is no longer one."""

MOVED, MOVED_FINE, FINE = 1.5, 0.9, 0.35
"""Digits must have moved by so many steps at least; by one where the register's steps are this much finer."""

LARGE_COUNT, MOVED_COUNTS = 12, 5
"""A whole number that was never larger, or has moved by fewer, goes like many a count, code or percentage."""

CLOCK_COUNT = 101
"""Lines of text often carry hours, minutes, a day or a percentage as whole numbers: one that was never larger
and is read in parts of a unit goes like these."""

MOVED_LEAST = 2
"""By so many a whole number must have moved in any case."""

SOLAR = ("charge_current_A", "battery_current_A", "array_voltage_V", "array_current_A", "array_power_W")
"""By night none of these is above zero; nothing but the sun charges."""

NIGHT_V = 13.6
"""Without a charge no battery of nominal 12 V stands so high: LiFePO4 rests up to 13.4 V (from memory)."""

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

EDGE_OF_DAY = timedelta(hours=14)
"""No clock on earth is farther from UTC."""


def doubts(
    quantity: str, found: Sequence[Choice], times_ms: Sequence[int] | None, looks: Sequence[Look]
) -> tuple[Doubt, ...]:
    """What speaks against calling the first choice certain; nothing, where it is. times_ms are those of the
    snapshots, None where nobody noted them.
    """
    first = found[0]
    left: list[Doubt] = []
    if not first.spots[0].strict:
        left.append("lag")
    if len(first.spots) > 1:
        left.append("twin")
    others = [choice.share for choice in found[1:]]
    if max(others, default=0.0) > RIVAL_SHARE or _shifted(found) or _odd(quantity, first):
        left.append("rivals")
    if quantity != "energy_today_Wh" and not proven(quantity, first, no_day_began(times_ms, looks)):
        left.append("extreme")
    if first.spots[0].safe is None:
        left.append("width")
    if _unsigned_so_far(quantity, first):
        left.append("sign")
    shown = [look.shown for look in looks if quantity in look.shown]
    wanted = LOSSES if quantity == "array_power_W" else 1
    alike = [doubt for doubt, apart in ALIKE.get(quantity, {}).items() if sum(map(apart, shown)) < wanted]
    through = quantity in ("charge_current_A", "array_current_A") and any(map(_through, shown))
    left += ["through" if through and doubt in ("array", "charge") else doubt for doubt in alike]
    if quantity == "energy_today_Wh" and _first_of_month(times_ms, looks):
        left.append("month")
    if quantity == "battery_voltage_V" and not any(
        look.output_off for look in looks if quantity in look.shown
    ):
        left.append("output")
    return tuple(left)


def _unsigned_so_far(quantity: str, first: Choice) -> bool:
    """Whether it has never been below zero, and registers write that in several ways: a current by another
    sign, a small whole number of degrees in eight bits or in sixteen.
    """
    best = first.spots[0].best
    raws = [raw for raw in best.column.raws if raw is not None]
    if min(raws) < 0:
        return False
    eight_bits = best.column.kind == "word" and best.form.offset == 0 and max(raws) < 0x80
    return quantity == "battery_current_A" or (SOUGHT[quantity].unit == "°C" and eight_bits)


def has_moved(quantity: str, read: Sequence[Shown], first: Choice) -> bool:
    """Whether the digits have changed enough, by the display's steps and by the register's own."""
    best = first.spots[0].best
    own_step = best.column.step * abs(best.form.scale)
    values, step = [told.value for told in read], read[0].step
    if own_step > APART * step and max(values) - min(values) < APART * own_step:
        return False
    raws = [raw / (best.column.step or 1.0) for raw in best.column.raws if raw is not None]
    clock = best.column.kind == "whole" and best.form.scale != 1
    least = CLOCK_COUNT if clock else LARGE_COUNT
    if own_step and (max(map(abs, raws)) < least or max(raws) - min(raws) < MOVED_COUNTS):
        return False
    wanted = MOVED_FINE if own_step < FINE * step else MOVED
    if quantity == "energy_today_Wh":  # nothing else is asked of it, so this is asked for more
        wanted = APART
    return len(read) > 1 and max(values) - min(values) >= wanted * step


def has_moved_at_all(read: Sequence[Shown], first: Choice) -> bool:
    """Whether the digits have moved by a step and the register by two of its own: the least that counts."""
    best = first.spots[0].best
    own_step = best.column.step * abs(best.form.scale)
    raws = [raw / (best.column.step or 1.0) for raw in best.column.raws if raw is not None]
    span = max(told.value for told in read) - min(told.value for told in read)
    if own_step and (max(map(abs, raws)) < LARGE_COUNT or max(raws) - min(raws) < MOVED_LEAST):
        return False
    return span >= MOVED_FINE * read[0].step and (own_step <= APART * read[0].step or span >= 2 * own_step)


def proven(quantity: str, choice: Choice, one_day: Sequence[bool] | None) -> bool:
    """Whether the register is no record of the day's highest or lowest: it has risen and fallen, or fallen
    from where the day's lowest cannot have been, since every day begins with a night. one_day says between
    which snapshots no day began, None where nobody knows: what changes when a day begins proves nothing.
    """
    held = [(at, value) for at, value in enumerate(choice.spots[0].best.values()) if value is not None]
    steps = [
        (before, after)
        for (at, before), (to, after) in pairwise(held)
        if one_day is None or all(one_day[at:to])
    ]
    falls = [before for before, after in steps if after < before]
    rose = any(after > before for before, after in steps)
    return bool(falls) and (rose or max(falls) > _night(quantity, max(value for _, value in held)))


def _night(quantity: str, highest: float) -> float:
    """More than this a quantity cannot have been all through a night, infinite where nobody knows."""
    if quantity in SOLAR:
        return 0.0
    if quantity == "battery_voltage_V":
        return NIGHT_V * batteries_in_series(highest)
    return math.inf


def batteries_in_series(bank_V: float) -> int:
    """How many batteries of nominal 12 V make a bank that stands so high."""
    return 1 if bank_V < 18 else 2 if bank_V < 36 else 4


def _shifted(found: Sequence[Choice]) -> bool:
    """Whether a float agrees that begins one register off: the half that tells most is right in it, too."""
    first = found[0].spots[0].best.column
    others = [choice.spots[0].best.column for choice in found[1:]]
    return first.kind == "float" and any(
        other.kind == "float" and set(other.registers) & set(first.registers) for other in others
    )


def _odd(quantity: str, first: Choice) -> bool:
    """Whether a quantity would stand in half a register that has no room for it: the upper half of a power in
    hundredths of a watt is a current in tenths of an ampere, where the voltage is near 25.6 V.
    """
    return first.spots[0].best.column.kind == "half" and SOUGHT[quantity].unit not in ("°C", "%")


def _first_of_month(times_ms: Sequence[int] | None, looks: Sequence[Look]) -> bool:
    """Whether it may be the first of a month anywhere: then today's energy is the month's as well."""
    if times_ms is None:
        return True
    moments = [datetime.fromtimestamp(times_ms[look.index] / 1000, UTC) for look in looks]
    return any(1 in ((m - EDGE_OF_DAY).day, m.day, (m + EDGE_OF_DAY).day) for m in moments)


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


def _through(seen: Seen) -> bool:
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
    if _through(seen):
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
