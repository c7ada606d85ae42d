"""The invented scenario's site file, and variants of it, for the tests of the site room."""

from __future__ import annotations

from pathlib import Path

MARSH_HIDE = """\
[site]
name = "Marsh hide"
latitude_deg = 52.60
longitude_deg = 1.55
altitude_m = 4
time_zone = "Europe/London"

[bank]
chemistry = "flooded"
unit_voltage_V = 6
unit_capacity_Ah = 225
capacity_rate_h = 20
units_in_series = 2
strings_in_parallel = 2
installed = 2025-04-12
reserve_soc = 0.5

[array]
panel_power_W = 150
panel_voc_V = 22.3
panel_isc_A = 8.6
panel_vmp_V = 18.2
panel_imp_A = 8.25
voc_temperature_coefficient_per_C = -0.0030
power_temperature_coefficient_per_C = -0.0040
panels_in_series = 1
strings_in_parallel = 3
tilt_deg = 35
azimuth_deg = 180

[controller]
kind = "mppt"
rating_A = 40
array_voltage_limit_V = 100
absorption_V = 14.8
absorption_h = 2.5
float_V = 13.5
equalization_V = 15.5
temperature_compensation_V_per_C = -0.030
tail_current_fraction = 0.02
disconnect_V = 11.4
reconnect_V = 12.6

[metering]
level = "controller"
straight_to_bank = false
monitor_power_W = 2.0

[meters]
voltage_step_V = 0.01
current_step_A = 0.01
temperature_step_C = 0.1
voltage_gain_tolerance = 0.003
current_gain_tolerance = 0.01
current_offset_tolerance_A = 0.05

[[devices]]
name = "charger"
profile = "marsh-charger"
connection = "serial"
port = "/dev/serial/by-id/usb-example"
"""


SET_POINTS = tuple(
    f"controller.{key}"
    for key in (
        "absorption_V",
        "float_V",
        "equalization_V",
        "disconnect_V",
        "reconnect_V",
        "temperature_compensation_V_per_C",
    )
)
"""Keys that a person may leave out, for the chemistry's usual values."""


def changed(*edits: str, without: tuple[str, ...] = (), more: str = "") -> str:
    """The scenario with some lines replaced, left out or added.

    An edit "bank.unit_voltage_V = 12" replaces the key's line in its table (or adds it there); without
    names keys or whole tables to leave out; more is text for the end.
    """
    tables: dict[str, list[str]] = {}
    for line in MARSH_HIDE.splitlines():
        if line.startswith("["):
            tables[line.strip("[]")] = [line]
        else:
            next(reversed(tables.values())).append(line)
    for edit in edits:
        table, _, row = edit.partition(".")
        key = row.partition(" =")[0]
        kept = [line for line in tables[table] if line.partition(" =")[0] != key]
        at = next((n for n, line in enumerate(tables[table]) if line.partition(" =")[0] == key), 1)
        tables[table] = [*kept[:at], row, *kept[at:]]
    for name in without:
        table, _, key = name.partition(".")
        if key:
            tables[table] = [line for line in tables[table] if line.partition(" =")[0] != key]
        else:
            del tables[table]
    return "\n".join(line for lines in tables.values() for line in lines) + "\n" + more


def line_of(text: str, start: str) -> int:
    """1-based line on which `start` begins a line; it must be there once."""
    found = [number for number, line in enumerate(text.splitlines(), start=1) if line.startswith(start)]
    assert len(found) == 1, f"{start!r} begins {len(found)} lines"
    return found[0]


def write(folder: Path, text: str) -> Path:
    """The text as a site file in a folder."""
    path = folder / "hide.toml"
    path.write_text(text, encoding="utf-8")
    return path


WITHOUT_ARRAY = MARSH_HIDE[: MARSH_HIDE.index("[array]")] + MARSH_HIDE[MARSH_HIDE.index("[controller]") :]
"""The same without its array, which what tells of the sun needs."""
