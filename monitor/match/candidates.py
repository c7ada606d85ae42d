"""The columns that agree with what was shown, in some scale and offset, and how well they agree.

A display rounds or cuts, and a register does, too: a value agrees where both can come of one measured value.
It agrees loosely where the display's lag of two seconds could explain the rest; few looks may agree so.
"""

from __future__ import annotations

import struct
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import log
from typing import Literal

from monitor.match import habits
from monitor.match.columns import Column
from monitor.match.habits import SOUGHT, Sought
from monitor.match.seen import Look, Shown

Sign = Literal["same", "size", "turned"]
"""The display shows the value, its size without the sign, or the value with the other sign."""

LOOSE_SHARE = 0.04
"""So many looks agree only with the display's lag (our choice)."""

LOOSE_OF, STRICT_OF = 3, 5
"""At most one look in so many may agree only so, but always one of several; one in so many counts as none."""

LEAST_ZEROS = 0.3
"""Beside a live value a zero is at least so common, however rare zeros are elsewhere (our choice)."""

STILL_FINE, STILL_COARSE, STILL_ZERO = 0.2, 0.75, 0.6
"""How often a live register has not moved while the display has not: in steps much finer than the display's,
in steps like its own, at zero (our choice)."""

SIGNS: Mapping[str, Mapping[Sign, float]] = {
    "battery_current_A": {"same": 0.82, "size": 0.1, "turned": 0.08},
    "charge_current_A": {"same": 0.98, "turned": 0.02},
    "load_current_A": {"same": 0.95, "turned": 0.05},
}
ONE_SIGN: Mapping[Sign, float] = {"same": 1.0}
EDGE = 1e-6


@dataclass(frozen=True, slots=True)
class Form:
    """How a raw number counts: value = raw * scale + offset; weight is how common that is among its kind."""

    scale: float
    offset: float
    sign: Sign
    weight: float

    def value(self, raw: float) -> float:
        """What the display would show of it, before it rounds."""
        value = raw * self.scale + self.offset
        return abs(value) if self.sign == "size" else -value if self.sign == "turned" else value


@dataclass(frozen=True, slots=True)
class Candidate:
    """A column in a form that agrees with every look. fit is the log of how well; strict: no lag needed."""

    column: Column
    form: Form
    fit: float
    strict: bool

    def values(self) -> tuple[float | None, ...]:
        """The value at every snapshot, as the display would show it."""
        return tuple(None if raw is None else self.form.value(raw) for raw in self.column.raws)


class Finder:
    """Finds candidates in the columns of a dump; the columns are sorted once for each snapshot."""

    def __init__(self, columns: Sequence[Column]) -> None:
        self._columns = columns
        singles = [column for column in columns if column.encoding in ("u16", "text")]
        moving = sum(column.moves for column in singles)
        zeros = sum(not any(column.raws) for column in singles)
        self._moving = (moving + 1) / (len(singles) + 2)
        self._zeros = (zeros + 1) / (len(singles) + 2)
        self._sorted: dict[int, tuple[list[float], list[int]]] = {}

    def find(self, quantity: str, looks: Sequence[Look]) -> list[Candidate]:
        """Every candidate for a quantity that at least one look shows."""
        read = [(look.index, look.shown[quantity]) for look in looks if quantity in look.shown]
        sought = SOUGHT[quantity]
        pivot, told = max(read, key=lambda item: abs(item[1].value) / item[1].step)
        found = []
        for kind in {column.kind: None for column in self._columns}:
            for form in forms(quantity, kind):
                for column in self._near(pivot, told, sought, form):
                    if column.kind == kind and _fits_kind(column, form, sought):
                        candidate = agree(column, form, sought, read)
                        if candidate is not None:
                            weight = self._weight(candidate, read)
                            found.append(replace(candidate, fit=candidate.fit + weight))
        return found

    def _weight(self, candidate: Candidate, read: Sequence[tuple[int, Shown]]) -> float:
        """What speaks for a column beside what was shown: that it moves, where most registers never do, and
        that the register before or behind it is the empty half of a pair."""
        column = candidate.column
        weight = 0.0
        if len(column.raws) > 1:
            still = 0.0
            if len({told.value for _, told in read}) == 1:
                told = read[0][1]
                coarse = column.step * abs(candidate.form.scale)
                still = STILL_FINE if coarse < 0.3 * told.step else STILL_COARSE
                still = max(still, STILL_ZERO) if told.value == 0 else still
            if column.moves:
                weight = log((1 - still) / self._moving)
            else:
                weight = log(max(still, 0.01) / (1 - self._moving))
        if column.kind == "float" and column.moves:  # the fine digits of a measured value move with it
            tails = {struct.pack(">f", raw)[2:] for raw in column.raws if raw}
            weight += log(0.95 / self._moving) if len(tails) > 1 else log(0.05 / (1 - self._moving))
        if column.kind == "pair" and all(raw is None or 0 <= raw <= 0xFFFF for raw in column.raws):
            weight -= log(max(self._zeros, LEAST_ZEROS))
        return weight

    def _near(self, index: int, told: Shown, sought: Sought, form: Form) -> Iterator[Column]:
        raws, order = self._sorted.get(index) or self._sort(index)
        reach = _reach(told, sought, form.scale)
        wanted = {"same": (told.value,), "turned": (-told.value,), "size": (told.value, -told.value)}[
            form.sign
        ]
        for value in wanted:
            ends = sorted(
                ((value - reach - form.offset) / form.scale, (value + reach - form.offset) / form.scale)
            )
            for place in range(bisect_left(raws, ends[0]), bisect_right(raws, ends[1])):
                yield self._columns[order[place]]

    def _sort(self, index: int) -> tuple[list[float], list[int]]:
        pairs = sorted(
            (raw, number)
            for number, column in enumerate(self._columns)
            if (raw := column.raws[index]) is not None
        )
        self._sorted[index] = [raw for raw, _ in pairs], [number for _, number in pairs]
        return self._sorted[index]


def forms(quantity: str, kind: str) -> list[Form]:
    """The forms in which a quantity may stand in a column of a kind, each with its share."""
    unit = SOUGHT[quantity].unit
    signs = SIGNS.get(quantity, ONE_SIGN)
    scales = habits.scales(unit, kind)
    plain = 1.0 - habits.OFFSET_SHARE - habits.FAHRENHEIT_SHARE if unit == "°C" else 1.0
    found = [
        Form(scale, 0.0, sign, plain * share * weight)
        for scale, share in scales.items()
        for sign, weight in signs.items()
    ]
    if unit == "°C":
        for scale, share in scales.items():
            found += [
                Form(scale, offset, "same", habits.OFFSET_SHARE * share * weight)
                for offset, weight in habits.OFFSETS.items()
            ]
        found += [
            Form(
                scale * habits.FAHRENHEIT_SCALE,
                habits.FAHRENHEIT_OFFSET,
                "same",
                habits.FAHRENHEIT_SHARE * share,
            )
            for scale, share in scales.items()
            if share > 0.1
        ]
    return found


def _fits_kind(column: Column, form: Form, sought: Sought) -> bool:
    """Whether the column may count that way, and stays plausible in all snapshots."""
    if form.offset < -1 and form.scale in (1.0, 0.1, 0.01, 0.001) and column.encoding[0] == "s":
        return False  # who shifts the zero has no need of a sign
    values = [form.value(raw) for raw in column.raws if raw is not None]
    return sought.low <= min(values) and max(values) <= sought.high


def agree(column: Column, form: Form, sought: Sought, read: Sequence[tuple[int, Shown]]) -> Candidate | None:
    """The candidate that a column in a form is, None where a look speaks against it."""
    fit, loose, last = 0.0, 0, None
    coarse = column.step * abs(form.scale)
    for index, told in read:
        raw = column.raws[index]
        if raw is None:
            return None
        off = form.value(raw) - told.value
        low, high = window(told, coarse)
        if not low - EDGE <= off <= high + EDGE:
            if abs(off) > _reach(told, sought, coarse):
                return None
            loose += 1
            fit += log(LOOSE_SHARE * told.step / (2 * _reach(told, sought, coarse)))
        if coarse > told.step:  # one raw number stands for many displays, unless neither has moved
            fit += log(max(told.step / coarse, sought.rests if (raw, told.value) == last else 0.0))
        last = (raw, told.value)
    if loose > max(1, len(read) // LOOSE_OF) or (loose and len(read) == 1):
        return None
    return Candidate(column, form, fit, loose * STRICT_OF <= len(read))


def window(told: Shown, coarse: float) -> tuple[float, float]:
    """How far a register's value may lie from the shown one: both rounded, or both cut towards zero.

    A register in steps of `coarse`, rounded, lies within half of one of the true value; cut, up to one nearer
    to zero. The display likewise with its own step.
    """
    outward, inward = told.step + coarse / 2, coarse + told.step / 2
    if told.value == 0:
        return -max(outward, inward), max(outward, inward)
    return (-inward, outward) if told.value > 0 else (-outward, inward)


def _reach(told: Shown, sought: Sought, coarse: float) -> float:
    """How far it may lie off at most, with the display's lag."""
    slack = max(sought.slack_least, sought.slack * abs(told.value))
    low, high = window(told, abs(coarse))
    return max(-low, high) + slack


def by_chance(quantity: str, looks: Sequence[Look]) -> float:
    """The log of how likely these digits are where no register is known to hold the quantity."""
    sought = SOUGHT[quantity]
    total, last = 0.0, None
    for look in looks:
        told = look.shown.get(quantity)
        if told is None:
            continue
        zero = sought.unit in ("A", "W", "Wh") and told.value == 0
        if last is None:
            chance = 0.25 if zero else min(1.0, told.step / sought.spread)
        elif told.value == last:
            chance = sought.rests
        else:
            chance = 0.25 if zero else min(1.0, (1 - sought.rests) * told.step / sought.moved)
        total += log(chance)
        last = told.value
    return total
