"""Whether a device writes its numbers in pairs of registers, where none has needed the upper one yet.

A register that was always empty may be the upper half of the one beside it, or another quantity at zero.
Where every second register of a stretch is empty and the ones between are not, all of them are halves, or are
left empty for ever: either way a pair reads right.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from monitor.match.columns import Column

LEAST = 4
"""So many numbers beside the one in question must stand in such pairs (our choice: three may be chance)."""

Place = tuple[int, int]


def words_of(columns: Sequence[Column]) -> dict[Place, Column]:
    """The single registers by place."""
    return {(column.function, column.address): column for column in columns if column.encoding == "u16"}


def in_pairs(words: Mapping[Place, Column], pair: Column) -> bool:
    """Whether the registers around a pair go in pairs, too, without a gap, all with empty upper halves."""
    upper, lower = (0, 1) if pair.word_order == "high_first" else (1, 0)
    full = 0
    for onward in (2, -2):
        address = pair.address + onward
        while True:
            high = words.get((pair.function, address + upper))
            low = words.get((pair.function, address + lower))
            if high is None or low is None or not _extends(high, low):
                break
            full += any(low.raws)
            address += onward
            if full >= LEAST:
                return True
    return False


def _extends(high: Column, low: Column) -> bool:
    """Whether one register only ever says the sign of another."""
    return all(
        above in (None, 0) or (above == 0xFFFF and below is not None and below >= 0x8000)
        for above, below in zip(high.raws, low.raws, strict=True)
    )
