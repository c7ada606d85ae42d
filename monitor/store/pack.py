"""Whole numbers packed small, and blocks of packed columns; pure, and without numpy (the page is small).

A column is its first number and the differences, divided by what divides them all (a meter shows hundredths,
the store keeps thousandths), in the narrowest integers that hold them, the bytes of equal weight side by
side, deflated at level 9 for filtered data. Measured: as small as the best general packers and, where the
values are noise, close to the entropy of their differences. A column of equal steps (a steady clock, a stage
that does not change) is said in one line.
"""

from __future__ import annotations

import sys
import zlib
from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import gcd
from operator import sub
from struct import Struct

from monitor.errors import StoreError

HEAD = Struct("<BIqQ")
"""How the numbers stand, how many, the first (or what is added to each), and what each is times."""

STEADY, PLAIN = 0, 16
"""Equal steps; numbers that are no differences (added to the width in bytes)."""

CODES = {1: "b", 2: "h", 4: "i", 8: "q"}
"""Array type codes by width in bytes."""

LEVEL = 9


def pack_numbers(numbers: Sequence[int], *, steady: bool = True) -> bytes:
    """Pack numbers. steady says that neighbours are alike, so that differences are smaller than they are.

    The differences must fit in 63 bits.
    """
    if not numbers:
        return b""
    if steady:
        first, kind, parts = numbers[0], 0, [*map(sub, numbers[1:], numbers)]
        step = parts[0] if parts else 0
        if step >= 0 and parts.count(step) == len(parts):
            return HEAD.pack(STEADY, len(numbers), first, step)
    else:
        first, kind = min(numbers), PLAIN
        parts = [number - first for number in numbers]
    shared = gcd(*parts) or 1
    if shared > 1:
        parts = [part // shared for part in parts]
    width = width_of(parts)
    body = deflate(by_weight(parts, width))
    return HEAD.pack(kind + width, len(numbers), first, shared) + body


def unpack_numbers(packed: bytes) -> Sequence[int]:
    """The numbers that were packed; a steady clock as the range that it is."""
    if not packed:
        return []
    kind, count, first, shared = HEAD.unpack_from(packed)
    if kind == STEADY:
        return range(first, first + count * shared, shared) if shared else [first] * count
    parts = from_weight(inflate(packed[HEAD.size :]), kind & (PLAIN - 1))
    if kind & PLAIN:
        return [first + shared * part for part in parts]
    if shared == 1:
        return [*accumulate(parts, initial=first)]
    return [*accumulate(map(shared.__mul__, parts), initial=first)]


def pack_pairs(pairs: Iterable[tuple[int, int]]) -> bytes:
    """Pairs of times, packed; empty where there are none."""
    return pack_numbers([time_ms for pair in pairs for time_ms in pair])


def unpack_pairs(packed: bytes) -> list[tuple[int, int]]:
    """The pairs that were packed."""
    times = iter(unpack_numbers(packed))
    return list(zip(times, times, strict=True))


def width_of(numbers: Sequence[int]) -> int:
    """Bytes of the narrowest integers that hold all numbers."""
    least, most = min(numbers), max(numbers)
    for width in (1, 2, 4):
        bound = 1 << (8 * width - 1)
        if -bound <= least and most < bound:
            return width
    return 8


def by_weight(parts: Iterable[int], width: int) -> bytes:
    """Numbers as integers so wide, their bytes of equal weight side by side, the lightest first."""
    numbers = array(CODES[width], parts)
    if sys.byteorder == "big":
        numbers.byteswap()
    raw = numbers.tobytes()
    return raw if width == 1 else b"".join(raw[weight::width] for weight in range(width))


def from_weight(raw: bytes, width: int) -> array[int]:
    """The numbers that `by_weight` laid out."""
    numbers = array(CODES[width])
    if width > 1:
        count, mixed = len(raw) // width, bytearray(len(raw))
        for weight in range(width):
            mixed[weight::width] = raw[weight * count : (weight + 1) * count]
        numbers.frombytes(mixed)
    else:
        numbers.frombytes(raw)
    if sys.byteorder == "big":
        numbers.byteswap()
    return numbers


def deflate(raw: bytes) -> bytes:
    """The shorter of two ways: what comes again said once, or every byte by how frequent it is."""
    packed = []
    for strategy in (zlib.Z_FILTERED, zlib.Z_HUFFMAN_ONLY):
        packer = zlib.compressobj(LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS, 9, strategy)
        packed.append(packer.compress(raw) + packer.flush())
    return min(packed, key=len)


def inflate(packed: bytes) -> bytes:
    """What was deflated. Raises StoreError for bytes that never were."""
    try:
        return zlib.decompress(packed, -zlib.MAX_WBITS)
    except zlib.error as error:
        raise StoreError(
            f"packed readings are damaged ({error}); `nightbank store SITE check` tells which, put a backup"
            " in the store's place"
        ) from error


@dataclass(frozen=True, slots=True)
class Column:
    """A channel's part of a block, packed: the times (shared by channels of one poll) and the values."""

    clock: bytes
    values: bytes

    def unpack(self) -> tuple[Sequence[int], Sequence[int]]:
        """Times in ms and values in steps, in order of time."""
        return unpack_numbers(self.clock), unpack_numbers(self.values)


def pack_column(times: Sequence[int], values: Sequence[int]) -> Column:
    """A channel's readings, in order of time."""
    return Column(pack_numbers(times), pack_numbers(values))


def join_columns(columns: dict[int, Column]) -> tuple[bytes, bytes]:
    """A block's head (who stands where) and body; equal clocks stand there once."""
    clocks = {column.clock: place for place, column in enumerate(columns.values())}
    clocks = {clock: place for place, clock in enumerate(clocks)}
    head = array("I", [len(clocks), *map(len, clocks)])
    for channel, column in columns.items():
        head.extend((channel, clocks[column.clock], len(column.values)))
    if sys.byteorder == "big":
        head.byteswap()
    return head.tobytes(), b"".join((*clocks, *(column.values for column in columns.values())))


def split_columns(head: bytes, body: bytes, wanted: int | None = None) -> dict[int, Column]:
    """The columns of a block by channel, all or only the wanted one (if it is there)."""
    numbers = _head_numbers(head)
    clock_ends = [*accumulate(numbers[1 : numbers[0] + 1], initial=0)]
    at, columns = clock_ends[-1], {}
    rest = iter(numbers[numbers[0] + 1 :])
    for channel, clock, length in zip(rest, rest, rest, strict=True):
        if wanted is None or channel == wanted:
            columns[channel] = Column(body[clock_ends[clock] : clock_ends[clock + 1]], body[at : at + length])
        at += length
    return columns


def channels_in(head: bytes) -> list[int]:
    """The channels of a block, from its head alone."""
    numbers = _head_numbers(head)
    return [*numbers[numbers[0] + 1 :: 3]]


def _head_numbers(head: bytes) -> array[int]:
    numbers = array("I")
    numbers.frombytes(head)
    if sys.byteorder == "big":
        numbers.byteswap()
    return numbers
