"""A device profile: where each canonical quantity of a device lives. Values only, frozen.

`profile_file.py` reads them from TOML and checks them; `profiles/` holds the shipped ones. A profile of
one's own is a file beside the site file, named by its path there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from monitor.devices.words import REGISTERS, Encoding, Meaning, WordOrder

Checksum = Literal["none", "xor", "crc16"]
Form = Literal["pairs", "columns"]
Combine = Literal["first", "sum", "highest", "alike", "only"]


@dataclass(frozen=True, slots=True)
class Point:
    """One quantity in a device's registers. address is the 0-based address sent on the wire."""

    quantity: str
    function: int
    address: int
    encoding: Encoding
    word_order: WordOrder
    meaning: Meaning

    @property
    def end(self) -> int:
        """The first address behind the point."""
        return self.address + REGISTERS[self.encoding]


@dataclass(frozen=True, slots=True)
class Gap:
    """Registers first..last (both included) that a read with this function must not touch."""

    function: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class ModbusProfile:
    """A register map. turnaround_s is how long the device usually thinks before it answers."""

    name: str
    about: str
    source: str
    largest_request: int
    turnaround_s: float
    points: tuple[Point, ...]
    gaps: tuple[Gap, ...]

    @property
    def quantities(self) -> tuple[str, ...]:
        return tuple(point.quantity for point in self.points)


@dataclass(frozen=True, slots=True)
class Field:
    """One quantity in a line of text.

    where is the key in a line of pairs, the column's index from 0 in a line of columns. largest_step is
    how far the value may move from one line to the next before two lines must agree on it (the
    quantity's unit); None where the checksum alone decides. only_where are the columns that must hold a
    fixed text for a line to give this quantity, columns the exact number of such a line's columns or None.
    """

    quantity: str
    where: str | int
    meaning: Meaning
    largest_step: float | None
    only_where: Mapping[int, str] = field(default_factory=dict)
    columns: int | None = None


@dataclass(frozen=True, slots=True)
class TimeColumns:
    """Where lines of columns give UTC. only_where says which lines those are, valid what such a line holds
    besides while it knows the time: of each column the texts that it may have. time is the column of the
    time of day; date that of the date, or those of day, month and year.
    """

    only_where: Mapping[int, tuple[str, ...]]
    valid: Mapping[int, tuple[str, ...]]
    time: int
    date: tuple[int, ...]

    @property
    def places(self) -> tuple[int, ...]:
        return (self.time, *self.date)


@dataclass(frozen=True, slots=True)
class TextProfile:
    """A device that sends lines of text unasked, every interval_s seconds.

    form 'pairs' is key=value, 'columns' goes by position. start is what stands before the first character
    that counts ('$' in NMEA 0183), '' for nothing. columns is the exact number of columns or None;
    constants are the columns that must hold a fixed text for the line to be of this kind. missing are the
    texts that stand for 'no value'. time is where lines give UTC, None for a device that does not tell it.
    """

    name: str
    about: str
    source: str
    interval_s: float
    form: Form
    start: str
    separator: str
    assign: str
    checksum: Checksum
    columns: int | None
    constants: Mapping[int, str]
    missing: tuple[str, ...]
    fields: tuple[Field, ...]
    time: TimeColumns | None = None

    @property
    def quantities(self) -> tuple[str, ...]:
        return tuple(one.quantity for one in self.fields)


@dataclass(frozen=True, slots=True)
class SunSpecPoint:
    """One quantity in SunSpec models: the point `path` ('DCA', in a group 'module.DCV') of any of them.

    Where there are several, combine says what becomes of them: 'first', 'sum', 'highest', 'alike' (their
    mean, if they hardly differ) or 'only' (no value unless there is one). only_where names a point of the
    same group and the values that it must have; sign_by one of the same model whose values say that the
    current flows into (True) or out of the bank (False). Does not apply beside any model of not_beside.
    """

    quantity: str
    models: tuple[int, ...]
    path: str
    combine: Combine
    meaning: Meaning
    only_where: tuple[str, tuple[int, ...]] | None = None
    sign_by: tuple[str, Mapping[int, bool]] | None = None
    not_beside: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class SunSpecProfile:
    """What becomes of the points of SunSpec models. Of several points for one quantity the first counts that
    the device has."""

    name: str
    about: str
    source: str
    largest_request: int
    turnaround_s: float
    points: tuple[SunSpecPoint, ...]

    @property
    def quantities(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(point.quantity for point in self.points))


DeviceProfile = ModbusProfile | TextProfile | SunSpecProfile
