"""The tables of a profile file as pydantic models: which keys there are and what each may hold.

What keys must hold together is checked in `profile_checks.py`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator
from pydantic import Field as Key

from monitor.devices.profile import Checksum, Combine, Form
from monitor.devices.words import Encoding, WordOrder
from monitor.quantities import QUANTITIES
from monitor.site.table import Table
from monitor.toml_lines import did_you_mean


def _known_quantity(name: str) -> str:
    if name not in QUANTITIES:
        raise ValueError(f"no such quantity; {did_you_mean(name, QUANTITIES)}")
    return name


class ValueEntry(Table):
    """What a register point and a text field share; scale and offset lead to `unit`."""

    quantity: Annotated[str, AfterValidator(_known_quantity)]
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    plausible: Annotated[list[float], Key(min_length=2, max_length=2)] | None = None
    codes: dict[str, str] = Key(default_factory=dict)


class PointEntry(ValueEntry):
    """[[points]]"""

    function: Literal[3, 4]
    address: int = Key(ge=0, le=0xFFFF)
    encoding: Encoding
    word_order: WordOrder | None = None
    invalid: list[float] = Key(default_factory=list)
    bits: dict[str, str] = Key(default_factory=dict)


class GapEntry(Table):
    """[[gaps]]"""

    function: Literal[3, 4]
    first: int = Key(ge=0, le=0xFFFF)
    last: int = Key(ge=0, le=0xFFFF)


class ModbusEntry(Table):
    """A whole file with protocol = "modbus"."""

    protocol: Literal["modbus"]
    about: str
    source: str
    largest_request: int = Key(default=125, ge=1, le=125)  # MODBUS Application Protocol V1.1b3, 6.3 and 6.4
    turnaround_s: float = Key(default=0.005, ge=0, le=5)
    points: list[PointEntry] = Key(min_length=1)
    gaps: list[GapEntry] = Key(default_factory=list)


class FieldEntry(ValueEntry):
    """[[fields]]"""

    key: str | None = None
    column: int | None = Key(default=None, ge=0, le=99)
    largest_step: float | None = Key(default=None, gt=0)
    only_where: dict[str, str] = Key(default_factory=dict)
    columns: int | None = Key(default=None, ge=1, le=100)


class TimeEntry(Table):
    """[time]"""

    only_where: Annotated[dict[str, str | list[str]], Key(min_length=1)]
    valid: dict[str, str | list[str]] = Key(default_factory=dict)
    time: int = Key(ge=0, le=99)
    date: int | Annotated[list[int], Key(min_length=3, max_length=3)]


class TextEntry(Table):
    """A whole file with protocol = "text"."""

    protocol: Literal["text"]
    about: str
    source: str
    interval_s: float = Key(default=1.0, gt=0, le=3600)
    form: Form
    start: str = ""
    separator: str = Key(min_length=1)
    assign: str = Key(default="=", min_length=1)
    checksum: Checksum
    columns: int | None = Key(default=None, ge=1, le=100)
    constants: dict[str, str] = Key(default_factory=dict)
    missing: list[str] = Key(default_factory=list)
    fields: list[FieldEntry] = Key(default_factory=list)
    time: TimeEntry | None = None


class SunSpecPointEntry(ValueEntry):
    """[[points]] of protocol = "sunspec"; only_where and sign_by map the point's name to its values."""

    models: list[int] = Key(min_length=1)
    point: str = Key(min_length=1)
    combine: Combine = "first"
    only_where: Annotated[dict[str, list[int]], Key(max_length=1)] = Key(default_factory=dict)
    sign_by: Annotated[dict[str, dict[str, Literal["into", "out_of"]]], Key(max_length=1)] = Key(
        default_factory=dict
    )
    not_beside: list[int] = Key(default_factory=list)
    bits: dict[str, str] = Key(default_factory=dict)


class SunSpecEntry(Table):
    """A whole file with protocol = "sunspec"."""

    protocol: Literal["sunspec"]
    about: str
    source: str
    largest_request: int = Key(default=125, ge=1, le=125)
    turnaround_s: float = Key(default=0.005, ge=0, le=5)
    points: list[SunSpecPointEntry] = Key(min_length=1)
