"""Device profiles from TOML: read, check, and tell every fault with key and line.

pydantic stands at this edge only; what leaves is a frozen profile of `profile.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from monitor.devices.profile import (
    DeviceProfile,
    Field,
    Gap,
    ModbusProfile,
    Point,
    SunSpecPoint,
    SunSpecProfile,
    TextProfile,
    TimeColumns,
)
from monitor.devices.profile_checks import (
    FAULTS,
    STAGES,
    UNITS,
    Faults,
    modbus_faults,
    sunspec_faults,
    text_faults,
)
from monitor.devices.profile_entries import (
    FieldEntry,
    GapEntry,
    ModbusEntry,
    PointEntry,
    SunSpecEntry,
    SunSpecPointEntry,
    TextEntry,
    TimeEntry,
    ValueEntry,
)
from monitor.devices.words import Meaning, sentinel_for
from monitor.errors import Problem, ProfileError
from monitor.quantities import QUANTITIES
from monitor.site.table import plain_problem
from monitor.toml_lines import TomlPath, dotted, load_toml

SHIPPED = Path(__file__).parent / "profiles"


def shipped_profiles() -> tuple[str, ...]:
    """The names of the profiles that come with Nightbank."""
    return tuple(sorted(path.stem for path in SHIPPED.glob("*.toml")))


def find_profile(name: str, folder: Path) -> DeviceProfile:
    """The shipped profile of that name, else the profile file at that path (relative to `folder`).

    Raises ProfileError.
    """
    if name in shipped_profiles():
        return load_profile(SHIPPED / f"{name}.toml")
    path = folder / name
    if not path.is_file():
        shipped = ", ".join(shipped_profiles())
        text = f"neither a shipped profile ({shipped}) nor a file {path}; check the name or the path"
        raise ProfileError(name, (Problem("profile", None, text),))
    return load_profile(path)


def load_profile(path: Path) -> DeviceProfile:
    """The profile in a TOML file, named by the file's stem. Raises ProfileError with every fault found."""
    data, lines = load_toml(path, ProfileError)
    kinds: dict[str, type[ModbusEntry] | type[TextEntry] | type[SunSpecEntry]] = {
        "modbus": ModbusEntry,
        "text": TextEntry,
        "sunspec": SunSpecEntry,
    }
    kind = kinds.get(str(data.get("protocol")))
    if kind is None:
        text = 'must be "modbus" (registers), "sunspec" (registers that tell by themselves) or "text" (lines)'
        raise ProfileError(str(path), (Problem("protocol", lines.line_of(("protocol",)), text),))
    try:
        entry = kind.model_validate(data)
    except ValidationError as fault:
        problems = [
            plain_problem(each, each["loc"], lines, lambda key: _keys_beside(kind, key))
            for each in fault.errors()
        ]
        raise ProfileError(str(path), tuple(problems)) from fault
    faults = list(_faults(entry))
    if faults:
        told = tuple(Problem(dotted(key), lines.nearest_line(key), text) for key, text in faults)
        raise ProfileError(str(path), told)
    if isinstance(entry, ModbusEntry):
        return _modbus_profile(path.stem, entry)
    return (
        _sunspec_profile(path.stem, entry)
        if isinstance(entry, SunSpecEntry)
        else _text_profile(path.stem, entry)
    )


def _faults(entry: ModbusEntry | TextEntry | SunSpecEntry) -> Faults:
    if isinstance(entry, ModbusEntry):
        return modbus_faults(entry)
    return sunspec_faults(entry) if isinstance(entry, SunSpecEntry) else text_faults(entry)


def _keys_beside(kind: type[BaseModel], key: TomlPath) -> set[str]:
    """The keys that may stand in the table in which this key was found."""
    points = SunSpecPointEntry if kind is SunSpecEntry else PointEntry
    tables: dict[Any, type[BaseModel]] = {
        "points": points,
        "gaps": GapEntry,
        "fields": FieldEntry,
        "time": TimeEntry,
    }
    return set(tables[key[0]].model_fields if len(key) > 1 else kind.model_fields)


def _meaning(item: ValueEntry, invalid: tuple[float, ...], bits: Mapping[str, str]) -> Meaning:
    quantity = QUANTITIES[item.quantity]
    factor, shift = UNITS[quantity.unit][item.unit]
    low, high = item.plausible or (quantity.low, quantity.high)
    return Meaning(
        scale=item.scale,
        offset=item.offset,
        factor=factor,
        shift=shift,
        invalid=invalid,
        low=low,
        high=high,
        codes={int(code): STAGES[stage] for code, stage in item.codes.items()},
        bits={int(bit): FAULTS[fault] for bit, fault in bits.items()},
    )


def _modbus_profile(name: str, entry: ModbusEntry) -> ModbusProfile:
    points = tuple(
        Point(
            point.quantity,
            point.function,
            point.address,
            point.encoding,
            point.word_order or "high_first",
            _meaning(point, tuple(sentinel_for(mark, point.encoding) for mark in point.invalid), point.bits),
        )
        for point in entry.points
    )
    gaps = tuple(Gap(gap.function, gap.first, gap.last) for gap in entry.gaps)
    return ModbusProfile(
        name, entry.about, entry.source, entry.largest_request, entry.turnaround_s, points, gaps
    )


def _sunspec_profile(name: str, entry: SunSpecEntry) -> SunSpecProfile:
    points = tuple(
        SunSpecPoint(
            point.quantity,
            tuple(point.models),
            point.point,
            point.combine,
            _meaning(point, (), point.bits),
            next(((key, tuple(values)) for key, values in point.only_where.items()), None),
            next(
                (
                    (key, {int(code): way == "into" for code, way in codes.items()})
                    for key, codes in point.sign_by.items()
                ),
                None,
            ),
            tuple(point.not_beside),
        )
        for point in entry.points
    )
    return SunSpecProfile(name, entry.about, entry.source, entry.largest_request, entry.turnaround_s, points)


def _text_profile(name: str, entry: TextEntry) -> TextProfile:
    fields = tuple(
        Field(
            item.quantity,
            _where(item),
            _meaning(item, (), {}),
            item.largest_step,
            _by_column(item.only_where),
            item.columns,
        )
        for item in entry.fields
    )
    return TextProfile(
        name,
        entry.about,
        entry.source,
        entry.interval_s,
        entry.form,
        entry.start,
        entry.separator,
        entry.assign,
        entry.checksum,
        entry.columns,
        _by_column(entry.constants),
        tuple(entry.missing),
        fields,
        None if entry.time is None else _time_columns(entry.time),
    )


def _time_columns(entry: TimeEntry) -> TimeColumns:
    def allowed(texts: Mapping[str, str | list[str]]) -> Mapping[int, tuple[str, ...]]:
        return {int(key): (text,) if isinstance(text, str) else tuple(text) for key, text in texts.items()}

    date = tuple(entry.date) if isinstance(entry.date, list) else (entry.date,)
    return TimeColumns(allowed(entry.only_where), allowed(entry.valid), entry.time, date)


def _by_column(texts: Mapping[str, str]) -> Mapping[int, str]:
    return {int(column): text for column, text in texts.items()}


def _where(item: FieldEntry) -> str | int:
    where = item.key if item.key is not None else item.column
    assert where is not None  # text_faults has refused a field without a place
    return where
