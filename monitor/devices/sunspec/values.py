"""Registers of one SunSpec model to values. Pure.

Sources: SunSpec Alliance model files (types, scale factors, groups) and its library's marks for 'not
implemented'. All numbers are high word first.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from monitor.devices.sunspec.models import GroupDef, PointDef

Value = int | float | str | None
"""None: the device says 'not implemented'."""

FORMATS = {
    "int16": "h", "uint16": "H", "count": "H", "acc16": "H", "enum16": "H", "bitfield16": "H", "sunssf": "h",
    "int32": "i", "uint32": "I", "acc32": "I", "enum32": "I", "bitfield32": "I", "float32": "f",
    "int64": "q", "uint64": "Q", "acc64": "Q",
}  # fmt: skip

SCALES = range(-10, 11)
"""Powers of ten that a scale factor may name."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A point where it lies in one device: path such as 'DCA' or 'module.DCV', instance the number of each
    group on the way, offset in registers from the model's number, scale_offset where its factor lies."""

    path: str
    instance: tuple[int, ...]
    offset: int
    point: PointDef
    scale_offset: int | None


def value_of(words: Sequence[int], kind: str) -> Value:
    """The value of a point's registers before its scale factor. Raises KeyError for a type not used here."""
    data = struct.pack(f">{len(words)}H", *words)
    if kind == "string":
        return data.decode("utf-8", "replace").rstrip("\0") or None if data[:1] != b"\0" else None
    if kind == "pad":
        return None
    number: int | float = struct.unpack(f">{FORMATS[kind]}", data)[0]
    if isinstance(number, float):
        return number if math.isfinite(number) else None
    return None if number == _unimplemented(kind, 16 * len(words)) else number


def _unimplemented(kind: str, bits: int) -> int:
    if kind.startswith("acc"):
        return 0
    if kind.startswith("int") or kind == "sunssf":
        return -(1 << bits - 1)
    return (1 << bits) - 1


def scaled(value: Value, factor: Value) -> int | float | None:
    """value x 10^factor, None where either is not implemented or is no number such a point can have."""
    if not isinstance(value, int | float) or not isinstance(factor, int) or factor not in SCALES:
        return None
    power: int = 10 ** abs(factor)
    return round(value / power, -factor) if factor < 0 else value * power


def layout(definition: GroupDef, words: Sequence[int]) -> Iterator[Placed]:
    """Every point of a model, words being all its registers from its number on.

    A group that says more members than the model's length holds has only those that fit; a scale factor or a
    count behind the end of a model that is shorter than its definition is not there.
    """
    yield from _Layout(words).group(definition, "", (), 0, {})[0]


class _Layout:
    def __init__(self, words: Sequence[int]) -> None:
        self._words = words

    def group(
        self, group: GroupDef, prefix: str, instance: tuple[int, ...], start: int, outer: dict[str, int]
    ) -> tuple[list[Placed], int]:
        """The points of one group that begins at `start`, and where it ends; outer has the offsets of the
        points around it, among which scale factors and counts are found, too."""
        offsets = dict(outer)
        at = start
        for point in group.points:
            offsets[point.name] = at
            at += point.size
        placed = [
            Placed(
                prefix + point.name,
                instance,
                offsets[point.name],
                point,
                self._scale_offset(point, offsets),
            )
            for point in group.points
            if offsets[point.name] + point.size <= len(self._words)
        ]
        for inner in group.groups:
            for number in range(self._count(inner, at, offsets)):
                if at + inner.size > len(self._words):
                    break
                more, at = self.group(inner, f"{prefix}{inner.name}.", (*instance, number), at, offsets)
                placed += more
        return placed, at

    def _scale_offset(self, point: PointDef, offsets: dict[str, int]) -> int | None:
        offset = None if point.scale is None else offsets.get(point.scale)
        return offset if offset is not None and offset < len(self._words) else None

    def _count(self, group: GroupDef, at: int, offsets: dict[str, int]) -> int:
        if isinstance(group.count, str):
            if offsets[group.count] >= len(self._words):
                return 0
            said = value_of(self._words[offsets[group.count] :][:1], "uint16")
            return said if isinstance(said, int) else 0
        return group.count or (len(self._words) - at) // group.size
