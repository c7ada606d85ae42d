"""The marker and the chain of models behind it, read over any link."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.devices.link import RegisterLink
from monitor.devices.modbus import MOST_REGISTERS, REGISTERS
from monitor.devices.sunspec.models import BASES, END_ID, HEADER, MARKER, definition, label
from monitor.devices.sunspec.values import Placed, Value, layout, scaled, value_of
from monitor.errors import BadFrame, NoAnswer, NotSunSpec, Refused

FUNCTION = 3
"""SunSpec maps are of holding registers."""

MOST_MODELS = 100
"""More models than any device has (our choice); beyond it the chain leads nowhere."""

FEWER = 24
"""Registers in one read where a device has refused more (our choice: half of what small ones give)."""

TOO_MANY = (2, 3)
"""Exceptions by which devices say that a read is too long (MODBUS Application Protocol V1.1b3, 7)."""


@dataclass(frozen=True, slots=True)
class ModelAt:
    """One model of a device: its number, the address of its number, its length without the header."""

    number: int
    address: int
    length: int

    @property
    def label(self) -> str:
        return label(self.number)

    @property
    def end(self) -> int:
        return self.address + HEADER + self.length


@dataclass(frozen=True, slots=True)
class Chain:
    """What one device carries. remark says what is odd about it, '' for nothing."""

    base: int
    models: tuple[ModelAt, ...]
    remark: str = ""

    def told(self) -> str:
        """The models in one line: '1 (Common), 160 (...)'."""
        return ", ".join(f"{model.number} ({model.label})" for model in self.models)


class Reader:
    """Registers of one unit by address, in as few requests as it allows."""

    def __init__(self, link: RegisterLink, unit: int) -> None:
        self._link, self._unit = link, unit
        self.largest = MOST_REGISTERS

    @property
    def where(self) -> str:
        return f"{self._link.name}, unit {self._unit}"

    def read(self, address: int, count: int) -> tuple[int, ...]:
        """`count` registers, however many requests they take. Raises DeviceError."""
        words: tuple[int, ...] = ()
        while len(words) < count:
            asked = min(count - len(words), self.largest)
            try:
                words += self._link.read(self._unit, FUNCTION, address + len(words), asked)
            except Refused as error:
                if error.code not in TOO_MANY or asked <= FEWER:
                    raise
                self.largest = FEWER
        return words


def find_base(reader: Reader) -> int | None:
    """The address of the marker, None where there is none. Raises DeviceError where nothing answers."""
    silence: NoAnswer | None = None
    answered = False
    for base in BASES:
        try:
            if reader.read(base, len(MARKER)) == MARKER:
                return base
            answered = True
        except Refused:
            answered = True
        except NoAnswer as error:  # some devices are silent where others refuse
            silence = error
    if silence is not None and not answered:
        raise silence
    return None


def find_chain(reader: Reader) -> Chain:
    """Marker and models of a device. Raises NotSunSpec where there is no marker, else DeviceError."""
    base = find_base(reader)
    if base is None:
        places = ", ".join(str(base) for base in BASES)
        raise NotSunSpec(
            f"{reader.where}: carries no SunSpec marker at register {places}; "
            "use a profile of its own registers"
        )
    models: list[ModelAt] = []
    at = base + len(MARKER)
    remark = ""
    while len(models) < MOST_MODELS and at + HEADER <= REGISTERS:
        try:
            number, length = reader.read(at, HEADER)
        except Refused:
            number, length = END_ID, 0
            try:
                (number,) = reader.read(at, 1)  # some devices leave out the length behind the end
            except Refused:
                remark = f"The chain of models breaks off at register {at} without its end mark."
        if number == END_ID:
            return Chain(base, tuple(models), remark)
        models.append(ModelAt(number, at, length))
        at = models[-1].end
    raise BadFrame(
        f"{reader.where}: the chain of SunSpec models leads nowhere at register {at}; ask its maker"
    )


def read_model(reader: Reader, model: ModelAt) -> tuple[int, ...]:
    """All registers of a model, its header included."""
    return reader.read(model.address, HEADER + model.length)


@dataclass(frozen=True, slots=True)
class Told:
    """A point and its value, scaled where the point has a scale factor."""

    placed: Placed
    value: Value


def values(model: ModelAt, words: tuple[int, ...]) -> list[Told]:
    """Every point of a model with its value; [] for a model that is not known here."""
    known = definition(model.number)
    return [Told(placed, read_point(placed, words)) for placed in layout(known, words)] if known else []


def read_point(placed: Placed, words: Sequence[int] | Mapping[int, int]) -> Value:
    """A placed point's value out of its model's registers, by offset; None where it is not implemented or its
    scale factor is not."""
    own = [words[placed.offset + at] for at in range(placed.point.size)]
    value = value_of(own, placed.point.type)
    if placed.point.scale is None:
        return value
    if placed.scale_offset is None:
        return None
    return scaled(value, value_of([words[placed.scale_offset]], "sunssf"))
