"""A new site file from a few answers: the questions, their defaults, and the commented file they make.

`QUESTIONS` in order; `answer` checks one; `render` writes the file. No terminal here: `commands.site` asks.
Imports of the project toml_lines and the rest of `site`.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal, get_args, get_origin

from pydantic import ValidationError

from monitor.site.amounts import CONTINUOUS_FACTOR, HOT_CELL_C, STC_C, coldest_by_rule_C
from monitor.site.chemistry import USUAL
from monitor.site.faults import explain
from monitor.site.model import Bank, Chemistry, Site
from monitor.site.table import Table

Value = str | float | int
Answers = Mapping[str, Value]

CONTROLLER_SIZES_A = (5, 10, 15, 20, 30, 40, 50, 60, 80, 100)  # common practice: sizes on sale
POWER_COEFFICIENT_PER_C = -0.004


@dataclass(frozen=True, slots=True)
class Question:
    """One question; path is the key it fills, default what an empty answer means, given those before."""

    path: tuple[str, str]
    words: str
    default: Callable[[Answers], Value]

    @property
    def key(self) -> str:
        return ".".join(self.path)


def _fixed(value: Value) -> Callable[[Answers], Value]:
    return lambda answers: value


def _number(answers: Answers, key: str) -> float:
    return float(answers[key])


def _bank(answers: Answers) -> Bank:
    """The bank of the answers so far."""
    return Bank.model_validate(
        {key.removeprefix("bank."): value for key, value in answers.items() if key.startswith("bank.")}
    )


def _absorption_V(answers: Answers) -> float:
    bank = _bank(answers)
    return USUAL[bank.chemistry].absorption.default_V * bank.cells_in_series


def _unit_voltage_V(answers: Answers) -> Value:
    return {"flooded": 6, "lifepo4": 12.8}.get(str(answers["bank.chemistry"]), 12)


def _unit_capacity_Ah(answers: Answers) -> Value:
    return 225 if answers["bank.chemistry"] == "flooded" else 100


def _units_in_series(answers: Answers) -> Value:
    return max(1, round(12 / _number(answers, "bank.unit_voltage_V")))


def _panels_in_series(answers: Answers) -> Value:
    """As many panels as still reach the absorption set point when they are hot."""
    hot_V = _number(answers, "array.panel_vmp_V") * (1 + POWER_COEFFICIENT_PER_C * (HOT_CELL_C - STC_C))
    return max(1, math.ceil(_absorption_V(answers) / hot_V))


def _rating_A(answers: Answers) -> Value:
    strings = _number(answers, "array.strings_in_parallel")
    if answers["controller.kind"] == "pwm":
        need_A = _number(answers, "array.panel_isc_A") * strings * CONTINUOUS_FACTOR
    else:
        panels = _number(answers, "array.panels_in_series") * strings
        need_A = _number(answers, "array.panel_power_W") * panels / _bank(answers).voltage_V
    return next((size for size in CONTROLLER_SIZES_A if size >= need_A), math.ceil(need_A))


def _coldest_C(answers: Answers) -> Value:
    latitude_deg, altitude_m = _number(answers, "site.latitude_deg"), _number(answers, "site.altitude_m")
    return round(coldest_by_rule_C(latitude_deg, altitude_m))


QUESTIONS: tuple[Question, ...] = (
    Question(("site", "name"), "What is the place called?", _fixed("Marsh hide")),
    Question(("site", "latitude_deg"), "Latitude in degrees (north positive)?", _fixed(52.6)),
    Question(("site", "longitude_deg"), "Longitude in degrees (east positive)?", _fixed(1.55)),
    Question(("site", "altitude_m"), "Altitude in metres?", _fixed(4)),
    Question(("site", "time_zone"), "Time zone?", _fixed("Europe/London")),
    Question(("site", "coldest_C"), "Coldest morning to expect, in °C?", _coldest_C),
    Question(("bank", "chemistry"), "Battery chemistry?", _fixed("flooded")),
    Question(("bank", "unit_voltage_V"), "Nominal volts of one battery?", _unit_voltage_V),
    Question(("bank", "unit_capacity_Ah"), "Its ampere-hours at the 20-hour rate?", _unit_capacity_Ah),
    Question(("bank", "units_in_series"), "Batteries in series in one string?", _units_in_series),
    Question(("bank", "strings_in_parallel"), "Strings of batteries in parallel?", _fixed(2)),
    Question(("array", "panel_power_W"), "Watts of one panel?", _fixed(150)),
    Question(("array", "panel_voc_V"), "Its open-circuit voltage Voc, from the plate?", _fixed(22.3)),
    Question(("array", "panel_isc_A"), "Its short-circuit current Isc?", _fixed(8.6)),
    Question(("array", "panel_vmp_V"), "Its voltage at maximum power Vmp?", _fixed(18.2)),
    Question(("array", "panel_imp_A"), "Its current at maximum power Imp?", _fixed(8.25)),
    Question(("array", "panels_in_series"), "Panels in series in one string?", _panels_in_series),
    Question(("array", "strings_in_parallel"), "Strings of panels in parallel?", _fixed(3)),
    Question(("controller", "kind"), "Kind of charge controller?", _fixed("mppt")),
    Question(("controller", "rating_A"), "Its rated charge current in amperes?", _rating_A),
    Question(("controller", "array_voltage_limit_V"), "Highest array voltage it bears?", _fixed(100)),
    Question(
        ("metering", "level"),
        "What meters the loads: a shunt, the controller's load output, or nothing (charging)?",
        _fixed("controller"),
    ),
)


def choices(question: Question) -> tuple[str, ...]:
    """The words a question takes; empty where any text or number will do."""
    annotation = _annotation(question)
    return get_args(annotation) if get_origin(annotation) is Literal else ()


def answer(question: Question, text: str, so_far: Answers) -> Value:
    """The value of one answer, an empty one the default. Raises ValueError that says what to answer."""
    text = text.strip()
    value: Value = question.default(so_far) if not text else _typed(question, text)
    try:
        _table(question).model_validate({question.path[1]: value})
    except ValidationError as fault:  # the table's other keys are missing; only this one is judged
        for told in fault.errors():
            if told["loc"] == question.path[1:]:
                told["loc"] = question.path
                raise ValueError(explain(told, _nested(so_far))) from None
    return value


def _typed(question: Question, text: str) -> Value:
    annotation = _annotation(question)
    if annotation is str or choices(question):
        return text
    try:
        whole = annotation is int or text.lstrip("+-").isdecimal()
        return int(text) if whole else float(text.replace(",", "."))
    except ValueError:
        kind = "a whole number" if annotation is int else "a number"
        raise ValueError(f"{text!r} is not {kind}; write only the digits, without a unit") from None


def _table(question: Question) -> type[Table]:
    annotation = Site.model_fields[question.path[0]].annotation
    parts = annotation, *get_args(annotation)
    return next(part for part in parts if isinstance(part, type) and issubclass(part, Table))


def _annotation(question: Question) -> object:
    annotation = _table(question).model_fields[question.path[1]].annotation
    return float if float in get_args(annotation) else annotation  # float | None asks for a number


def _nested(answers: Answers) -> dict[str, dict[str, Value]]:
    tables: dict[str, dict[str, Value]] = {}
    for key, value in answers.items():
        table, name = key.split(".")
        tables.setdefault(table, {})[name] = value
    return tables


def render(answers: Answers, store: str = "nightbank.db") -> str:
    """The commented site file of a full set of answers; set points are the chemistry's usual ones.

    store is where the readings are kept: absolute, or relative to the site file's folder.
    """
    bank = _bank(answers)
    written = {key.replace(".", "_"): _toml(value) for key, value in answers.items()}
    return TEMPLATE.format(
        **written,
        azimuth=180 if _number(answers, "site.latitude_deg") >= 0 else 0,
        set_points=_set_points(bank.chemistry, bank.cells_in_series),
        words=USUAL[bank.chemistry].words,
        store=_toml(store),
    )


def _toml(value: Value) -> str:
    if isinstance(value, str):  # JSON text is TOML text, but for DEL
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)


def _set_points(chemistry: Chemistry, cells: int) -> str:
    usual = USUAL[chemistry]
    rows = [("absorption_V", usual.absorption), ("float_V", usual.float_charge)]
    if usual.equalization is not None:
        rows.append(("equalization_V", usual.equalization))
    rows += [("disconnect_V", usual.disconnect), ("reconnect_V", usual.reconnect)]
    lines = [f"{key} = {point.default_V * cells:.2f}" for key, point in rows]
    compensation = round(usual.compensation_V_per_C * cells, 4)
    lines.append(f"temperature_compensation_V_per_C = {compensation}   # whole bank")
    return "\n".join(lines)


TEMPLATE = """\
# A site file: what the monitor has to know about one system. Units are part of each key's name.
# Look at it with `nightbank site check` after every change.

[site]
name = {site_name}
latitude_deg = {site_latitude_deg}        # north positive
longitude_deg = {site_longitude_deg}       # east positive
altitude_m = {site_altitude_m}
time_zone = {site_time_zone}
coldest_C = {site_coldest_C}          # coldest morning: panels give their highest voltage then

[bank]
chemistry = {bank_chemistry}       # flooded, agm, gel, lifepo4
unit_voltage_V = {bank_unit_voltage_V}        # of one battery as bought
unit_capacity_Ah = {bank_unit_capacity_Ah}
capacity_rate_h = 20         # the rate at which the capacity is given
units_in_series = {bank_units_in_series}          # series adds the volts
strings_in_parallel = {bank_strings_in_parallel}      # parallel adds the ampere-hours
reserve_soc = 0.5            # the share you do not want to use

[array]
# One panel at standard test conditions, from its plate.
panel_power_W = {array_panel_power_W}
panel_voc_V = {array_panel_voc_V}
panel_isc_A = {array_panel_isc_A}
panel_vmp_V = {array_panel_vmp_V}
panel_imp_A = {array_panel_imp_A}
voc_temperature_coefficient_per_C = -0.0030     # -0.30 % per °C is -0.0030
power_temperature_coefficient_per_C = -0.0040
panels_in_series = {array_panels_in_series}
strings_in_parallel = {array_strings_in_parallel}
tilt_deg = 35                # from flat
azimuth_deg = {azimuth}            # from north, clockwise: east 90, south 180, west 270

[controller]
kind = {controller_kind}                # mppt, pwm
rating_A = {controller_rating_A}
array_voltage_limit_V = {controller_array_voltage_limit_V}
# Set points for the whole bank at 25 °C, usual for {words}.
# Write here what your controller really does; the battery maker's sheet decides.
{set_points}

# Your loads, one table each. The night ahead reckons with them until it has nights of readings.
# [[loads]]
# name = "lamps"
# branch = "hide"
# power_W = 4                # of one
# count = 4
# hours_per_day = 4

[metering]
level = {metering_level}         # shunt: sees all; controller: sees loads on it; charging: sees no load
straight_to_bank = false     # true: some loads are wired to the bank itself, past the controller
monitor_power_W = 2.0        # what this computer draws from the bank

[store]
path = {store}

# What hangs on the bank: a table [[loads]] each, with name, branch, power_W, count and hours_per_day. What
# hangs behind an inverter gets ac = true, and the inverter a table [inverter] with efficiency and standby_W.
# Next, tell which devices to read: one table [[devices]] each, with name, profile, connection ("serial" with
# port, or "tcp" with host), unit and every_s. Give a serial port by its stable name in /dev/serial/by-id.
# How alarms reach you: a table [notices] with quiet_hours, and one table [[channels]] for each way, with name
# and kind (apprise, mqtt, email, hook or pin); the manual's page monitor/notices has an example of each.
# A halt of this computer before its supply ends: a table [computer], see the manual's page monitor/power.
# Copies on a time-series server: a table [[mirrors]], see the manual's page monitor/mirror.
"""
