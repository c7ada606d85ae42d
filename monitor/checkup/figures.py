"""What the figures of a record are called on paper."""

from __future__ import annotations

import re

WORDS = {
    "clock_error_s": ("clock ahead by", "s", 0),
    "bank_V": ("bank", "V", 2),
    "cell_V": ("one cell", "V", 3),
    "absorption_V": ("absorption set to", "V", 2),
    "float_V": ("float set to", "V", 2),
    "probe_C": ("bank's temperature probe", "°C", 1),
    "hand_C": ("warmed by a hand", "°C", 1),
    "array_V": ("array", "V", 1),
    "load_step_A": ("loads, by the controller", "A", 2),
    "charge_step_A": ("charge, by the controller", "A", 2),
    "shunt_by_loads_A": ("loads, by the shunt", "A", 2),
    "shunt_by_charge_A": ("charge, by the shunt", "A", 2),
    "lead_ohm": ("leads, there and back", "ohm", 4),
    "idle_W": ("idle draw", "W", 1),
}
"""Of each figure a person can use: its name, its unit, its digits behind the point."""

STRING_SHARE = re.compile(r"string_(\d+)_share")


def in_words(key: str, value: float) -> tuple[str, str] | None:
    """Name and value of a figure as they stand on a sheet; None for what only the program needs."""
    string = STRING_SHARE.fullmatch(key)
    if string is not None:
        return f"share of string {string[1]}, by covering", f"{100 * value:z.0f} %"
    if key not in WORDS:
        return None
    name, unit, digits = WORDS[key]
    return name, f"{value:z.{digits}f} {unit}"
