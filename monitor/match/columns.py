"""Every register, pair and half of a register as a number over the snapshots of a dump.

A column that would repeat another one of the same place is left out: signed where no sign ever shows, the low
half where the high one is always zero. `answer` gives such a column its name when it is known what it holds.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from monitor.match.dump import Dump

Kind = Literal["word", "pair", "float", "half", "whole", "point"]
"""The last two are numbers in lines of text, written without and with a decimal point."""

Raws = tuple[float | None, ...]

SMALLEST_FLOAT, LARGEST_FLOAT = 1e-5, 1e7
"""Floats beyond are other things that look like floats (our choice)."""


@dataclass(frozen=True, slots=True)
class LineField:
    """A key or column of lines of text that hold these words, by column."""

    where: str | int
    only_where: tuple[tuple[int, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Column:
    """One reading of one place: `encoding` as a profile names it, raws one for each snapshot, None where
    absent. step is what its last digit counts, 0 for a float. field says which field of a line of text it is,
    None for registers.
    """

    function: int
    address: int
    encoding: str
    word_order: str | None
    kind: Kind
    raws: Raws
    step: float = 1.0
    field: LineField | None = None

    @property
    def registers(self) -> tuple[tuple[int, int], ...]:
        """The places it takes."""
        width = 2 if self.kind in ("pair", "float") else 1
        return tuple((self.function, self.address + n) for n in range(width))

    @property
    def moves(self) -> bool:
        """Whether it ever holds something else."""
        return len({raw for raw in self.raws if raw is not None}) > 1


def columns_of(dump: Dump) -> list[Column]:
    """All columns of a dump."""
    snapshots = [snapshot.words for snapshot in dump.snapshots]
    found: list[Column] = []
    words = {place: [words.get(place) for words in snapshots] for place in dump.places}
    for (function, address), own in words.items():
        found += _singles(function, address, own)
        behind = words.get((function, address + 1))
        if behind is not None:
            found += _pairs(function, address, own, behind)
    return found


def _singles(function: int, address: int, words: Sequence[int | None]) -> Iterator[Column]:
    highest = max(word for word in words if word is not None)
    yield Column(function, address, "u16", None, "word", tuple(words))
    if highest >= 0x8000:
        yield Column(function, address, "s16", None, "word", _signed(words, 16))
    if highest < 0x100:
        return
    for encoding, shift in (("8hi", 8), ("8lo", 0)):
        halves = [None if word is None else word >> shift & 0xFF for word in words]
        yield Column(function, address, f"u{encoding}", None, "half", tuple(halves))
        if max(half for half in halves if half is not None) >= 0x80:
            yield Column(function, address, f"s{encoding}", None, "half", _signed(halves, 8))


def _pairs(
    function: int, address: int, first: Sequence[int | None], second: Sequence[int | None]
) -> Iterator[Column]:
    for order, high, low in (("high_first", first, second), ("low_first", second, first)):
        patterns = [
            None if above is None or below is None else above << 16 | below
            for above, below in zip(high, low, strict=True)
        ]
        known = [pattern for pattern in patterns if pattern is not None]
        if not known:
            return
        if max(known) >= 1 << 31:
            yield Column(function, address, "s32", order, "pair", _signed(patterns, 32))
        yield Column(function, address, "u32", order, "pair", tuple(patterns))
        floats = tuple(None if pattern is None else _float(pattern) for pattern in patterns)
        if all(pattern is None or value is not None for pattern, value in zip(patterns, floats, strict=True)):
            yield Column(function, address, "f32", order, "float", floats, 0.0)


def _signed(patterns: Sequence[int | None], bits: int) -> Raws:
    return tuple(
        pattern - (1 << bits) if pattern is not None and pattern >= 1 << bits - 1 else pattern
        for pattern in patterns
    )


def _float(pattern: int) -> float | None:
    """The float of a bit pattern, None for what no device would send as a value."""
    value: float = struct.unpack(">f", struct.pack(">I", pattern))[0]
    if pattern == 0:
        return 0.0
    likely = math.isfinite(value) and SMALLEST_FLOAT <= abs(value) <= LARGEST_FLOAT
    return value if likely else None
