"""What the keys of a profile file must hold together: units, overlaps, gaps, places, checksums.

Each check yields (path of the key, what is wrong and what to do); `profile_file.py` adds the line.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import product

from monitor.devices.profile_entries import (
    FieldEntry,
    ModbusEntry,
    PointEntry,
    SunSpecEntry,
    TextEntry,
    ValueEntry,
)
from monitor.devices.sunspec.models import definition, paths
from monitor.devices.words import REGISTERS, is_half, sentinel_for
from monitor.quantities import QUANTITIES, Fault, Stage
from monitor.toml_lines import TomlPath, did_you_mean

UNITS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "V": {"V": (1, 0), "mV": (0.001, 0), "kV": (1000, 0)},
    "A": {"A": (1, 0), "mA": (0.001, 0)},
    "W": {"W": (1, 0), "mW": (0.001, 0), "kW": (1000, 0)},
    "°C": {"°C": (1, 0), "K": (1, -273.15), "°F": (5 / 9, -160 / 9)},
    "": {"": (1, 0), "%": (0.01, 0)},
}
"""For each canonical unit the units a device may use, as (factor, shift) towards the canonical one."""

STAGES = {stage.name.lower(): stage for stage in Stage}
FAULTS = {str(fault.name).lower(): fault for fault in Fault}

Faults = Iterator[tuple[TomlPath, str]]


def modbus_faults(entry: ModbusEntry) -> Faults:
    """Every contradiction in a register map."""
    for index, gap in enumerate(entry.gaps):
        if gap.first > gap.last:
            yield ("gaps", index, "last"), f"reversed: first {gap.first} lies behind last {gap.last}"
    yield from _repeated("points", entry.points)
    taken: dict[tuple[int, int, str], str] = {}
    for index, point in enumerate(entry.points):
        here: TomlPath = ("points", index)
        yield from _value_faults(here, point, point.bits)
        yield from _encoding_faults(here, point, entry.largest_request)
        addresses = range(point.address, point.address + REGISTERS[point.encoding])
        for gap in entry.gaps:
            if gap.function == point.function and addresses[0] <= gap.last and addresses[-1] >= gap.first:
                yield (
                    (*here, "address"),
                    (f"lies in the gap {gap.first} to {gap.last} that must not be read; correct one of them"),
                )
        halves = (point.encoding[-2:],) if is_half(point.encoding) else ("hi", "lo")
        for address, half in product(addresses, halves):
            other = taken.setdefault((point.function, address, half), point.quantity)
            if other != point.quantity:
                yield (
                    (*here, "address"),
                    f"register {address} (function {point.function}) is already {other}; correct one",
                )
                break


def _encoding_faults(here: TomlPath, point: PointEntry, largest_request: int) -> Faults:
    width = REGISTERS[point.encoding]
    if width == 2 and point.word_order is None:
        yield (
            (*here, "word_order"),
            (f'is missing: {point.encoding} takes two registers; say "high_first" or "low_first"'),
        )
    if width == 1 and point.word_order is not None:
        yield (*here, "word_order"), f"{point.encoding} is one register without word order; leave it out"
    for place, mark in enumerate(point.invalid):
        try:
            sentinel_for(mark, point.encoding)
        except (ValueError, OverflowError):
            yield (*here, "invalid", place), f"{mark:g} does not fit {point.encoding}; correct it"
    if (point.codes or point.bits) and point.encoding not in ("u16", "u32"):
        yield (*here, "encoding"), f'codes and bits need "u16" or "u32", not "{point.encoding}"'
    if width > largest_request:
        yield (
            (*here, "encoding"),
            (f"{point.encoding} takes {width} registers, largest_request allows {largest_request}"),
        )
    if point.address + width > 0x10000:
        yield (*here, "address"), "the second register would lie behind the last address, 65535"


def text_faults(entry: TextEntry) -> Faults:
    """Every contradiction in the description of a text line."""
    if not entry.fields and entry.time is None:
        yield ("fields",), "is missing; add it, or [time] for a device that tells nothing but the time"
    yield from _time_faults(entry)
    yield from _repeated("fields", entry.fields)
    wanted, other = ("key", "column") if entry.form == "pairs" else ("column", "key")
    places: set[tuple[object, ...]] = set()
    for index, item in enumerate(entry.fields):
        here: TomlPath = ("fields", index)
        yield from _value_faults(here, item, {})
        if getattr(item, other) is not None:
            yield (*here, other), f'form = "{entry.form}" goes by {wanted}; leave {other} out'
        place = item.key if entry.form == "pairs" else item.column
        if place is None:
            yield (*here, wanted), f'is missing: form = "{entry.form}" goes by {wanted}'
        elif (place, *item.only_where.items()) in places:
            yield (*here, wanted), f"{place!r} is taken by another field"
        else:
            places.add((place, *item.only_where.items()))
        for columns in (entry.columns, item.columns):
            if isinstance(place, int) and columns is not None and place >= columns:
                yield (*here, "column"), f"a line has {columns} columns, counted from 0"
        yield from _column_faults((*here, "only_where"), item.only_where)
        if entry.form == "pairs" and (item.only_where or item.columns is not None):
            key = "only_where" if item.only_where else "columns"
            yield (*here, key), 'goes with form = "columns" only; leave it out'
        if entry.checksum == "none" and item.largest_step is None and not item.codes:
            yield (
                (*here, "largest_step"),
                (
                    "is missing: without a checksum a damaged digit shows only by a jump; "
                    "say how far the value may move from one line to the next"
                ),
            )
    if entry.form == "pairs" and (entry.columns is not None or entry.constants):
        key = "columns" if entry.columns is not None else "constants"
        yield (key,), 'goes with form = "columns" only; leave it out'
    unknown = any(item.columns is None for item in entry.fields)
    if entry.form == "columns" and entry.checksum == "none" and entry.columns is None and unknown:
        yield ("columns",), "is missing: without a checksum a lost column shows only by their number"
    for name in ("start", "separator", "assign"):
        if not all(32 <= ord(character) < 127 or character == "\t" for character in getattr(entry, name)):
            yield (name,), "holds a character that no line can hold; lines are ASCII text, with tabs at most"
    yield from _column_faults(("constants",), entry.constants)


def _time_faults(entry: TextEntry) -> Faults:
    if entry.time is None:
        return
    if entry.form != "columns":
        yield ("time",), 'goes with form = "columns" only; leave it out'
    if entry.checksum == "none":
        yield ("checksum",), "a damaged digit would be another time: [time] needs lines with a checksum"
    places = [entry.time.time, *(entry.time.date if isinstance(entry.time.date, list) else [entry.time.date])]
    if not all(0 <= place <= 99 for place in places) or len(set(places)) < len(places):
        yield ("time", "date"), "each part of time and date has a column of its own, 0 to 99"
    for key in ("only_where", "valid"):
        yield from _column_faults(("time", key), getattr(entry.time, key))


def _column_faults(here: TomlPath, texts: Mapping[str, object]) -> Faults:
    for column in texts:
        if not column.isascii() or not column.isdigit():
            yield (*here, column), "the key is a column's number, counted from 0"


def sunspec_faults(entry: SunSpecEntry) -> Faults:
    """Every contradiction in what becomes of SunSpec points."""
    for index, item in enumerate(entry.points):
        here: TomlPath = ("points", index)
        yield from _value_faults(here, item, item.bits)
        for number in item.models:
            known = definition(number)
            if known is None:
                yield (*here, "models"), f"model {number} is not known here; leave it out"
                continue
            names = paths(known)
            for key, path in (
                ("point", item.point),
                *(("only_where", _beside(item.point, name)) for name in item.only_where),
                *(("sign_by", name) for name in item.sign_by),
            ):
                if path not in names:
                    yield (*here, key), f"model {number} has no point {path!r}; {did_you_mean(path, names)}"
        for key in (code for codes in item.sign_by.values() for code in codes):
            if not key.isascii() or not key.isdigit():
                yield (*here, "sign_by"), f"{key!r}: the key is a value of that point, a whole number"


def _beside(path: str, name: str) -> str:
    """The path of a point of that name in the same group."""
    group, dot, _ = path.rpartition(".")
    return group + dot + name


def _repeated(table: str, items: Sequence[PointEntry | FieldEntry]) -> Faults:
    seen: dict[str, int] = {}
    for index, item in enumerate(items):
        first = seen.setdefault(item.quantity, index)
        if first != index:
            yield (table, index, "quantity"), f"{item.quantity} is already {table}[{first}]; keep one"


def _value_faults(here: TomlPath, item: ValueEntry, bits: Mapping[str, str]) -> Faults:
    quantity = QUANTITIES[item.quantity]
    units = UNITS.get(quantity.unit)
    if units is None:
        yield (*here, "quantity"), f"{item.quantity} is worked out by the monitor from others; leave it out"
        return
    if item.unit not in units:
        names = ", ".join(f'"{unit}"' for unit in units)
        yield (*here, "unit"), f"{item.quantity} cannot be read in {item.unit!r}; one of {names} is"
    if item.scale == 0:
        yield (*here, "scale"), "0 would turn every value into the offset; write 1 for none"
    if item.plausible is not None and not item.plausible[0] < item.plausible[1]:
        yield (*here, "plausible"), f"reversed or empty: {item.plausible}; write [lowest, highest]"
    if item.quantity == "charge_stage" and not item.codes:
        yield (*here, "codes"), 'is missing: charge_stage needs the device\'s codes, such as { 1 = "bulk" }'
    if item.quantity == "fault_bits" and not bits:
        yield (*here, "bits"), "is missing: fault_bits needs the meaning of the device's bits"
    if item.codes and item.quantity != "charge_stage":
        yield (*here, "codes"), "only charge_stage has codes; leave them out"
    if bits and item.quantity != "fault_bits":
        yield (*here, "bits"), "only fault_bits has bits; leave them out"
    for code, stage in item.codes.items():
        if not code.isascii() or not code.isdigit():
            yield (*here, "codes", code), "the key is the device's code, a whole number"
        if stage not in STAGES:
            yield (*here, "codes", code), f"no such stage {stage!r}; {did_you_mean(stage, STAGES)}"
    for bit, fault in bits.items():
        if not bit.isascii() or not bit.isdigit() or int(bit) > 31:
            yield (*here, "bits", bit), "the key is the bit's number, 0 the lowest, at most 31"
        if fault not in FAULTS:
            yield (*here, "bits", bit), f"no such fault {fault!r}; {did_you_mean(fault, FAULTS)}"
