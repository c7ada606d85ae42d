"""The scenario file: TOML, laid over the built-in one, checked, with errors that say where and what to do."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from simulator.array import Array, ArraySettings
from simulator.bank import CHEMISTRIES, BankSettings
from simulator.controller import ControllerSettings
from simulator.loads import LoadSettings
from simulator.meters import MeterSettings
from simulator.sky import KINDS, Place, WeatherSpan
from simulator.tables import ScenarioError, TableReader, check_key
from simulator.wiring import PROBE_SPOTS, SHUNT_SEES, WiringSettings
from simulator.world import ChargerSettings, ShuntSettings, World

BUILT_IN = "marsh.toml"
TABLES: dict[str, type] = {
    "place": Place,
    "bank": BankSettings,
    "array": ArraySettings,
    "controller": ControllerSettings,
    "meters": MeterSettings,
    "charger": ChargerSettings,
    "shunt": ShuntSettings,
    "wiring": WiringSettings,
}
LISTS: dict[str, type] = {"loads": LoadSettings, "weather": WeatherSpan}
OTHER_KEYS = ("name", "window_days", "probe_missing", "sky")
CHOICES = {
    "bank.chemistry": CHEMISTRIES,
    "bank.constants": ("published", "drawn"),
    "controller.kind": ("mppt", "pwm"),
    "charger.map": ("own", "sunspec"),
    "weather.sky": KINDS,
    "wiring.shunt_sees": SHUNT_SEES,
    "wiring.probe_at": PROBE_SPOTS,
}
POSITIVE = {
    "bank.unit_voltage_V",
    "bank.unit_capacity_Ah",
    "bank.units_in_series",
    "bank.strings_in_parallel",
    "bank.health",
    "array.panel_power_W",
    "array.panel_voc_V",
    "array.panel_isc_A",
    "array.panel_vmp_V",
    "array.panel_imp_A",
    "array.panels_in_series",
    "array.strings_in_parallel",
    "controller.rating_A",
    "meters.voltage_gain",
    "meters.voltage_step_V",
    "meters.current_gain",
    "meters.current_step_A",
    "meters.temperature_step_C",
    "charger.baud",
    "charger.unit",
    "shunt.baud",
    "window_days",
}


@dataclass(frozen=True, slots=True)
class SkyTable:
    """[sky]: a recorded sky (CSV, see `replay`); its path is relative to the scenario file."""

    file: str | None = None


def built_in() -> dict[str, Any]:
    """The built-in scenario's tables."""
    return tomllib.loads(resources.files("simulator").joinpath(BUILT_IN).read_text(encoding="utf-8"))


def load_world(file: Path | None, start_ms: int | None, now_ms: int, seed: int) -> World:
    """The world of a scenario file laid over the built-in one.

    Keys of tables replace keys, lists replace lists. Without start_ms the plant starts now, at the end of
    the scenario's window. Raises ScenarioError.
    """
    tables = built_in()
    where = BUILT_IN
    if file is not None:
        where = str(file)
        for key, value in read(file).items():
            check_key(where, key, {*TABLES, *LISTS, *OTHER_KEYS})
            tables[key] = {**tables[key], **value} if key in TABLES and isinstance(value, dict) else value
    return build(tables, where, file, start_ms, now_ms, seed)


def read(file: Path) -> dict[str, Any]:
    """A TOML file's content. Raises ScenarioError."""
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise ScenarioError(
            f"{file}: cannot be read: {error.strerror}; check the path after --scenario"
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ScenarioError(f"{file}: is not TOML: {error}") from error


def build(
    tables: dict[str, Any], where: str, file: Path | None, start_ms: int | None, now_ms: int, seed: int
) -> World:
    """Frozen values from checked tables. Raises ScenarioError."""
    reader = TableReader(where, CHOICES, POSITIVE)
    made: dict[str, Any] = {key: reader.table(key, kind, tables[key]) for key, kind in TABLES.items()}
    made |= {key: reader.entries(key, kind, tables[key]) for key, kind in LISTS.items()}
    window_days = reader.value("window_days", float, tables["window_days"])
    sky_file = reader.table("sky", SkyTable, tables.get("sky", {})).file
    if sky_file is not None and file is not None:
        sky_file = str(file.parent / sky_file)
    check_sense(where, made)
    return World(
        name=reader.value("name", str, tables["name"]),
        seed=seed,
        start_ms=now_ms if start_ms is None else start_ms,
        window_days=0.0 if start_ms is None else window_days,
        sky_file=None if sky_file is None else Path(sky_file),
        probe_missing=reader.value("probe_missing", bool, tables["probe_missing"]),
        **made,
    )


def check_sense(where: str, made: dict[str, Any]) -> None:
    """What single keys cannot show. Raises ScenarioError."""
    bank: BankSettings = made["bank"]
    if not 0 < bank.start_soc <= 1:
        raise ScenarioError(
            f"{where}: `bank.start_soc` must be above 0 and at most 1, not {bank.start_soc:g}"
        )
    if bank.cells < 1:
        raise ScenarioError(f"{where}: `bank.unit_voltage_V` {bank.unit_voltage_V:g} is less than one cell")
    names = [load.name for load in made["loads"]]
    for name in names:
        if names.count(name) > 1:
            raise ScenarioError(f"{where}: two loads are named `{name}`; give each its own name")
    for span in made["weather"]:
        if span.from_days_ago < span.to_days_ago:
            raise ScenarioError(
                f"{where}: weather from {span.from_days_ago} to {span.to_days_ago} days ago runs backwards; "
                "from_days_ago is the larger number"
            )
    if not 1 <= made["charger"].unit <= 247:
        raise ScenarioError(f"{where}: `charger.unit` must be 1 to 247 (Modbus over Serial Line V1.02)")
    try:
        Array(made["array"])
    except ValueError as error:
        raise ScenarioError(f"{where}: {error}") from error
