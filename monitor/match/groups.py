"""Candidates that are one and the same: one place read in two ways that agree, or one value in two places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.match.candidates import Candidate
from monitor.match.habits import SOUGHT

SIGNED = ("A", "°C")
ROOMY_SCALE = 0.01
"""From here on a signed register holds more than 300 amperes or degrees."""


@dataclass(frozen=True, slots=True)
class Spot:
    """One place with one course of values; `best` is the reading to use, share the belief of all."""

    best: Candidate
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
    signed = SOUGHT[quantity].unit in SIGNED
    alike: dict[tuple[float | None, ...], list[tuple[float, Candidate]]] = {}
    for candidate, share in zip(found, shares, strict=True):
        values = tuple(None if value is None else round(value, 5) for value in candidate.values())
        alike.setdefault(values, []).append((share, candidate))
    found_choices = [Choice(_spots(group, signed)) for group in alike.values()]
    return sorted(found_choices, key=lambda choice: -choice.share)


def _spots(group: list[tuple[float, Candidate]], signed: bool) -> tuple[Spot, ...]:
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
            _safest([candidate for _, candidate in members], signed),
            sum(share for share, _ in members),
            any(candidate.strict for _, candidate in members),
        )
        for _, members in sorted(spots, key=lambda spot: -sum(share for share, _ in spot[1]))
    )


def _safest(members: Sequence[Candidate], signed: bool) -> Candidate:
    """The most believed reading. Of a pair with the low word first whose high word was always empty, its
    first register alone where a sign may come: that one reads right whether the other is a part of it or
    not, as long as it has room for all amperes and degrees.
    """
    best = members[0]
    if signed and best.column.kind == "pair" and abs(best.form.scale) >= ROOMY_SCALE:
        for other in members[1:]:
            if other.column.kind == "word" and other.column.address == best.column.address:
                return other
    return best
