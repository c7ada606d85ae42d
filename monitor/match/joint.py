"""All quantities at once: what one place says for its neighbours, which habits the device has, no register
twice.

Each candidate gets a share of belief; so does, for each quantity, that no register holds it. The shares are
worked out in rounds: how near a candidate lies to the believed places of the others, and whether it is
written as they are, weighs it anew. Near is judged by a sum over all others, so that ten neighbours say no
more than a map with ten values in a row does. All numbers are our choice.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from math import exp, log

from monitor.match import habits
from monitor.match.candidates import Candidate
from monitor.match.columns import Column
from monitor.match.habits import SOUGHT

ROUNDS = 7
REACH = 48
"""Registers so far off are still neighbours."""

NEAR_SHARE, FUNCTION_SHARE = 0.78, 0.15
"""How often a quantity lies near another one, and otherwise in a function that another one uses."""

FEW = 0.6
"""With fewer believed places than some of these the neighbours say little."""

USUAL_STRENGTH = 2.5
"""A habit counts as much as so many quantities written in the usual way."""

_KERNEL = [0.0] + [1.0 / (distance + 2.0) for distance in range(1, REACH + 1)]
_KERNEL_SUM = 2 * sum(_KERNEL)

Beliefs = dict[str, list[float]]
"""For each quantity a share for each of its candidates; what is left is that no register holds it."""


def weigh(
    candidates: Mapping[str, Sequence[Candidate]], chance: Mapping[str, float], registers: Mapping[int, int]
) -> Beliefs:
    """The shares of all candidates. chance is `by_chance` of each quantity, registers how many a function
    has.
    """
    beliefs: Beliefs = {quantity: [0.0] * len(found) for quantity, found in candidates.items()}
    for number in range(ROUNDS):
        beliefs = _round(candidates, chance, registers, beliefs, damped=0 < number < ROUNDS - 1)
    return beliefs


def _round(
    candidates: Mapping[str, Sequence[Candidate]],
    chance: Mapping[str, float],
    registers: Mapping[int, int],
    old: Beliefs,
    damped: bool,
) -> Beliefs:
    held = Held(candidates, old, registers)
    fresh: Beliefs = {}
    for quantity, found in candidates.items():
        others = held.without(quantity)
        weights = [log(1 - habits.ABSENT) + others.weight(candidate) for candidate in found]
        absent = log(habits.ABSENT) + chance[quantity]
        highest = max([absent, *weights])
        shares = [exp(weight - highest) for weight in weights]
        whole = sum(shares) + exp(absent - highest)
        fresh[quantity] = [share / whole for share in shares]
        if damped:
            fresh[quantity] = [(a + b) / 2 for a, b in zip(fresh[quantity], old[quantity], strict=True)]
    return fresh


class Held:
    """What is believed of each quantity, summed up so that one can be taken out."""

    def __init__(
        self, candidates: Mapping[str, Sequence[Candidate]], beliefs: Beliefs, registers: Mapping[int, int]
    ) -> None:
        self._parts = {
            quantity: _Part(quantity, found, beliefs[quantity]) for quantity, found in candidates.items()
        }
        self._registers = registers

    def without(self, quantity: str) -> Others:
        """All but one quantity, to weigh that one's candidates."""
        parts = [part for name, part in self._parts.items() if name != quantity]
        return Others(quantity, parts, self._registers)


class _Part:
    """One quantity's belief, spread over places, registers and habits."""

    def __init__(self, quantity: str, found: Sequence[Candidate], shares: Sequence[float]) -> None:
        self.places: dict[tuple[int, int], float] = defaultdict(float)
        self.registers: dict[tuple[int, int, str], float] = defaultdict(float)
        self.ways: dict[tuple[str, str, object], float] = defaultdict(float)
        self.whole = 0.0
        unit = SOUGHT[quantity].unit
        for candidate, share in zip(found, shares, strict=True):
            if share < 0.004:
                continue
            column, form = candidate.column, candidate.form
            self.whole += share
            self.places[column.function, column.address] += share
            half = column.encoding[1:] if column.kind == "half" else ""
            for register in column.registers:
                self.registers[(*register, half)] += share
            self.ways["kind", "any", column.kind] += share
            if column.kind != "float":
                self.ways["kind", unit, column.kind] += share
            self.ways["scale", unit + column.kind, form.scale] += share
            self.ways["offset", unit, form.offset] += share
            if column.word_order:
                self.ways["order", "any", column.word_order] += share


class Others:
    """The other quantities together, beside which one quantity's candidates are weighed."""

    def __init__(self, quantity: str, parts: Sequence[_Part], registers: Mapping[int, int]) -> None:
        self._quantity = quantity
        self._in_function = registers
        self._total = sum(registers.values())
        self._near: dict[tuple[int, int], float] = defaultdict(float)
        self._functions: dict[int, float] = defaultdict(float)
        self._registers: dict[tuple[int, int, str], float] = defaultdict(float)
        self._ways: dict[tuple[str, str, object], float] = defaultdict(float)
        self._sums: dict[tuple[str, str], float] = defaultdict(float)
        self.whole = sum(part.whole for part in parts)
        for part in parts:
            for (function, address), share in part.places.items():
                self._functions[function] += share
                for distance in range(1, REACH + 1):
                    weight = share * _KERNEL[distance] / _KERNEL_SUM
                    self._near[function, address - distance] += weight
                    self._near[function, address + distance] += weight
            for register, share in part.registers.items():
                self._registers[register] += share
            for way, share in part.ways.items():
                self._ways[way] += share
                self._sums[way[:2]] += share

    def weight(self, candidate: Candidate) -> float:
        """The log of how likely the quantity lies just here, written so, and shows what was shown."""
        free = max(0.02, 1.0 - self._taken(candidate))
        return log(self._near_by(candidate) * self._usual(candidate) * free) + candidate.fit

    def _near_by(self, candidate: Candidate) -> float:
        """How likely the quantity lies just here."""
        column = candidate.column
        known = self.whole / (self.whole + FEW)
        near = self._near.get((column.function, column.address), 0.0) / max(self.whole, 1e-9)
        function = (
            self._functions[column.function] / max(self.whole, 1e-9) / self._in_function[column.function]
        )
        anywhere = 1 / self._total
        there = NEAR_SHARE * near + FUNCTION_SHARE * function + (1 - NEAR_SHARE - FUNCTION_SHARE) * anywhere
        return known * there + (1 - known) * anywhere

    def _usual(self, candidate: Candidate) -> float:
        """How likely it is written so."""
        unit, column, form = SOUGHT[self._quantity].unit, candidate.column, candidate.form
        kind = 1.0 if column.field is not None else self._encoded(unit, column)
        form_share = form.weight
        usual_scale = habits.scales(unit, column.kind).get(form.scale)
        if usual_scale:
            own = self._share("scale", unit + column.kind, form.scale, usual_scale, USUAL_STRENGTH)
            form_share *= own / usual_scale
        if unit == "°C" and form.offset:
            form_share *= self._share("offset", unit, form.offset, 0.2, USUAL_STRENGTH) / 0.2
        order = 1.0
        if column.word_order:
            order = self._share("order", "any", column.word_order, 0.5, 0.6)
        return kind * form_share * order

    def _encoded(self, unit: str, column: Column) -> float:
        """How likely a quantity of a unit stands in registers of such a kind; a line of text has one kind."""
        kinds = habits.ENCODINGS[unit]
        floats = self._share("kind", "any", "float", kinds["float"], USUAL_STRENGTH)
        if column.kind == "float":  # a device may write all in floats; words and pairs go by the unit
            return floats
        whole = kinds[column.kind] / (1 - kinds["float"])
        return (1 - floats) * self._share("kind", unit, column.kind, whole, USUAL_STRENGTH)

    def _taken(self, candidate: Candidate) -> float:
        """How much others are believed to be in its registers."""
        column = candidate.column
        half = column.encoding[1:] if column.kind == "half" else ""
        most = 0.0
        for register in column.registers:
            own = sum(
                self._registers.get((*register, other), 0.0)
                for other in (("", "8hi", "8lo") if not half else ("", half))
            )
            most = max(most, own)
        return min(1.0, most)

    def _share(self, what: str, group: str, way: object, usual: float, strength: float) -> float:
        """The share of a way among the others of a group, beside what is usual."""
        return (strength * usual + self._ways.get((what, group, way), 0.0)) / (
            strength + self._sums.get((what, group), 0.0)
        )
