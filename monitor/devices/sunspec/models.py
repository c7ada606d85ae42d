"""SunSpec model definitions: which points a model has, in which order, of which type and scale.

Source: the SunSpec Alliance's model files (Apache License 2.0), shortened into `models.json` by
tests/reference/sunspec_models.py. Read at first use: 50 KB that only a site with such a device needs.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

MARKER = (0x5375, 0x6E53)
"""'SunS' in two registers."""

BASES = (40000, 0, 50000)
"""Where the marker may stand, in the order in which the Alliance's own library tries."""

END_ID = 0xFFFF
"""Stands in place of a model's number behind the last model."""

HEADER = 2
"""Registers before a model's own: its number and its length, which does not count these two."""


@dataclass(frozen=True, slots=True)
class PointDef:
    """One point: size in registers, scale the name of its scale factor or None, units as the standard."""

    name: str
    type: str
    size: int
    scale: str | None
    units: str


@dataclass(frozen=True, slots=True)
class GroupDef:
    """Points that follow each other, then inner groups. count is how often the group is there: a number, the
    name of the point that says it, 0 for as often as the model's length allows."""

    name: str
    points: tuple[PointDef, ...]
    groups: tuple[GroupDef, ...] = ()
    count: int | str = 1

    @property
    def size(self) -> int:
        """Registers of its own points."""
        return sum(point.size for point in self.points)


@cache
def _file() -> dict[str, Any]:
    text = resources.files(__package__).joinpath("models.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text)["models"]
    return found


@cache
def definition(number: int) -> GroupDef | None:
    """The definition of a model that concerns us, None for any other."""
    found = _file().get(str(number), {}).get("group")
    return _group(found) if found else None


def paths(group: GroupDef, prefix: str = "") -> tuple[str, ...]:
    """The names of all points of a model as profiles write them: 'DCA', 'module.DCV'."""
    own = tuple(prefix + point.name for point in group.points)
    return own + tuple(path for inner in group.groups for path in paths(inner, f"{prefix}{inner.name}."))


def label(number: int) -> str:
    """What a person is told a model is."""
    known = _file().get(str(number))
    if known:
        return str(known["label"])
    return "a maker's own model" if number >= 64000 else "unknown"


def _group(found: dict[str, Any]) -> GroupDef:
    return GroupDef(
        found["name"],
        tuple(PointDef(*point) for point in found["points"]),
        tuple(_group(inner) for inner in found.get("groups", ())),
        found.get("count", 1),
    )
