"""What in the [[alarms]] tables concerns more than one key, looked at on the site file's own tables."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from monitor.errors import Problem
from monitor.site.sign_names import SHIPPED, SHIPPED_BASES, base_name, judged
from monitor.toml_lines import TomlLines, did_you_mean


def alarm_problems(data: dict[str, Any], lines: TomlLines) -> Iterator[Problem]:
    """An added rule says what it judges; a set point lies where its quantity's values can be."""
    for index, entry in _rows(data):
        name, quantity, set_point = entry.get("name"), entry.get("quantity"), entry.get("set_point")
        if isinstance(name, str) and base_name(name) not in SHIPPED_BASES:
            advice = did_you_mean(name, SHIPPED)
            for key in ("quantity", "condition", "set_point"):
                if key not in entry:
                    text = f"is missing, and {name!r} is no shipped rule that has one; {advice}"
                    line = lines.nearest_line(("alarms", index, key))
                    yield Problem(f"alarms[{index}].{key}", line, text)
        if not isinstance(quantity, str) or not isinstance(set_point, (int, float)):
            continue
        try:
            bounds = judged(quantity)
        except KeyError:
            continue  # told where the key itself is looked at
        if not bounds.low <= set_point <= bounds.high:
            share = "; it is a share, so 50 percent are 0.5" if bounds.high == 1 else ""
            text = (
                f"{set_point:g} can never be crossed: {quantity} ({bounds.meaning}) lies between"
                f" {bounds.low:g} and {bounds.high:g}{share}"
            )
            line = lines.nearest_line(("alarms", index, "set_point"))
            yield Problem(f"alarms[{index}].set_point", line, text)


def _rows(data: dict[str, Any]) -> Iterator[tuple[int, dict[str, Any]]]:
    rows = data.get("alarms")
    for index, row in enumerate(rows if isinstance(rows, list) else ()):
        if isinstance(row, dict):
            yield index, row
