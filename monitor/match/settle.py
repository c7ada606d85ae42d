"""The doubts once all quantities are known: what the places say about each other.

`gates` looks at one quantity; here two that share a register doubt each other, a place among found ones is no
record of the day, watts are held against volts times amperes, and what a register could have shown by
chance is tried out. A doubt is only ever taken away for a reason that is named here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from monitor.match.candidates import Candidate
from monitor.match.columns import Column
from monitor.match.counters import counted_before
from monitor.match.doubt import Doubt
from monitor.match.gates import doubts, has_moved, has_moved_at_all
from monitor.match.groups import Choice
from monitor.match.habits import SOUGHT
from monitor.match.pairs import in_pairs, words_of
from monitor.match.power import before_converter
from monitor.match.records_kept import among_found, in_company, keeps_records, knows_output
from monitor.match.seen import Look, Shown

LIKELY = 0.6
"""From this share of belief on a place is likely (our choice: of ten such, six were right and more)."""

FOUND = 0.9
"""From this share on a place says something about its neighbours (our choice)."""

UNPROVEN, PROVEN = {"extreme", "rivals", "lag"}, 0.99
"""With one of these doubts, or less belief, a place is not proven to be a live value."""

UNPLACED = {"twin", "lag", "shared", "through"}
"""With one of these doubts a place may be another one."""

TRUSTED = 0.8
"""Less belief than this is never certain, however little agrees by chance (our choice)."""

DOUBTED, DOUBTED_TWO, ACCIDENT_BELIEVED = 0.01, 0.003, 0.05
"""Where no more belief than this is left for all rivals and for no register at all (less with two looks), the
digits may agree by chance a little more easily than elsewhere (our choice)."""

ACCIDENT, ACCIDENT_STILL = 0.01, 0.003
"""So likely another register may agree by chance at most; less where the digits have moved by little. One
in five shown quantities is in no register (`habits.ABSENT`), so that of places just at the limit one in three
hundred would be wrong; nearly all lie far below.
"""

ELSEWHERE: Mapping[str, Mapping[Doubt, str]] = {
    "charge_current_A": {"net": "battery_current_A", "array": "array_current_A"},
    "battery_current_A": {"charge": "charge_current_A", "load": "load_current_A"},
    "array_current_A": {"charge": "charge_current_A"},
    "load_current_A": {"net": "battery_current_A"},
    "array_voltage_V": {"net": "battery_voltage_V"},
}
"""The quantity behind a doubt, where a display may show it: its digits may then speak against the place."""

SEEN_OFTEN = 2
"""It must have been shown so often (our choice: at one look the display's lag may make the difference)."""

Found = dict[str, list[Choice]]
Doubts = dict[str, tuple[Doubt, ...]]


@dataclass(frozen=True, slots=True)
class Known:
    """All quantities together: columns and looks of the match, times_ms of the snapshots, the candidates of
    each quantity, and how likely something agrees by chance with one.
    """

    columns: Sequence[Column]
    looks: Sequence[Look]
    times_ms: Sequence[int] | None
    candidates: Mapping[str, Sequence[Candidate]]
    accident: Callable[[str], float]

    def read(self, quantity: str) -> list[Shown]:
        """What was shown of a quantity."""
        return [look.shown[quantity] for look in self.looks if quantity in look.shown]

    def has_moved(self, quantity: str, found: Found) -> bool:
        """Whether its digits and its register have moved well."""
        return has_moved(quantity, self.read(quantity), found[quantity][0])


def settled(found: Found, known: Known) -> tuple[Found, Doubts]:
    """The choices, a pair for a word where the device writes pairs, and the doubts that are left."""
    left = {
        quantity: doubts(quantity, ranked, known.times_ms, known.looks)
        for quantity, ranked in found.items()
        if ranked
    }
    best = {quantity: found[quantity][0].spots[0].best for quantity in left}
    likely = {quantity: one for quantity, one in best.items() if found[quantity][0].share >= LIKELY}
    for quantity in left:
        for doubt, other in ELSEWHERE.get(quantity, {}).items():
            if doubt in left[quantity] and not _could_be(other, best[quantity], known):
                left[quantity] = _without(doubt, left[quantity])
        if "output" in left[quantity] and knows_output(known.columns, best[quantity]):
            left[quantity] = _without("output", left[quantity])
        if "total" in left[quantity] and counted_before(known.columns, best[quantity]):
            left[quantity] = _without("total", left[quantity])
        if quantity in likely and _shares(quantity, likely):
            left[quantity] = (*left[quantity], "shared")
    found = {quantity: list(ranked) for quantity, ranked in found.items()}
    _take_pairs(found, left, known)
    _clear_records(found, left, best, list(likely.values()), known)
    if "charge" in left.get("array_power_W", ()) and before_converter(best):
        left["array_power_W"] = _without("charge", left["array_power_W"])
    return found, {
        quantity: _by_chance(quantity, found[quantity], own, known) for quantity, own in left.items()
    }


def _without(doubt: Doubt, own: tuple[Doubt, ...]) -> tuple[Doubt, ...]:
    return tuple(other for other in own if other != doubt)


def _could_be(other: str, own: Candidate, known: Known) -> bool:
    """Whether a place may hold another quantity: nobody has seen that one, or the place agrees with it."""
    if len(known.read(other)) < SEEN_OFTEN:
        return True
    places = set(own.column.registers)
    return any(places & set(candidate.column.registers) for candidate in known.candidates[other])


def _shares(quantity: str, likely: Mapping[str, Candidate]) -> bool:
    """Whether another quantity is believed to live in the same register, or in the same half of it."""
    own = likely[quantity].column
    return any(
        set(own.registers) & set(other.column.registers)
        and {own.encoding[1:], other.column.encoding[1:]} != {"8hi", "8lo"}
        for name, other in likely.items()
        if name != quantity
    )


def _take_pairs(found: Found, left: Doubts, known: Known) -> None:
    """Where all numbers around go in pairs of registers, a pair is the reading that is right in any case."""
    words = words_of(known.columns)
    for quantity, own in left.items():
        if "width" not in own:
            continue
        spot = found[quantity][0].spots[0]
        for column in known.columns:
            if (
                column.kind == "pair"
                and column.raws == spot.best.column.raws
                and set(column.registers) & set(spot.best.column.registers)
                and in_pairs(words, column)
            ):
                safe = replace(spot, safe=replace(spot.best, column=column))
                found[quantity][0] = Choice((safe, *found[quantity][0].spots[1:]))
                left[quantity] = _without("width", own)
                break


def _clear_records(
    found: Found, left: Doubts, best: Mapping[str, Candidate], likely: Sequence[Candidate], known: Known
) -> None:
    """What only went one way is a live value all the same where it stands among live or found ones."""
    live = [
        best[quantity]
        for quantity, own in left.items()
        if not UNPROVEN & set(own) and found[quantity][0].share >= PROVEN and known.has_moved(quantity, found)
    ]
    placed = {
        quantity: best[quantity]
        for quantity, own in left.items()
        if found[quantity][0].share >= FOUND and not UNPLACED & set(own)
    }
    records = keeps_records(known.columns, likely, live)
    for quantity, own in left.items():
        if "extreme" not in own:
            continue
        slow = SOUGHT[quantity].unit == "°C"  # the air, and whatever lies in it, goes the same way
        others = [one for name, one in placed.items() if name != quantity]
        if (not records and not slow and in_company(best[quantity], live)) or (
            quantity in placed
            and best[quantity].column.field is None  # fields of a line are all near each other
            and among_found(best[quantity], others, likely, known.columns)
        ):
            left[quantity] = _without("extreme", own)


def _by_chance(
    quantity: str, ranked: Sequence[Choice], own: tuple[Doubt, ...], known: Known
) -> tuple[Doubt, ...]:
    """The doubts with the last one: whether what was shown is too little, since another register may agree by
    chance. That is tried out where nothing else is in doubt.
    """
    read = known.read(quantity)
    share = ranked[0].share
    moved = has_moved(quantity, read, ranked[0])
    if own or len(read) < 2 or share < TRUSTED:
        return own if moved and share >= FOUND else ("little", *own)
    believed = moved and 1 - share <= (DOUBTED if len(read) > 2 else DOUBTED_TWO)
    # what lies in the same air, and other counters of energy, go together, and lines of text are full of
    # small numbers: their digits must move well
    alone = SOUGHT[quantity].unit not in ("°C", "Wh") and ranked[0].spots[0].best.column.field is None
    alone = alone and has_moved_at_all(read, ranked[0])
    limit = ACCIDENT_BELIEVED if believed else ACCIDENT if moved else ACCIDENT_STILL if alone else 0.0
    return () if known.accident(quantity) < limit else ("little",)
