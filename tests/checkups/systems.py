"""Small systems drawn by seed: what a site file says of each, and the world that is wired just so."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

from monitor.site.load import with_defaults
from monitor.site.model import Site
from simulator.meters import MeterSettings
from simulator.scenario import build, built_in
from simulator.world import World

PANELS = {  # cells: Voc, Vmp (usual crystalline panels, common practice, no source)
    36: (22.3, 18.2),
    60: (38.0, 31.5),
    72: (45.5, 37.5),
}
LEVELS = ("charging", "controller", "shunt")
SKIES = ("clear", "clear", "broken", "overcast")
RUN_UP_H = 2.0


@dataclass(frozen=True, slots=True)
class System:
    """A system: its site as described (set points filled in), its world, its meters, and the person's
    facts."""

    seed: int
    site: Site
    world: World
    charger_meters: MeterSettings
    shunt_meters: MeterSettings
    clock_error_s: float = 0.0

    @property
    def start_ms(self) -> int:
        """When the checkup begins."""
        return self.world.start_ms + round(RUN_UP_H * 3_600_000)


def draw(seed: int, *, day: bool) -> System:
    """The system of a seed, by day or by night: the same system in both."""
    rng = Random(f"checkup/{seed}")
    volts = rng.choice((12, 24))
    bank = _bank(rng, volts)
    array, controller = _array(rng, volts, bank)
    level = LEVELS[seed % 3]
    monitor_W = rng.uniform(1.5, 5.0)
    coarse = rng.choice((0.01, 0.01, 0.1))
    meters = {
        "voltage_step_V": coarse,
        "current_step_A": coarse,
        "temperature_step_C": rng.choice((0.1, 1.0)),
        "voltage_gain_tolerance": 0.003,
        "current_gain_tolerance": 0.01,
        "current_offset_tolerance_A": 0.05,
    }
    place = {
        "latitude_deg": rng.uniform(25, 58) * rng.choice((1, 1, 1, -1)),
        "longitude_deg": rng.uniform(-20, 20),
    }
    array |= {"tilt_deg": rng.uniform(15, 45), "azimuth_deg": (180 if place["latitude_deg"] > 0 else 0) % 360}
    site = Site.model_validate(
        {
            "site": {"name": f"System {seed}", **place},
            "bank": bank,
            "array": array,
            "controller": controller,
            "metering": {"level": level, "monitor_power_W": round(monitor_W, 1)},
            "meters": meters,
            "devices": _devices(level),
        }
    )
    site, _ = with_defaults(site)
    start = datetime(2026, 1, 1, 12, tzinfo=UTC) + timedelta(days=rng.randrange(365))
    hour = rng.uniform(-2, 2)
    start += timedelta(hours=hour + (0 if day else 12) - RUN_UP_H - place["longitude_deg"] / 15)
    tables = _tables(rng, site, place, level, rng.choice(SKIES))
    start_ms = round(start.timestamp() * 1000)
    world = build(tables, f"system {seed}", None, start_ms, start_ms, seed)
    return System(seed, site, world, _meters(rng, site), _meters(rng, site))


def _bank(rng: Random, volts: int) -> dict[str, Any]:
    chemistry = rng.choice(("flooded", "agm", "gel", "lifepo4"))
    unit_V = 12.8 if chemistry == "lifepo4" else rng.choice((6.0, 12.0))
    series = round(volts / (12.0 if chemistry == "lifepo4" else unit_V))
    return {
        "chemistry": chemistry,
        "unit_voltage_V": unit_V,
        "unit_capacity_Ah": float(rng.choice((80, 100, 150, 225))),
        "units_in_series": series,
        "strings_in_parallel": rng.choice((1, 2, 2, 3)),
    }


def _array(rng: Random, volts: int, bank: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    kind = rng.choice(("mppt", "mppt", "pwm"))
    if kind == "pwm":
        cells, series = (36, 1) if volts == 12 else rng.choice(((36, 2), (72, 1)))
    else:
        cells, series = rng.choice(
            ((36, 1), (36, 2), (60, 1), (72, 1), (36, 3))
            if volts == 12
            else ((36, 2), (60, 2), (72, 1), (36, 3), (72, 2))
        )
    strings = rng.randint(1, max(1, 6 // series))
    voc, vmp = PANELS[cells]
    # sized to the bank: full sun charges with 8 to 18 % of its capacity, as makers like it (one: 5 to 20 %)
    capacity = bank["unit_capacity_Ah"] * bank["strings_in_parallel"]
    power_W = rng.uniform(0.08, 0.18) * capacity * volts * 1.15 / (series * strings)
    power_W = max(20.0, min(power_W, {36: 180, 60: 330, 72: 400}[cells]))
    imp = power_W / vmp
    array = {
        "panel_power_W": round(power_W, 1),
        "panel_voc_V": voc,
        "panel_isc_A": round(imp * 1.06, 3),
        "panel_vmp_V": vmp,
        "panel_imp_A": round(imp, 3),
        "panels_in_series": series,
        "strings_in_parallel": strings,
    }
    full_A = power_W * series * strings / volts
    controller = {"kind": kind, "rating_A": round(1.4 * full_A + 5), "array_voltage_limit_V": 150.0}
    return array, controller


def _devices(level: str) -> list[dict[str, Any]]:
    charger = {"name": "charger", "profile": "marsh-charger", "connection": "tcp", "host": "192.0.2.1"}
    shunt = {"name": "shunt", "profile": "marsh-shunt", "connection": "serial", "port": "/dev/shunt"}
    return [shunt, charger] if level == "shunt" else [charger]


def _tables(rng: Random, site: Site, place: dict[str, float], level: str, sky: str) -> dict[str, Any]:
    tables = built_in()
    bank, array, controller = site.bank, site.array, site.controller
    assert array is not None
    assert controller is not None
    tables["place"] |= {**place, "air_mean_C": rng.uniform(4, 18), "air_day_C": 4.0}
    tables["bank"] |= {
        **{
            key: getattr(bank, key)
            for key in ("chemistry", "unit_voltage_V", "unit_capacity_Ah", "units_in_series")
        },
        "strings_in_parallel": bank.strings_in_parallel,
        "start_soc": rng.uniform(0.45, 0.95),
        "constants": "drawn",
        "health": rng.uniform(0.85, 1.0),
    }
    tables["array"] |= {key: getattr(array, key) for key in type(array).model_fields}
    tables["controller"] |= {
        "kind": controller.kind,
        "rating_A": controller.rating_A,
        "absorption_V": controller.absorption_V,
        "float_V": controller.float_V,
        "equalization_V": controller.equalization_V or controller.absorption_V,
        "temperature_compensation_V_per_C": controller.temperature_compensation_V_per_C,
        "disconnect_V": controller.disconnect_V,
        "reconnect_V": controller.reconnect_V,
    }
    metered = rng.random() < 0.5 if level == "shunt" else level == "controller"
    most_A = 0.12 * bank.capacity_Ah
    load_W = max(10.0, rng.uniform(0.2, 1.0) * most_A * bank.voltage_V)
    tables["loads"] = [
        {"name": "lamps", "power_W": round(load_W, 1), "metered": metered},
        {"name": "monitor", "power_W": site.metering.monitor_power_W, "metered": False},
    ]
    full_A = array.power_W / bank.voltage_V
    tables["wiring"] |= {"bank_lead_ohm": rng.uniform(0.002, 0.012) * bank.voltage_V / full_A}
    tables["weather"] = [{"from_days_ago": 30, "to_days_ago": 0, "sky": sky}]
    return tables


def _meters(rng: Random, site: Site) -> MeterSettings:
    meters = site.meters
    return MeterSettings(
        voltage_gain=1 + rng.uniform(-1, 1) * meters.voltage_gain_tolerance,
        voltage_step_V=meters.voltage_step_V,
        current_gain=1 + rng.uniform(-1, 1) * meters.current_gain_tolerance,
        current_offset_A=rng.uniform(-1, 1) * meters.current_offset_tolerance_A,
        current_step_A=meters.current_step_A,
        temperature_offset_C=rng.uniform(-1, 1),
        temperature_step_C=meters.temperature_step_C,
    )


def rewired(system: System, **tables: dict[str, Any]) -> System:
    """The same system with other values in its world's tables."""
    world = system.world
    for name, values in tables.items():
        world = replace(world, **{name: replace(getattr(world, name), **values)})
    return replace(system, world=world)
