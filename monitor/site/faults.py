"""What pydantic finds wrong in a site file, in plain words: key, line, what is wrong, what to write.

Imports errors, toml_lines, and of `site` the model and the unit slips.
"""

from __future__ import annotations

import re
import typing
from collections.abc import Iterator, Sequence
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from monitor.errors import Problem
from monitor.site.model import Bank, Site
from monitor.site.table import Table
from monitor.site.units import unit_advice
from monitor.toml_lines import TomlLines, TomlPath, did_you_mean, dotted

_NUMBER_WITH_UNIT = re.compile(r"\s*([-+]?\d+(?:[.,]\d+)?)\s*([^\d\s].*)?$")
_KINDS = {
    "float_type": "a number",
    "int_type": "a whole number",
    "string_type": "a text in double quotes",
    "date_type": "a date such as 2025-04-12, without quotes",
    "bool_type": "true or false",
    "finite_number": "a finite number",
}


def problems_from(
    faults: Sequence[ErrorDetails], data: dict[str, Any], lines: TomlLines, root: type[Table] = Site
) -> Iterator[Problem]:
    """One Problem for each fault pydantic found in the tables of a site file, or of another that root
    declares."""
    unknown = [fault for fault in faults if fault["type"] == "extra_forbidden"]
    for fault in faults:
        path = fault["loc"]
        if fault["type"] == "missing":
            if not _misspelt(path, unknown, root):
                yield _missing(path, lines, root)
        elif fault["type"] == "extra_forbidden":
            yield Problem(dotted(path), lines.line_of(path), _unknown_key(path, root))
        else:
            yield Problem(dotted(path), lines.nearest_line(path), explain(fault, data, root))


def _misspelt(path: TomlPath, unknown: Sequence[ErrorDetails], root: type[Table]) -> bool:
    """Whether a missing key stands in the file under a name near it: one fault, told once."""
    return any(
        other["loc"][:-1] == path[:-1] and _nearest_key(other["loc"], root) == repr(path[-1])
        for other in unknown
    )


def _nearest_key(path: TomlPath, root: type[Table]) -> str:
    table = _table_at(path[:-1], root)
    advice = did_you_mean(str(path[-1]), table.model_fields) if table else ""
    return advice.removeprefix("did you mean ").removesuffix("?")


def _missing(path: TomlPath, lines: TomlLines, root: type[Table]) -> Problem:
    if len(path) == 1:
        table = _table_at(path, root)
        needs = [name for name, field in table.model_fields.items() if field.is_required()] if table else []
        return Problem(dotted(path), None, f"the table [{path[0]}] is missing; it needs {', '.join(needs)}")
    line = lines.nearest_line(path)
    where = f", which begins on line {line}" if line is not None else ""
    return Problem(
        dotted(path), line, f"is missing; add a line '{path[-1]} = ...' to {_header(path[:-1])}{where}"
    )


def _header(path: TomlPath, *, is_list: bool = False) -> str:
    """The line with which a table begins: [bank], [store.server], or [[loads]] for one of a list."""
    names = ".".join(part for part in path if isinstance(part, str))
    return f"[[{names}]]" if is_list or len(names.split(".")) < len(path) else f"[{names}]"


def _table_at(path: TomlPath, root: type[Table]) -> type[Table] | None:
    """The declared table under a path, seen through Optional, tuple and Annotated."""
    table = root
    for part in path:
        if isinstance(part, int):
            continue
        if part not in table.model_fields:
            return None
        inner = _table_in(table.model_fields[part].annotation)
        if inner is None:
            return None
        table = inner
    return table


def _table_in(annotation: Any) -> type[Table] | None:
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation
    return next((found for part in typing.get_args(annotation) if (found := _table_in(part))), None)


def _unknown_key(path: TomlPath, root: type[Table]) -> str:
    key = str(path[-1])
    table = _table_at(path[:-1], root)
    what = "unknown table" if len(path) == 1 else "unknown key"
    homes = [
        name
        for name in root.model_fields
        if len(path) > 1 and (home := _table_at((name,), root)) is not None and key in home.model_fields
    ]
    if homes:
        return f"{what}; {key} belongs to [{homes[0]}]"
    return f"{what}; {did_you_mean(key, table.model_fields)}" if table else what


def explain(fault: ErrorDetails, data: dict[str, Any], root: type[Table] = Site) -> str:
    """What is wrong with one value and what to write; data are the file's tables, for values beside it."""
    kind, value, context = fault["type"], fault["input"], fault.get("ctx", {})
    if kind == "told":
        return str(context["text"])
    if kind in ("model_type", "tuple_type"):
        header = _header(fault["loc"], is_list=kind == "tuple_type")
        return f"must be a table; write {header} on a line of its own and its keys below"
    if kind == "literal_error":
        return f"{_shown(value)} is not one of the choices; {_choices(fault['loc'], value, root)}"
    if kind in ("string_too_short", "string_too_long", "string_pattern_mismatch"):
        return f"{_shown(value)} cannot be used; {_text_rule(kind, context)}"
    if kind in _KINDS:
        return f"must be {_KINDS[kind]}, not {_shown(value)}{_type_advice(kind, value)}"
    return f"{_shown(value)} {_limit(context)}{_with_semicolon(_unit_advice(fault['loc'], value, data))}"


def _with_semicolon(advice: str) -> str:
    return f"; {advice}" if advice else ""


def _shown(value: object) -> str:
    try:
        text = repr(value)
    except ValueError:  # a whole number of more digits than Python prints
        return "a number with thousands of digits"
    return text if len(text) <= 48 else f"{text[:45]}..."


def _limit(context: dict[str, Any]) -> str:
    for word, rule in (
        ("ge", "is below the smallest allowed value {:g}"),
        ("gt", "is not more than {:g}"),
        ("le", "is above the largest allowed value {:g}"),
        ("lt", "is not less than {:g}"),
    ):
        if word in context:
            return rule.format(context[word])
    return "cannot be used here"


def _choices(path: TomlPath, value: object, root: type[Table]) -> str:
    while isinstance(path[-1], int):  # one of a list's values
        path = path[:-1]
    table = _table_at(path[:-1], root)
    annotation = table.model_fields[str(path[-1])].annotation if table else None
    words = list(_choices_in(annotation))
    return did_you_mean(str(value), words) if isinstance(value, str) else f"known here: {', '.join(words)}"


def _choices_in(annotation: Any) -> Iterator[str]:
    """The words of a Literal, seen through Optional."""
    if typing.get_origin(annotation) is typing.Literal:
        yield from (str(choice) for choice in typing.get_args(annotation))
    else:
        for part in typing.get_args(annotation):
            yield from _choices_in(part)


def _text_rule(kind: str, context: dict[str, Any]) -> str:
    if kind == "string_too_short":
        return "give it a name"
    if kind == "string_too_long":
        return f"at most {context['max_length']} characters"
    return "begin with a letter, then letters, digits, - or _, at most 31 characters"


def _type_advice(kind: str, value: object) -> str:
    if isinstance(value, str) and kind in ("float_type", "int_type"):
        match = _NUMBER_WITH_UNIT.match(value)
        if match is None:
            return ""
        number = match.group(1).replace(",", ".")
        if match.group(2) is None:
            return f"; write {number} without quotes"
        if match.group(2)[0] in "°'":
            return "; write decimal degrees, such as 52.60, without quotes"
        return f"; write {number}: the unit is in the key's name"
    if kind == "int_type" and isinstance(value, float) and value.is_integer():
        return f"; write {value:.0f}"
    return ""


def _unit_advice(path: TomlPath, value: object, data: dict[str, Any]) -> str:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return ""
    if path[-1] == "azimuth_deg":
        return "azimuth counts from north, clockwise: east 90, south 180, west 270"
    voc_V = _raw(data, "array", "panel_voc_V")
    return unit_advice(str(path[-1]), value, voc_V if isinstance(voc_V, (int, float)) else None, _cells(data))


def _raw(data: dict[str, Any], table: str, key: str) -> object:
    found = data.get(table)
    return found.get(key) if isinstance(found, dict) else None


def _cells(data: dict[str, Any]) -> int | None:
    try:
        return Bank.model_validate(data.get("bank")).cells_in_series
    except ValidationError:
        return None
