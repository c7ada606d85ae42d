"""Candidates that are one and the same: one place read in two ways that agree, or one value in two places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.match.candidates import Candidate


@dataclass(frozen=True, slots=True)
class Spot:
    """One place with one course of values; `best` is its most believed reading, share the belief of all."""

    best: Candidate
    share: float
    strict: bool
    others: tuple[Candidate, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """Spots with the very same values in every snapshot (twins), the most believed first."""

    spots: tuple[Spot, ...]

    @property
    def share(self) -> float:
        return sum(spot.share for spot in self.spots)


def choices(found: Sequence[Candidate], shares: Sequence[float]) -> list[Choice]:
    """The candidates of one quantity as choices, the most believed first."""
    alike: dict[tuple[float | None, ...], list[tuple[float, Candidate]]] = {}
    for candidate, share in zip(found, shares, strict=True):
        values = tuple(None if value is None else round(value, 5) for value in candidate.values())
        alike.setdefault(values, []).append((share, candidate))
    found_choices = [Choice(_spots(group)) for group in alike.values()]
    return sorted(found_choices, key=lambda choice: -choice.share)


def _spots(group: list[tuple[float, Candidate]]) -> tuple[Spot, ...]:
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
            members[0][1],
            sum(share for share, _ in members),
            any(candidate.strict for _, candidate in members),
            tuple(candidate for _, candidate in members[1:]),
        )
        for _, members in sorted(spots, key=lambda spot: -sum(share for share, _ in spot[1]))
    )
