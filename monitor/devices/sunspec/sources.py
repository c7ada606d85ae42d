"""Which points of a device's models stand for a quantity, and what becomes of them. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from monitor.devices.profile import SunSpecPoint, SunSpecProfile
from monitor.devices.sunspec.chain import ModelAt, read_point
from monitor.devices.sunspec.models import HEADER, definition
from monitor.devices.sunspec.values import Placed, layout
from monitor.devices.words import Judged, judge
from monitor.records import Quality

ALIKE_SHARE, ALIKE_LEAST = 0.05, 1.0
"""Values are alike that lie within a twentieth of the largest, or within one unit (our choice)."""

Registers = Mapping[int, int]
"""address -> word"""


@dataclass(frozen=True, slots=True)
class Spot:
    """One point of one model in a device; sign is the point that tells the direction, where there is one."""

    model: ModelAt
    placed: Placed
    sign: Placed | None = None

    def addresses(self) -> Iterator[tuple[int, int]]:
        """First address and number of registers of all that its value needs."""
        for placed in (self.placed, self.sign):
            if placed is not None:
                yield self.model.address + placed.offset, placed.point.size
                if placed.scale_offset is not None:
                    yield self.model.address + placed.scale_offset, 1


@dataclass(frozen=True, slots=True)
class Source:
    """One point of the profile with all its spots in a device, at least one."""

    point: SunSpecPoint
    spots: tuple[Spot, ...]

    def judged(self, registers: Registers) -> Judged:
        """The value with its quality; MISSING where no spot is implemented or no value can stand for them."""
        numbers = [number for spot in self.spots if (number := _number(spot, registers)) is not None]
        if not numbers:
            return Judged(None, Quality.MISSING, "the device says not available")
        combined = _combined(self.point, numbers, len(self.spots))
        if combined is None:
            return Judged(None, Quality.MISSING, f"{len(numbers)} inputs that differ have no common value")
        judged = judge(combined, self.point.meaning)
        if judged.value is None or self.point.sign_by is None:
            return judged
        return Judged(
            _signed(self.point, self.spots[0], judged.value, registers), judged.quality, judged.reason
        )


def sources(
    profile: SunSpecProfile, models: Sequence[ModelAt], words: Mapping[ModelAt, Sequence[int]]
) -> dict[str, tuple[Source, ...]]:
    """For each quantity the device can have, its sources in the profile's order. words has each model's
    registers, which say how often a group is there."""
    present = {model.number for model in models}
    placed = {model: list(_layout_of(model, words[model])) for model in models}
    found: dict[str, tuple[Source, ...]] = {}
    for point in profile.points:
        if present.intersection(point.not_beside):
            continue
        spots = tuple(
            Spot(model, spot, _sign_of(point, placed[model]))
            for model in models
            if model.number in point.models
            for spot in placed[model]
            if spot.path == point.path and _fits(point, spot, placed[model], words[model])
        )
        if spots:
            found[point.quantity] = (*found.get(point.quantity, ()), Source(point, spots))
    return found


def _layout_of(model: ModelAt, words: Sequence[int]) -> Iterator[Placed]:
    known = definition(model.number)
    if known is not None:
        yield from layout(known, words[: HEADER + model.length])


def _fits(point: SunSpecPoint, spot: Placed, around: Sequence[Placed], words: Sequence[int]) -> bool:
    if point.only_where is None:
        return True
    name, wanted = point.only_where
    group, dot, _ = spot.path.rpartition(".")
    return any(
        other.path == group + dot + name
        and other.instance == spot.instance
        and any(read_point(other, words) == value for value in wanted)
        for other in around
    )


def _sign_of(point: SunSpecPoint, around: Sequence[Placed]) -> Placed | None:
    if point.sign_by is None:
        return None
    return next((other for other in around if other.path == point.sign_by[0]), None)


def _number(spot: Spot, registers: Registers) -> int | float | None:
    value = _at(spot.model, spot.placed, registers)
    return None if isinstance(value, str) else value


def _at(model: ModelAt, placed: Placed, registers: Registers) -> int | float | str | None:
    offsets = range(placed.offset, placed.offset + placed.point.size)
    own = {offset: registers[model.address + offset] for offset in offsets}
    if placed.scale_offset is not None:
        own[placed.scale_offset] = registers[model.address + placed.scale_offset]
    return read_point(placed, own)


def _combined(point: SunSpecPoint, numbers: Sequence[int | float], spots: int) -> int | float | None:
    if point.combine == "sum":
        return round(sum(numbers), 9)
    if point.combine == "highest":
        return max(numbers)
    if point.combine == "only" and spots > 1:
        return None
    if point.combine == "alike":
        spread = max(numbers) - min(numbers)
        if spread > max(ALIKE_LEAST, ALIKE_SHARE * max(map(abs, numbers))):
            return None
        return round(sum(numbers) / len(numbers), 9)
    return numbers[0]


def _signed(point: SunSpecPoint, spot: Spot, value: float, registers: Registers) -> float:
    """The value with the sign that the device's own status gives it, where that is known."""
    if point.sign_by is None or spot.sign is None:
        return value
    status = _at(spot.model, spot.sign, registers)
    into = point.sign_by[1].get(status) if isinstance(status, int) else None
    return value if into is None else abs(value) if into else -abs(value)
