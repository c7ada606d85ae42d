"""Read a site file: TOML in, a checked Site out, or every fault with its key, line and advice.

All faults are told at once. pydantic finds those of one key; what concerns two keys (a serial device
without port, a name used twice) is looked at here on the file's own tables, so that it is told even where
another key is wrong. May import errors, toml_lines and the rest of `site`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from pydantic import ValidationError

from monitor.errors import Problem, SiteError
from monitor.site.alarm_check import alarm_problems
from monitor.site.amounts import coldest_by_rule_C
from monitor.site.channel_check import channel_problems
from monitor.site.chemistry import USUAL
from monitor.site.faults import problems_from
from monitor.site.load_check import behind_no_inverter
from monitor.site.model import Site
from monitor.toml_lines import TomlLines, load_toml, path_of, toml_of


def load_site(path: Path) -> Site:
    """The site that a file describes. Raises SiteError with one Problem for each fault in the file."""
    return read_site(path)[0]


def read_site(path: Path) -> tuple[Site, TomlLines]:
    """The site and the lines of its keys, for whoever tells more about it. Raises SiteError."""
    data, lines = load_toml(path)
    return _site_of(data, lines, str(path)), lines


def site_of(text: str, name: str) -> Site:
    """The site that a file's text describes; errors call it `name`. Raises SiteError."""
    return _site_of(*toml_of(text, name), name)


def _site_of(data: dict[str, Any], lines: TomlLines, name: str) -> Site:
    problems = list(_across_keys(data, lines))
    site: Site | None = None
    try:
        site = Site.model_validate(data)
    except ValidationError as fault:
        problems += problems_from(fault.errors(), data, lines)
    if site is None or problems:
        raise SiteError(name, tuple(sorted(problems, key=by_line)))
    return site


def placed(error: SiteError, path: Path, lines: TomlLines) -> SiteError:
    """Faults that were found in the site's values, told with the file and the lines of their keys."""
    found = [replace(p, line=lines.nearest_line(path_of(p.key))) for p in error.problems]
    return SiteError(str(path), tuple(sorted(found, key=by_line)))


@dataclass(frozen=True, slots=True)
class Assumption:
    """A key the person left out, the value taken for it, and why that one."""

    key: str
    value: float | str
    why: str


def with_defaults(site: Site) -> tuple[Site, tuple[Assumption, ...]]:
    """The site with the chemistry's usual set points filled in, and all that was assumed.

    Set points are per cell in `chemistry.py`, here for the whole bank. A site without controller keeps none.
    """
    assumed = [*_left_out(site)]
    if site.array is not None and site.site.coldest_C is None:  # stays None: amounts says it is our rule's
        coldest_C = coldest_by_rule_C(site.site.latitude_deg, site.site.altitude_m)
        why = "our cautious rule by latitude and altitude"
        assumed.append(Assumption("site.coldest_C", round(coldest_C), why))
    if site.controller is None:
        return site, tuple(assumed)
    usual, cells = USUAL[site.bank.chemistry], site.bank.cells_in_series
    points = {
        "absorption_V": usual.absorption,
        "float_V": usual.float_charge,
        "equalization_V": usual.equalization,
        "disconnect_V": usual.disconnect,
        "reconnect_V": usual.reconnect,
    }
    filled: dict[str, float] = {}
    for key, point in points.items():
        if point is not None and getattr(site.controller, key) is None:
            filled[key] = round(point.default_V * cells, 2)
            why = f"usual for {usual.words}, {point.default_V:.3f} V per cell; {point.source}"
            assumed.append(Assumption(f"controller.{key}", filled[key], why))
    if site.controller.temperature_compensation_V_per_C is None:
        key = "temperature_compensation_V_per_C"
        filled[key] = round(usual.compensation_V_per_C * cells, 4)
        assumed.append(Assumption(f"controller.{key}", filled[key], usual.compensation_source))
    controller = site.controller.model_copy(update=filled)
    return site.model_copy(update={"controller": controller}), tuple(assumed)


NO_LOAD_PAST = "no load is wired to the bank itself, past the controller"


def _left_out(site: Site) -> Iterator[Assumption]:
    """Keys with a general default; what only says how the program runs is no assumption on the system.

    Whether loads bypass the controller matters only where that meters the others.
    """
    for name in ("site", "bank", "array", "controller", "inverter", "metering", "meters"):
        table = getattr(site, name)
        for key, field in type(table).model_fields.items() if table is not None else ():
            if key in table.model_fields_set or field.default is None or field.is_required():
                continue
            if key != "straight_to_bank":
                yield Assumption(f"{name}.{key}", field.default, "general default")
            elif site.metering.level == "controller":
                yield Assumption(f"{name}.{key}", field.default, NO_LOAD_PAST)


def by_line(problem: Problem) -> tuple[bool, int, str]:
    """What problems are sorted by: their lines, those without one last."""
    return problem.line is None, problem.line or 0, problem.key


def _across_keys(data: dict[str, Any], lines: TomlLines) -> Iterator[Problem]:
    for table in ("devices", "alarms", "channels", "mirrors"):
        yield from used_twice(data, table, lines)
    yield from channel_problems(data, lines)
    needed: tuple[tuple[Literal["serial", "tcp"], str, str], ...] = (
        ("serial", "port", 'port = "/dev/serial/by-id/..." (the adapter\'s stable name)'),
        ("tcp", "host", 'host = "192.0.2.10" (the device\'s address)'),
    )
    yield from alarm_problems(data, lines)
    yield from behind_no_inverter(data, lines)
    for index, device in _entries(data, "devices"):
        for connection, key, example in needed:
            if device.get("connection") == connection and device.get(key) in (None, ""):
                line = lines.nearest_line(("devices", index, key))
                text = f"is missing: a {connection} device needs {example}"
                yield Problem(f"devices[{index}].{key}", line, text)


def _entries(data: dict[str, Any], table: str) -> Iterator[tuple[int, dict[str, Any]]]:
    rows = data.get(table)
    for index, row in enumerate(rows if isinstance(rows, list) else ()):
        if isinstance(row, dict):
            yield index, row


def used_twice(data: dict[str, Any], table: str, lines: TomlLines) -> Iterator[Problem]:
    """A problem for each name in a list of tables that stood in it before."""
    first: dict[str, int] = {}
    for index, row in _entries(data, table):
        name = row.get("name")
        if not isinstance(name, str):
            continue
        if name in first:
            before = lines.line_of((table, first[name], "name"))
            text = f"{name!r} is used already on line {before}; each name may stand once"
            yield Problem(f"{table}[{index}].name", lines.line_of((table, index, "name")), text)
        first.setdefault(name, index)
