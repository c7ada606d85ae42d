"""How easily another register could have agreed by chance: the same search for digits that were never shown.

The digits of a quantity are moved away together, as one would see them on another display: the differences of
temperatures and shares of charge stay, and the ratios of volts, amperes, watts and watt-hours. What agrees
with these imagined digits agrees by chance, by the ways in which this very device's numbers go; how much it
would be believed beside the found place says what that place is worth. All numbers are our choice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import exp
from typing import Protocol

from monitor.match.candidates import Candidate, Finder
from monitor.match.habits import SOUGHT
from monitor.match.seen import Look, Shown

FACTORS = tuple(exp(sign * (0.12 + 0.07 * n)) for n in range(12) for sign in (1, -1))
"""So many times the shown digits, from an eighth more or less to two and a half times and less than half."""

STEPS_AWAY = tuple(sign * (2.3 + 1.3 * n) for n in range(12) for sign in (1, -1))
"""So many degrees or percent beside the shown ones."""


class Weigher(Protocol):
    """Who weighs candidates of one quantity with all others in view."""

    def weight(self, candidate: Candidate) -> float:
        """The log of how likely the quantity is just there, with what was shown."""
        ...


def by_accident(
    quantity: str, best: Candidate, looks: Sequence[Look], finder: Finder, weigher: Weigher
) -> float:
    """How likely something agrees by chance that would be believed as much as a found place, 0 to 1."""
    own, chances = weigher.weight(best), []
    for imagined in _imagined(quantity, looks):
        weights = [weigher.weight(candidate) - own for candidate in finder.find(quantity, imagined)]
        chances.append(min(1.0, sum(exp(min(0.0, weight)) for weight in weights)))
    return sum(chances) / len(chances)


def _imagined(quantity: str, looks: Sequence[Look]) -> Iterator[list[Look]]:
    unit = SOUGHT[quantity].unit
    read = [look for look in looks if quantity in look.shown]
    for away in STEPS_AWAY if unit in ("°C", "%") else FACTORS:
        moved = []
        for look in read:
            told = look.shown[quantity]
            value = told.value + away if unit in ("°C", "%") else told.value * away
            moved.append(
                replace(look, shown={quantity: Shown(round(value / told.step) * told.step, told.step)})
            )
        yield moved
