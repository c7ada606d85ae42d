"""Candidates that are one and the same: one place read in two ways that agree, or one value in two places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.match.candidates import Candidate
from monitor.match.habits import SOUGHT

CLEAR = 0.95
"""So much belief must agree on one register or two before that is settled (our choice)."""

SIGNED = ("A", "°C")

ROOM = {"V": 160, "A": 100, "W": 6000, "°C": 150, "Wh": 30_000, "%": 100}
"""More than these no such device has to write; a register that holds them needs no other (our choice)."""


@dataclass(frozen=True, slots=True)
class Spot:
    """One place with one course of values; `best` is its most believed reading, share the belief of all.

    safe is a reading that is right whether one register or two hold it, None where there is none.
    """

    best: Candidate
    safe: Candidate | None
    share: float
    strict: bool


@dataclass(frozen=True, slots=True)
class Choice:
    """Spots with the very same values in every snapshot (twins), the most believed first."""

    spots: tuple[Spot, ...]

    @property
    def share(self) -> float:
        return sum(spot.share for spot in self.spots)


def choices(quantity: str, found: Sequence[Candidate], shares: Sequence[float]) -> list[Choice]:
    """The candidates of one quantity as choices, the most believed first."""
    unit = SOUGHT[quantity].unit
    alike: dict[tuple[float | None, ...], list[tuple[float, Candidate]]] = {}
    for candidate, share in zip(found, shares, strict=True):
        values = tuple(None if value is None else round(value, 5) for value in candidate.values())
        alike.setdefault(values, []).append((share, candidate))
    found_choices = [Choice(_spots(group, unit)) for group in alike.values()]
    return sorted(found_choices, key=lambda choice: -choice.share)


def _spots(group: list[tuple[float, Candidate]], unit: str) -> tuple[Spot, ...]:
    """Candidates of equal values, those that share a register joined."""
    spots: list[tuple[set[tuple[int, int]], list[tuple[float, Candidate]]]] = []
    for share, candidate in sorted(group, key=lambda pair: -pair[0]):
        own = set(candidate.column.registers)
        home = next((members for places, members in spots if places & own), None)
        if home is None:
            spots.append((own, [(share, candidate)]))
        else:
            home.append((share, candidate))
    return tuple(
        Spot(
            _most_believed(members, unit),
            _safe(members, unit),
            sum(share for share, _ in members),
            any(candidate.strict for _, candidate in members),
        )
        for _, members in sorted(spots, key=lambda spot: -sum(share for share, _ in spot[1]))
    )


def _most_believed(members: Sequence[tuple[float, Candidate]], unit: str) -> Candidate:
    """The most believed reading; but where a sign may come, the first register alone of a pair with the low
    word first: it reads right below zero, too, whether the other one is a part of it or not.
    """
    best = members[0][1]
    signed = unit in SIGNED and abs(best.form.scale) * 0x7FFF >= ROOM[unit]
    if not signed or best.column.word_order != "low_first" or best.column.kind != "pair":
        return best
    return next((other for _, other in members if other.column.kind == "word"), best)


def _safe(members: Sequence[tuple[float, Candidate]], unit: str) -> Candidate | None:
    """A reading that is right whether a register that was always empty is the high half of this one or
    something else: the low one alone, where it has room. None where neither that nor the belief settles it.
    """
    best = members[0][1]
    words = [candidate for _, candidate in members if candidate.column.kind == "word"]
    pairs = any(candidate.column.kind == "pair" for _, candidate in members)
    if not words or not pairs:
        return best
    roomy = abs(best.form.scale) * (0x7FFF if unit in SIGNED else 0xFFFF) >= ROOM[unit]
    if _clear(members) >= CLEAR and (roomy or best.column.kind == "pair"):
        return best
    return words[0] if roomy else None


def _clear(members: Sequence[tuple[float, Candidate]]) -> float:
    """The larger share of those that take one register, or two."""
    one = sum(share for share, candidate in members if len(candidate.column.registers) == 1)
    whole = sum(share for share, _ in members)
    return max(one, whole - one) / whole if whole else 0.0
