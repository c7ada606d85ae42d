"""The scenario file: TOML, laid over the built-in one, checked, with errors that say where and what to do."""

from __future__ import annotations

import tomllib
from dataclasses import fields
from difflib import get_close_matches
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar, get_type_hints

from simulator.array import Array, ArraySettings
from simulator.bank import CHEMISTRIES, BankSettings
from simulator.controller import ControllerSettings
from simulator.loads import LoadSettings
from simulator.meters import MeterSettings
from simulator.sky import KINDS, Place, WeatherSpan
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
}
LISTS: dict[str, type] = {"loads": LoadSettings, "weather": WeatherSpan}
TOP_KEYS = {"name": str, "window_days": float, "probe_missing": bool, "sky": dict}
CHOICES = {
    "bank.chemistry": CHEMISTRIES,
    "bank.constants": ("published", "drawn"),
    "controller.kind": ("mppt", "pwm"),
    "weather.sky": KINDS,
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
Table = TypeVar("Table")


class ScenarioError(ValueError):
    """The scenario cannot be used; the text names file, key and remedy."""


def built_in() -> dict[str, Any]:
    """The built-in scenario's tables."""
    return tomllib.loads(resources.files("simulator").joinpath(BUILT_IN).read_text(encoding="utf-8"))


def load_world(file: Path | None, start_ms: int | None, now_ms: int, seed: int) -> World:
    """The world of a scenario file laid over the built-in one: keys of tables replace keys, lists replace
    lists.

    Without start_ms the plant starts now, at the end of the scenario's window. Raises ScenarioError.
    """
    tables = built_in()
    where = BUILT_IN
    if file is not None:
        where = str(file)
        for key, value in read(file).items():
            check_key(where, key, {*TABLES, *LISTS, *TOP_KEYS})
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
    made: dict[str, Any] = {
        key: table(where, key, kind, tables.get(key)) for key, kind in TABLES.items() if key != "place"
    }
    place = tables["place"]
    name = converted(where, "name", str, tables["name"])
    made["place"] = table(
        where, "place", Place, {**place, "name": name} if isinstance(place, dict) else place
    )
    for key, kind in LISTS.items():
        made[key] = entries(where, key, kind, tables[key])
    window_days = converted(where, "window_days", float, tables["window_days"])
    sky = tables.get("sky", {})
    if not isinstance(sky, dict) or set(sky) - {"file"}:
        raise ScenarioError(f"{where}: [sky] takes only `file`, the path of a recorded sky (CSV)")
    sky_file = None
    if "file" in sky:
        named = Path(converted(where, "sky.file", str, sky["file"]))
        sky_file = named if named.is_absolute() or file is None else file.parent / named
    check_sense(where, made)
    world = World(
        name=name,
        seed=seed,
        start_ms=start_ms if start_ms is not None else now_ms - round(window_days * 86_400_000),
        window_days=window_days,
        sky_file=sky_file,
        probe_missing=converted(where, "probe_missing", bool, tables["probe_missing"]),
        **made,
    )
    return world if start_ms is not None else starting_at(world, now_ms)


def starting_at(world: World, time_ms: int) -> World:
    """The same world begun later, its window's end where it was."""
    values = {f.name: getattr(world, f.name) for f in fields(World)}
    values["window_days"] = (world.end_ms - time_ms) / 86_400_000
    values["start_ms"] = time_ms
    return World(**values)


def table(where: str, key: str, kind: type[Table], value: object) -> Table:
    """One table as its frozen dataclass. Raises ScenarioError."""
    if not isinstance(value, dict):
        raise ScenarioError(f"{where}: [{key}] must be a table of keys, not {value!r}")
    hints = get_type_hints(kind)
    required = {f.name for f in fields(kind) if f.default is f.default_factory}  # type: ignore[arg-type]
    for name in value:
        check_key(where, f"{key}.{name}", {f"{key}.{known}" for known in hints})
    missing = sorted(required - set(value))
    if missing:
        raise ScenarioError(f"{where}: [{key}] lacks {', '.join(missing)}")
    return kind(
        **{name: converted(where, f"{key}.{name}", hints[name], given) for name, given in value.items()}
    )


def entries(where: str, key: str, kind: type[Table], value: object) -> tuple[Table, ...]:
    """A list of tables. Raises ScenarioError."""
    if not isinstance(value, list):
        raise ScenarioError(f"{where}: write each of {key} as its own [[{key}]] table")
    return tuple(table(where, key, kind, entry) for entry in value)


def check_key(where: str, key: str, known: set[str]) -> None:
    """Raises ScenarioError for an unknown key, naming the nearest."""
    if key not in known:
        near = get_close_matches(key, known, n=1)
        hint = f"did you mean `{near[0]}`?" if near else f"known are {', '.join(sorted(known))}"
        raise ScenarioError(f"{where}: unknown key `{key}`; {hint}")


def converted(where: str, key: str, kind: Any, value: Any) -> Any:
    """A value of the wanted type and range. Raises ScenarioError."""
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if kind == tuple[int, ...]:
        if not isinstance(value, list) or not all(type(item) is int for item in value):
            raise ScenarioError(f"{where}: `{key}` must be a list of whole numbers, not {value!r}")
        return tuple(value)
    wanted = {
        bool: (isinstance(value, bool), "true or false"),
        str: (isinstance(value, str), "text in quotes"),
        int: (number and value == int(value), "a whole number"),
    }.get(kind, (number, "a number"))
    if not wanted[0]:
        raise ScenarioError(f"{where}: `{key}` must be {wanted[1]}, not {value!r}")
    if key in CHOICES and value not in CHOICES[key]:
        raise ScenarioError(f"{where}: `{key}` must be one of {', '.join(CHOICES[key])}, not {value!r}")
    if key in POSITIVE and value <= 0:
        raise ScenarioError(f"{where}: `{key}` must be above 0, not {value!r}")
    return kind(value) if kind in (int, float) else float(value) if number else value


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
