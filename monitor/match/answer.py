"""The answer of a match: for each quantity that the display shows, where it lives and how sure that is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from monitor.match.candidates import Candidate, Finder, by_chance
from monitor.match.chance import by_accident
from monitor.match.columns import Column, columns_of
from monitor.match.doubt import Doubt
from monitor.match.dump import Dump
from monitor.match.groups import Choice, choices
from monitor.match.habits import SOUGHT
from monitor.match.joint import Held, weigh
from monitor.match.seen import Look, Shown, coarsened
from monitor.match.settle import LIKELY, Known, settled

State = Literal["certain", "likely", "open"]

LIKELY_STILL = 0.9
"""The same where the digits were the same at every look: too much else stands still (our choice)."""

TOLD = 0.02
"""Candidates with less belief are not told (our choice)."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One quantity: what was shown beside which snapshots, the state, the choices that are left, and why it
    is not certain.
    """

    quantity: str
    indexes: tuple[int, ...]
    shown: tuple[Shown, ...]
    state: State
    choices: tuple[Choice, ...]
    doubts: tuple[Doubt, ...]

    @property
    def best(self) -> Candidate | None:
        """The reading to use, None where nothing agrees: a certain one must be right in any case."""
        if not self.choices:
            return None
        spot = self.choices[0].spots[0]
        return spot.safe if self.state == "certain" and spot.safe else spot.best


@dataclass(frozen=True, slots=True)
class Answer:
    """Findings in the order of SOUGHT, for the quantities that were shown."""

    findings: tuple[Finding, ...]


def match(dump: Dump, looks: Sequence[Look]) -> Answer:
    """Where the shown quantities live in the dump's registers."""
    registers = Counter(function for function, _ in dump.places)
    return match_columns(columns_of(dump), registers, dump.times_ms, looks)


def match_columns(
    columns: Sequence[Column],
    registers: Mapping[int, int],
    times_ms: Sequence[int] | None,
    looks: Sequence[Look],
) -> Answer:
    """Where the shown quantities live in columns: registers says how many places each function has, times_ms
    when each snapshot was taken, None where nobody noted that.
    """
    looks = coarsened(looks)
    shown = [quantity for quantity in SOUGHT if any(quantity in look.shown for look in looks)]
    finder = Finder(columns)
    candidates = {quantity: finder.find(quantity, looks) for quantity in shown}
    chance = {quantity: by_chance(quantity, looks) for quantity in shown}
    beliefs = weigh(candidates, chance, registers)
    found = {quantity: choices(quantity, candidates[quantity], beliefs[quantity]) for quantity in shown}
    held = Held(candidates, beliefs, registers)

    def accident(quantity: str) -> float:
        best = found[quantity][0].spots[0].best
        return by_accident(quantity, best, looks, finder, held.without(quantity))

    read, left = settled(found, Known(columns, looks, times_ms, candidates, accident))
    return Answer(
        tuple(_finding(quantity, read[quantity], left.get(quantity, ()), looks) for quantity in shown)
    )


def _finding(
    quantity: str, found: Sequence[Choice], left: tuple[Doubt, ...], looks: Sequence[Look]
) -> Finding:
    read = [look for look in looks if quantity in look.shown]
    state: State = "open"
    one_of_two = "through" in left and len(found[0].spots) == 1  # and nothing says which of the two it is
    still = len({look.shown[quantity].value for look in read}) == 1 and len(looks) > 1
    if found and found[0].share >= (LIKELY_STILL if still else LIKELY) and not one_of_two:
        state = "likely" if left else "certain"
    kept = [choice for number, choice in enumerate(found) if number == 0 or choice.share >= TOLD]
    indexes, shown = tuple(look.index for look in read), tuple(look.shown[quantity] for look in read)
    return Finding(quantity, indexes, shown, state, tuple(kept), left)


FIELD_KEYS = {
    form: (place, "only_where", "scale", "offset")
    for form, place in (("pairs", "key"), ("columns", "column"))
}
"""By what a place in lines of text is told, by their form."""

REGISTER_KEYS = ("function", "address", "encoding", "word_order", "scale", "offset")


def document(answer: Answer, ask: str | None, keys: Sequence[str] = REGISTER_KEYS) -> dict[str, Any]:
    """The answer as `nightbank match --json` prints it.

    The place of an open quantity is the best of its candidates, null where nothing agrees. candidates are all
    that is left, the chosen one first, each with its place, how it is read and its share of belief. keys are
    those by which a place is told.
    """
    return {
        "quantities": {finding.quantity: _entry(finding, keys) for finding in answer.findings},
        "ask": ask,
    }


def _entry(finding: Finding, keys: Sequence[str]) -> dict[str, Any]:
    spots = [spot for choice in finding.choices for spot in choice.spots]
    read = [finding.best, *(spot.best for spot in spots[1:])]
    told = [
        {**place(best, finding.quantity), "share": round(spot.share, 3)}
        for best, spot in zip(read, spots, strict=False)
        if best is not None
    ]
    if finding.best is None:
        return {"state": finding.state, **dict.fromkeys(keys), "candidates": []}
    return {"state": finding.state, **place(finding.best, finding.quantity), "candidates": told}


def place(candidate: Candidate, quantity: str) -> dict[str, Any]:
    """Where and how a candidate is read: value = raw * scale + offset."""
    column, form = candidate.column, candidate.form
    turned = -1 if form.sign == "turned" else 1
    if column.field is not None:
        return {
            "key" if isinstance(column.field.where, str) else "column": column.field.where,
            "only_where": {str(at): text for at, text in column.field.only_where},
            "scale": turned * form.scale,
            "offset": turned * form.offset,
        }
    return {
        "function": column.function,
        "address": column.address,
        "encoding": encoding(candidate, quantity),
        "word_order": column.word_order,
        "scale": turned * form.scale,
        "offset": turned * form.offset,
    }


def encoding(candidate: Candidate, quantity: str) -> str:
    """The encoding to write down: signed where the quantity may go below zero and nothing speaks against it.

    A whole number that never had its highest bit set reads the same either way; only the next cold night, or
    the first discharge, would tell.
    """
    column = candidate.column
    may_be_negative = SOUGHT[quantity].unit in ("A", "°C") and candidate.form.offset > -1
    if not may_be_negative or column.encoding[0] != "u":
        return column.encoding
    bits = {"word": 16, "pair": 32, "half": 8}[column.kind]
    reach = ((1 << bits - 1) - 1) * candidate.form.scale
    roomy = reach >= (60 if SOUGHT[quantity].unit == "A" else 90) or quantity == "battery_current_A"
    return f"s{column.encoding[1:]}" if roomy else column.encoding
