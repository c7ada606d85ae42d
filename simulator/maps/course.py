"""A random small supply through some days: what is true at a moment, its extremes and counters.

A day from midnight to midnight UTC resets what counts 'today'. All chances come from the seed; the shares of
chemistries, panels and skies are our choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from random import Random
from typing import Any

from simulator.plant import Plant, Truth
from simulator.scenario import BUILT_IN, build, built_in
from simulator.world import World

DAY_MS = 86_400_000
LAG_MS = 2_000
"""So far behind its registers a display may be."""

EXTREMES = (
    "battery_voltage_V",
    "charge_current_A",
    "array_voltage_V",
    "array_current_A",
    "array_power_W",
    "load_current_A",
    "battery_temperature_C",
    "controller_temperature_C",
)
"""Of these a device may keep today's and yesterday's highest and lowest."""

Facts = dict[str, float]


@dataclass(frozen=True, slots=True)
class Moment:
    """What is true now and what was true LAG_MS before, by name."""

    time_ms: int
    now: Facts
    before: Facts


def random_world(seed: int) -> World:
    """A 12 or 24 V supply with one to six panels somewhere between 35 and 60 degrees north."""
    rng = Random(f"{seed}/supply")
    tables: dict[str, Any] = built_in()
    chemistry = rng.choice(("flooded", "agm", "gel", "lifepo4"))
    volts = rng.choice((12, 12, 24))
    kind = rng.choice(("mppt", "mppt", "pwm"))
    start = datetime(2027, rng.randint(1, 12), rng.randint(1, 28), tzinfo=UTC)
    series = 1 if volts == 12 else 2
    series = series + rng.choice((0, 0, 1)) if kind == "mppt" else series
    tables["place"] |= {"latitude_deg": rng.uniform(35, 58), "longitude_deg": rng.uniform(-3, 10)}
    tables["place"] |= {"air_mean_C": rng.uniform(6, 19)}
    tables["bank"] |= {
        "chemistry": chemistry,
        "unit_voltage_V": 12.8 if chemistry == "lifepo4" else 12,
        "unit_capacity_Ah": rng.choice((60, 100, 150, 200)),
        "units_in_series": volts // 12,
        "strings_in_parallel": rng.choice((1, 1, 2)),
        "start_soc": rng.uniform(0.45, 0.95),
        "constants": "drawn",
    }
    tables["array"] |= {
        "panels_in_series": series,
        "strings_in_parallel": rng.choice((1, 1, 2, 3)),
        "tilt_deg": rng.uniform(15, 50),
        "azimuth_deg": rng.uniform(140, 220),
    }
    cells = volts // 2
    lithium = chemistry == "lifepo4"
    tables["controller"] |= {
        "kind": kind,
        "rating_A": rng.choice((20, 30, 40)),
        "absorption_V": round((2.37 if lithium else rng.uniform(2.38, 2.45)) * cells, 1),
        "float_V": round((2.25 if lithium else rng.uniform(2.24, 2.29)) * cells, 1),
        "equalization_V": round(2.58 * cells, 1),
        "temperature_compensation_V_per_C": 0.0 if lithium else -0.005 * cells,
        "disconnect_V": round(1.85 * cells, 1),
        "reconnect_V": round(2.08 * cells, 1),
    }
    tables["meters"] |= {"voltage_step_V": 0.001, "current_step_A": 0.001, "temperature_step_C": 0.01}
    tables["loads"] = [
        {
            "name": "lamps",
            "power_W": rng.choice((12, 24, 40)),
            "metered": True,
            "from_h": 17,
            "to_h": 22,
            "jitter_h": 1,
        },
        {"name": "mast", "power_W": rng.uniform(1, 9), "metered": True},
        {
            "name": "pump",
            "power_W": rng.choice((30, 45, 60)),
            "metered": True,
            "from_h": 10,
            "to_h": 12,
            "jitter_h": 1.5,
        },
        {"name": "monitor", "power_W": rng.uniform(1, 3), "metered": False},
    ]
    tables["weather"] = [
        {
            "from_days_ago": day,
            "to_days_ago": day,
            "sky": rng.choice(("clear", "broken", "broken", "overcast", "dark")),
        }
        for day in range(4)
    ]
    tables["window_days"] = 4
    return build(tables, BUILT_IN, None, round(start.timestamp() * 1000), 0, seed)


class Course:
    """The supply of a seed; `at` steps on to a later time and tells what is true there."""

    def __init__(self, seed: int) -> None:
        self.world = random_world(seed)
        self.plant = Plant(self.world)
        self._last_ms = self.world.start_ms
        rng = Random(f"{seed}/history")
        self._counters: Facts = {
            "energy_today_Wh": 0.0,
            "energy_yesterday_Wh": 0.0,
            "charge_today_Ah": 0.0,
            "load_energy_today_Wh": 0.0,
            "load_energy_total_Wh": float(rng.randint(2_000, 150_000)),
            "energy_total_Wh": float(rng.randint(5_000, 900_000)),
        }
        self._month_Wh = 0.0 if rng.random() < 0.1 else rng.uniform(0, 20_000)
        self._counters["energy_month_Wh"] = self._month_Wh
        self._counters["energy_year_Wh"] = self._month_Wh + rng.uniform(0, 200_000)
        self._today: dict[str, tuple[float, float]] = {}
        self._yesterday: dict[str, tuple[float, float]] = {}
        self._started_s = rng.randint(1, 10_000_000)
        self._count(self.plant.truth)

    def at(self, time_ms: int) -> Moment:
        """What is true at a time, which must not lie before the last one asked for, and LAG_MS before it."""
        for early_ms in (1_000, 0):  # a step tells of its middle: the last one before the look is short
            self.plant.advance_to(max(self.plant.time_ms, time_ms - LAG_MS - early_ms), self._count)
        before = self._facts()
        self.plant.advance_to(time_ms, self._count)
        return Moment(time_ms, self._facts(), before)

    def _count(self, truth: Truth) -> None:
        hours = (truth.time_ms - self._last_ms) / 3_600_000
        if truth.time_ms // DAY_MS > self._last_ms // DAY_MS:
            self._counters["energy_yesterday_Wh"] = self._counters["energy_today_Wh"]
            for name in ("energy_today_Wh", "charge_today_Ah", "load_energy_today_Wh"):
                self._counters[name] = 0.0
            self._yesterday, self._today = self._today, {}
        self._last_ms = truth.time_ms
        for name in ("energy_today_Wh", "energy_month_Wh", "energy_year_Wh", "energy_total_Wh"):
            self._counters[name] += truth.charge_power_W * hours
        for name in ("load_energy_today_Wh", "load_energy_total_Wh"):
            self._counters[name] += truth.load_power_W * hours
        self._counters["charge_today_Ah"] += truth.charge_current_A * hours
        for name in EXTREMES:
            value = getattr(truth, name)
            low, high = self._today.get(name, (value, value))
            self._today[name] = (min(low, value), max(high, value))

    def _facts(self) -> Facts:
        truth, controller = self.plant.truth, self.world.controller
        names = [*EXTREMES, "battery_current_A", "charge_power_W", "load_power_W", "midpoint_voltage_V"]
        facts: Facts = {name: getattr(truth, name) for name in names}
        for name in EXTREMES:
            low, high = self._today[name]
            facts[f"{name}/low today"], facts[f"{name}/high today"] = low, high
            low, high = self._yesterday.get(name, (low, high))
            facts[f"{name}/low yesterday"], facts[f"{name}/high yesterday"] = low, high
        charge = truth.charge_current_A / controller.rating_A
        return {
            **facts,
            **self._counters,
            "state_of_charge_percent": 100 * truth.state_of_charge,
            "controller_net_A": truth.charge_current_A - truth.load_current_A,
            "load_voltage_V": truth.battery_voltage_V if truth.load_on else 0.0,
            "sense_voltage_V": truth.battery_voltage_V - 0.004 * truth.charge_current_A,
            "air_temperature_C": truth.air_temperature_C,
            "heat_sink_C": truth.controller_temperature_C + 8 * charge,
            "duty_percent": 100 * min(1.0, charge),
            "absorption_set_V": truth.absorption_set_V,
            "float_set_V": truth.float_set_V,
            "absorption_V": controller.absorption_V,
            "float_V": controller.float_V,
            "equalization_V": controller.equalization_V,
            "disconnect_V": controller.disconnect_V,
            "reconnect_V": controller.reconnect_V,
            "rating_A": controller.rating_A,
            "capacity_Ah": self.world.bank.unit_capacity_Ah * self.world.bank.strings_in_parallel,
            "charge_stage": truth.charge_stage,
            "load_on": float(truth.load_on),
            "uptime_s": self._started_s + (truth.time_ms - self.world.start_ms) / 1000,
            "hour": truth.time_ms // 3_600_000 % 24,
            "minute": truth.time_ms // 60_000 % 60,
            "second": truth.time_ms // 1000 % 60,
        }
