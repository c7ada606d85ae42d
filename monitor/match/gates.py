"""When a place may be called certain: only where each doubt (`doubt.py`) is answered by what was shown.

All limits are our choice.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import combinations, pairwise

from monitor.match.alike import ALIKE, APART, LOSSES, batteries_in_series, ties_together
from monitor.match.doubt import Doubt
from monitor.match.groups import Choice
from monitor.match.habits import SOUGHT
from monitor.match.same_day import no_day_began
from monitor.match.seen import Look, Shown
from monitor.records import DAY_MS

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
    own_step = first.spots[0].best.column.step * abs(first.spots[0].best.form.scale)
    shown = [_as_told(quantity, look.shown, own_step) for look in looks if quantity in look.shown]
    wanted = LOSSES if quantity == "array_power_W" else 1
    alike = [doubt for doubt, apart in ALIKE.get(quantity, {}).items() if sum(map(apart, shown)) < wanted]
    through = quantity in ("charge_current_A", "array_current_A") and any(map(ties_together, shown))
    left += ["through" if through and doubt in ("array", "charge") else doubt for doubt in alike]
    if quantity == "energy_today_Wh" and _first_of_month(times_ms, looks):
        left.append("month")
    if quantity == "energy_today_Wh" and not _day_has_changed(times_ms, looks):
        left.append("total")
    if quantity == "battery_voltage_V" and not any(
        look.output_off for look in looks if quantity in look.shown
    ):
        left.append("output")
    return tuple(left)


def _as_told(quantity: str, shown: Mapping[str, Shown], own_step: float) -> Mapping[str, Shown]:
    """What was shown, the quantity itself no finer than its register counts: what that cannot tell from
    another quantity, the display's digits do not tell either.
    """
    told = shown[quantity]
    return {**shown, quantity: replace(told, step=max(told.step, own_step))}


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


def _day_has_changed(times_ms: Sequence[int] | None, looks: Sequence[Look]) -> bool:
    """Whether a new day began after some energy had been shown: only a counter that starts anew each day
    agrees with both looks, and not what the device has counted since it was first switched on.
    """
    read = [(look.index, look.shown["energy_today_Wh"]) for look in looks if "energy_today_Wh" in look.shown]
    for (at, before), (to, after) in combinations(read, 2):
        fell = before.value - after.value >= APART * before.step
        later_day = times_ms is not None and times_ms[to] - times_ms[at] >= DAY_MS
        if fell or (later_day and before.value >= APART * before.step):
            return True
    return False
