"""Whether a device keeps records of the highest and lowest, and whether a place lies among live values.

A register that has only risen may be today's highest. Where no register of the device looks like such a
record of any quantity that has turned, and the place lies among proven live ones, it is none itself.
Likewise a voltage is not the load output's where another register is seen to be that.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate, pairwise

from monitor.match.candidates import Candidate
from monitor.match.columns import Column

COMPANY = 3
"""So many proven live quantities must lie near."""

NEAR, BESIDE = 12, 8
"""At most so many registers away; so few where it must be so on both sides."""

AROUND = 4
"""So many registers beyond the farthest of them no record may lie."""

FAR_NEXT = 6
"""The next number is at most so many registers away."""

LIKE = 1.6
"""A record lies no farther from the highest, or the lowest, that was dumped so far than so many times it."""


def keeps_records(columns: Sequence[Column], found: Sequence[Candidate], live: Sequence[Candidate]) -> bool:
    """Whether any register but those found could be a moving record of one of the live quantities."""
    own = {register for candidate in found for register in candidate.column.registers}
    moving = [
        column
        for column in columns
        if column.moves and not own & set(column.registers) and (_rises(column) or _rises(column, -1))
    ]
    return any(could_record(column, candidate.column) for candidate in live for column in moving)


def _rises(column: Column, sign: int = 1) -> bool:
    raws = [sign * raw for raw in column.raws if raw is not None]
    return all(before <= after for before, after in pairwise(raws))


def could_record(column: Column, live: Column) -> bool:
    """Whether a column may hold the day's highest, or lowest, of another one, written like it; that may stand
    still.
    """
    if column.kind != live.kind or column.word_order != live.word_order:
        return False
    pairs = [(a, b) for a, b in zip(column.raws, live.raws, strict=True) if a is not None and b is not None]
    highest = list(accumulate((b for _, b in pairs), max))
    lowest = list(accumulate((b for _, b in pairs), min))
    held = [a for a, _ in pairs]
    above = all(0 < top <= a <= LIKE * top for a, top in zip(held, highest, strict=True))
    below = all(low > 0 and low / LIKE <= a <= low for a, low in zip(held, lowest, strict=True))
    return (above and _rises(column)) or (below and _rises(column, -1))


def in_company(candidate: Candidate, live: Sequence[Candidate]) -> bool:
    """Whether enough proven live quantities lie near, written in the same function. In a line of text all
    fields lie near, records as well, so that says nothing there.
    """
    own = candidate.column
    if own.field is not None:
        return False
    near = [
        other
        for other in live
        if other.column.function == own.function and abs(other.column.address - own.address) <= NEAR
    ]
    return len(near) >= COMPANY


def among_found(
    candidate: Candidate, others: Sequence[Candidate], likely: Sequence[Candidate], columns: Sequence[Column]
) -> bool:
    """Whether a place stands among the places of other quantities, none of which has its records there.

    Records stand beside each other, or beside their live value. So either the next number on each side is
    another quantity's, or there are enough on both sides (more on one), and no number around them could be a
    record of one of them.
    """
    own = candidate.column
    near = [
        other.column
        for other in others
        if other.column.function == own.function and abs(other.column.address - own.address) <= NEAR
    ]
    if all(_next_number(own, step, columns) in _places(near) for step in (-1, 1)):
        return True
    sides = {other.address > own.address for other in near if abs(other.address - own.address) <= BESIDE}
    if len(near) < COMPANY + (len(sides) < 2):
        return False
    taken = {register for one in likely for register in one.column.registers}
    first = min(own.address, *(column.address for column in near)) - AROUND
    last = max(own.address, *(column.address for column in near)) + AROUND
    around = [
        column
        for column in columns
        if column.function == own.function
        and first <= column.address <= last
        and not taken & set(column.registers)
    ]
    return not any(could_record(column, value) for column in around for value in (*near, own))


def _places(columns: Sequence[Column]) -> set[tuple[int, int]]:
    return {register for column in columns for register in column.registers}


def _next_number(own: Column, step: int, columns: Sequence[Column]) -> tuple[int, int] | None:
    """The first register beside a place, upwards or downwards, that is not always empty."""
    words = {
        column.address: column
        for column in columns
        if column.function == own.function and column.encoding in ("u16", "text")
    }
    address = max(own.registers)[1] if step > 0 else own.address
    for distance in range(1, FAR_NEXT + 1):
        column = words.get(address + step * distance)
        if column is not None and set(column.raws) - {0, 0xFFFF, None}:
            return own.function, address + step * distance
    return None


def knows_output(columns: Sequence[Column], bank: Candidate) -> bool:
    """Whether another column is seen to be the load output's voltage: the bank's, to a count, at two
    snapshots or more that tell different numbers, and nothing at another one.
    """
    own = bank.column
    for column in columns:
        if (column.kind, column.word_order) != (own.kind, own.word_order) or column == own:
            continue
        pairs = [
            (a, b) for a, b in zip(column.raws, own.raws, strict=True) if a is not None and b is not None
        ]
        equal = {b for a, b in pairs if a and abs(a - b) <= (own.step or 1e-3 * abs(b))}
        if len(equal) > 1 and all(not a or b in equal for a, b in pairs) and not all(a for a, _ in pairs):
            return True
    return False
