"""Another small supply for drawn maps, that shares neither weather nor physics with `simulator.plant`.

A day is walked in minutes: a sine of sun behind drifting cloud, a bank of an open-circuit voltage and a
resistance, loads that go on and off and are often all off. It is rougher than the simulator and only has to
be another one: what is found by the habits of one supply must be found in the other. All numbers are our
choice.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from datetime import UTC, datetime
from math import exp, pi, sin
from random import Random

from simulator.maps.course import DAY_MS, EXTREMES, LAG_MS, Facts, Moment

MINUTE_MS = 60_000
DAYS = 2
"""The walk: a day of which yesterday is known, the day of the looks, and the day after."""


@dataclass
class Supply:
    """A supply from a seed; `walk` tells the facts of every minute."""

    rng: Random
    cells: int = field(init=False)
    converter: bool = field(init=False)

    def __post_init__(self) -> None:
        rng = self.rng
        self.cells = rng.choice((6, 6, 12, 24))
        self.converter = rng.random() < 0.6
        self.lithium = rng.random() < 0.35
        self.peak_W = rng.uniform(40, 300) * (1 if self.cells == 6 else 2)
        self.array_V = 3.0 * self.cells * (rng.choice((1.0, 1.6, 2.2, 3.1)) if self.converter else 1.0)
        self.efficiency = rng.uniform(0.93, 0.98)
        self.rating_A = rng.choice((15, 20, 30, 50))
        self.capacity_Ah = rng.choice((50, 100, 200))
        self.ohm = rng.uniform(0.01, 0.05) * self.cells / 6
        self.absorption_V = round(rng.uniform(2.33, 2.45) * self.cells, 1)
        self.float_V = round(rng.uniform(2.22, 2.3) * self.cells, 1)
        self.sunrise_h, self.sunset_h = rng.uniform(4.5, 8), rng.uniform(16, 20.5)
        self.cloud = [rng.choice(("clear", "fair", "fair", "shut", "storm")) for _ in range(DAYS + 1)]
        self.air_C, self.swing_C = rng.uniform(-3, 28), rng.uniform(2, 8)
        self.steady_A = rng.choice((0.0, 0.0, rng.uniform(0.05, 0.6)))
        self.lamp_A, self.pump_A = rng.uniform(0.4, 4), rng.choice((0.0, rng.uniform(1, 6)))
        self.lamp_from_h = rng.uniform(16, 20)
        self.unseen_A = rng.choice((0.0, 0.0, rng.uniform(0.05, 0.4)))

    def walk(self) -> tuple[list[int], list[Facts]]:
        rng = self.rng
        start = round(datetime(2028, rng.randint(1, 12), rng.randint(2, 27), tzinfo=UTC).timestamp() * 1000)
        charged, shade, held, pump_on = rng.uniform(0.3, 0.95), 0.8, False, False
        battery_C = controller_C = sink_C = self.air_C
        counters: Facts = {
            "energy_today_Wh": 0.0,
            "energy_yesterday_Wh": rng.uniform(0, 1500),
            "energy_total_Wh": rng.uniform(2_000, 800_000),
            "energy_month_Wh": rng.uniform(500, 20_000),
            "energy_year_Wh": rng.uniform(500, 90_000),
            "charge_today_Ah": 0.0,
            "load_energy_today_Wh": 0.0,
            "load_energy_total_Wh": rng.uniform(2_000, 90_000),
        }
        ends: dict[str, tuple[float, float]] = {}
        before: dict[str, tuple[float, float]] = {}
        times, every = [], []
        bank_V = 2.05 * self.cells
        for minute in range((DAYS + 1) * 1440):
            day, hour = divmod(minute, 1440)
            hour_h = hour / 60
            if hour == 0 and day:
                counters["energy_yesterday_Wh"] = counters["energy_today_Wh"]
                counters |= {"energy_today_Wh": 0.0, "charge_today_Ah": 0.0, "load_energy_today_Wh": 0.0}
                before, ends, held = ends, {}, False
            low, high, drift = {
                "clear": (0.93, 1.0, 0.01),
                "fair": (0.3, 1.0, 0.12),
                "shut": (0.08, 0.3, 0.03),
                "storm": (0.02, 1.0, 0.3),
            }[self.cloud[day]]
            shade = min(high, max(low, shade + rng.gauss(0, drift)))
            length_h = self.sunset_h - self.sunrise_h
            sun = max(0.0, sin(pi * (hour_h - self.sunrise_h) / length_h)) if hour_h < self.sunset_h else 0.0
            light = sun**1.2 * shade
            lamp = self.lamp_from_h <= hour_h < 22.5
            if self.pump_A and rng.random() < 0.06:
                pump_on = not pump_on
            load_A = self.steady_A + self.lamp_A * lamp + self.pump_A * (pump_on and 6 < hour_h < 21)
            rest_V = self._rest_V(charged)
            charge_A = self._charge_A(light, bank_V)
            net_A = charge_A - load_A - self.unseen_A
            bank_V = rest_V + net_A * self.ohm + rng.gauss(0, 0.004)
            target_V = self.float_V if held and charged > 0.985 else self.absorption_V
            limited = bank_V > target_V
            if limited:
                held = True
                net_A = (target_V - rest_V) / self.ohm
                charge_A = max(0.0, net_A + load_A + self.unseen_A)
                bank_V = target_V + rng.gauss(0, 0.006)
            array_V, array_A, array_W = self._array(light, bank_V, charge_A, limited)
            air_C = self.air_C + self.swing_C * sin(2 * pi * (hour_h - 9) / 24) + rng.gauss(0, 0.03)
            battery_C += (air_C + 0.02 * abs(net_A) - battery_C) / 240
            controller_C += (air_C + 14 * charge_A / self.rating_A - controller_C) / 15
            sink_C += (air_C + 24 * charge_A / self.rating_A - sink_C) / 6
            charged = min(
                1.0, max(0.05, charged + net_A / 60 / self.capacity_Ah * (0.96 if net_A > 0 else 1))
            )
            for name in ("energy_today_Wh", "energy_total_Wh", "energy_month_Wh", "energy_year_Wh"):
                counters[name] += charge_A * bank_V / 60
            for name in ("load_energy_today_Wh", "load_energy_total_Wh"):
                counters[name] += load_A * bank_V / 60
            counters["charge_today_Ah"] += charge_A / 60
            facts: Facts = {
                "battery_voltage_V": bank_V,
                "charge_current_A": charge_A,
                "battery_current_A": net_A,
                "controller_net_A": charge_A - load_A,
                "array_voltage_V": array_V,
                "array_current_A": array_A,
                "array_power_W": array_W,
                "load_current_A": load_A,
                "battery_temperature_C": battery_C,
                "controller_temperature_C": controller_C,
                "heat_sink_C": sink_C,
                "air_temperature_C": air_C,
                "state_of_charge_percent": 100 * charged,
                "charge_power_W": charge_A * bank_V,
                "load_power_W": load_A * bank_V,
                "load_voltage_V": bank_V,
                "duty_percent": 100 * min(1.0, charge_A / self.rating_A),
                "absorption_set_V": self.absorption_V - 0.004 * self.cells * (battery_C - 25),
                "charge_stage": float(2 if limited else 1 if charge_A > 0 else 0),
                "load_on": 1.0,
                "uptime_s": minute * 60.0 + 4_000_000,
                "minute": float(minute % 60),
                **counters,
            }
            for name in EXTREMES:
                least, most = ends.get(name, (facts[name], facts[name]))
                ends[name] = min(least, facts[name]), max(most, facts[name])
                for when, known in (("today", ends), ("yesterday", before or ends)):
                    facts[f"{name}/low {when}"], facts[f"{name}/high {when}"] = known[name]
            times.append(start + minute * MINUTE_MS)
            every.append(facts)
        return times, every

    def _rest_V(self, charged: float) -> float:
        if self.lithium:
            return (
                self.cells
                / 6
                * (12.9 + 0.5 * charged - 0.8 * exp(-charged / 0.06) + exp((charged - 1) / 0.01))
            )
        return self.cells * (1.95 + 0.18 * charged + 0.16 * exp((charged - 1) / 0.08))

    def _charge_A(self, light: float, bank_V: float) -> float:
        if self.converter:
            return min(float(self.rating_A), self.peak_W * light * self.efficiency / bank_V)
        return min(float(self.rating_A), self.peak_W * light / (2.9 * self.cells))

    def _array(
        self, light: float, bank_V: float, charge_A: float, limited: bool
    ) -> tuple[float, float, float]:
        """Volts, amperes and watts of the array."""
        if light < 0.002:
            return 40 * light * self.cells, 0.0, 0.0
        open_V = self.array_V * (1.2 + 0.03 * min(0.0, light - 0.4))
        if not self.converter:
            tied = bank_V + 0.3 + 0.01 * charge_A
            full = self._charge_A(light, bank_V) or 1.0
            volts = tied + (open_V - tied) * (1 - charge_A / full) if limited else tied
            return volts, charge_A, volts * charge_A
        watts = charge_A * bank_V / self.efficiency + 0.3
        best = max(self.peak_W * light, 1e-6)
        volts = self.array_V + (open_V - self.array_V) * max(0.0, 1 - watts / best)
        volts = max(volts - 0.8 * (1 - light), bank_V + 0.5)
        return volts, watts / volts, watts


class OtherCourse:
    """The supply of a seed through its days; `at` tells any moment, between minutes by a straight line."""

    def __init__(self, seed: int) -> None:
        self.supply = Supply(Random(f"{seed}/other supply"))
        self._times, self._facts = self.supply.walk()
        self.day_ms = self._times[0] + DAY_MS

    def at(self, time_ms: int) -> Moment:
        return Moment(time_ms, self._between(time_ms), self._between(time_ms - LAG_MS))

    def _between(self, time_ms: int) -> Facts:
        last = bisect_right(self._times, time_ms) - 1
        share = (time_ms - self._times[last]) / MINUTE_MS
        here, then = self._facts[last], self._facts[min(last + 1, len(self._facts) - 1)]
        if then["energy_today_Wh"] < here["energy_today_Wh"]:
            then = here
        facts = {
            name: value
            if "/" in name or name in ("charge_stage", "load_on", "minute")
            else value + share * (then[name] - value)
            for name, value in here.items()
        }
        for name in EXTREMES:
            facts[f"{name}/low today"] = min(facts[f"{name}/low today"], facts[name])
            facts[f"{name}/high today"] = max(facts[f"{name}/high today"], facts[name])
        return facts
