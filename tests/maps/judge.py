"""Whether a found place is the right one. Decodes by itself, with the simulator's map as the truth."""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from typing import Any

from monitor.match.dump import Dump, Snapshot
from monitor.match.seen import Look, shown
from simulator.maps.case import Case
from simulator.maps.course import Moment
from simulator.maps.display import digits
from simulator.maps.layout import Field, Place
from simulator.maps.words import width

Words = Mapping[Place, int]


def readings(case: Case, looks: int) -> tuple[Dump, tuple[Look, ...]]:
    """The dump and the looks of a case, as the files would hold them."""
    dump = Dump(tuple(Snapshot(time_ms, words) for time_ms, words in case.snapshots(looks)))
    return dump, looks_of(dump, case.seen(looks))


def looks_of(dump: Dump, seen: Sequence[tuple[int, Mapping[str, str]]]) -> tuple[Look, ...]:
    """What the display showed, beside the snapshots of a dump."""
    found = []
    for time_ms, digits_by_name in seen:
        index = dump.index_of(time_ms)
        read = {name: shown(text) for name, text in digits_by_name.items()}
        assert index is not None
        found.append(Look(index, {name: value for name, value in read.items() if value is not None}))
    return tuple(found)


def decoded(words: Sequence[int], encoding: str, order: str | None) -> float:
    """The raw number that registers hold."""
    if len(words) == 2:
        pattern = words[0] << 16 | words[1] if order == "high_first" else words[1] << 16 | words[0]
        if encoding == "f32":
            return float(struct.unpack(">f", struct.pack(">I", pattern))[0])
        bits = 32
    else:
        bits = 8 if len(encoding) == 4 else 16
        pattern = words[0] >> 8 if encoding.endswith("hi") else words[0] & (1 << bits) - 1
    return pattern - (1 << bits) if encoding[0] == "s" and pattern >> bits - 1 else pattern


def value_of(field: Field, words: Words) -> float:
    """What a field of the map says."""
    raw = decoded([words[place] for place in field.places], field.encoding, field.order)
    return raw * field.scale + field.offset


def found_value(place: Mapping[str, Any], words: Words) -> float | None:
    """What a found place says, None where a register of it is absent."""
    registers = registers_of(place)
    if any(register not in words for register in registers):
        return None
    raw = decoded([words[register] for register in registers], place["encoding"], place["word_order"])
    return raw * float(place["scale"]) + float(place["offset"])


def registers_of(place: Mapping[str, Any]) -> list[Place]:
    """The registers of a found place."""
    count = 2 if place["encoding"] in ("u32", "s32", "f32") else 1
    return [(place["function"], place["address"] + n) for n in range(count)]


def right(case: Case, quantity: str, place: Mapping[str, Any]) -> bool:
    """Whether a place carries the quantity and says the same, at the looks and all through the next
    day. A display without sign leaves the sign open.
    """
    if place["function"] is None:
        return False
    moments = [*case.moments, *case.later]
    return any(_same(case, field, place, moments) for field in case.map.carried.get(quantity, ()))


def _same(case: Case, field: Field, place: Mapping[str, Any], moments: Sequence[Moment]) -> bool:
    registers = set(registers_of(place))
    if not set(field.places) & registers:
        return False
    alone = registers <= set(field.places) and len(field.encoding) == 3
    for moment in moments:
        words: Words = (
            dict(zip(field.places, field.words(moment.now), strict=True))
            if alone
            else case.map.snapshot(moment.now)
        )
        found, true = found_value(place, words), value_of(field, words)
        if found is None or min(abs(found - true), abs(found + true)) > 2e-3 + 1e-4 * abs(true):
            return False
    return True


def to_the_letter(case: Case, quantity: str, place: Mapping[str, Any]) -> bool:
    """Whether function, address, width, scale and offset are the map's very own."""
    return place["function"] is not None and any(
        field.places == tuple(registers_of(place))
        and abs(field.scale - abs(place["scale"])) < 1e-9
        and abs(field.offset - place["offset"]) < 1e-6
        for field in case.map.carried.get(quantity, ())
    )


def has_twin(case: Case, quantity: str, looks: int) -> bool:
    """Whether anything else reads the same digits at every look: another field, or any registers."""
    step, cut = case.display.steps[quantity], case.display.cut
    field, *more = case.map.carried[quantity]
    if more:
        return True
    snapshots = [case.map.snapshot(moment.now) for moment in case.moments[:looks]]

    def read(places: Sequence[Place], like: Field) -> list[str]:
        values = [
            decoded([words[place] for place in places], like.encoding, like.order) * like.scale + like.offset
            for words in snapshots
        ]
        return [digits(abs(value), step, cut) if abs(value) < 1e9 else "" for value in values]

    own = read(field.places, field)
    mine = set(field.places)
    if any(read(other.places, other) == own for other in case.map.fields if not set(other.places) & mine):
        return True
    for function, address in snapshots[0]:
        places = [(function, address + n) for n in range(width(field.encoding))]
        elsewhere = not set(places) & mine and all(place in snapshots[0] for place in places)
        if elsewhere and read(places, field) == own:
            return True
    return False
