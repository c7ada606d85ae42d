"""Faults put into a site, its readings, its clock or its site file. All sizes are ours."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

import numpy as np

from tests.sun.panels import Strings
from tests.sun.plant import Plant
from tests.sun.records import Weather
from tests.sun.running import NEVER_HOT_C, Drive

KINDS = (
    "array_open",
    "panel_lost",
    "diode_lost",
    "shade",
    "soiling",
    "snow",
    "heat_derating",
    "clock_wrong",
    "location_wrong",
    "sensor_stuck",
)

THIRSTY = ("panel_lost", "heat_derating", "soiling", "shade")
"""Kinds that a bank full by ten in the morning hides: their sites use more energy."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault from one moment to another: places on the weather's grid, the end left out.

    size: panel_lost, diode_lost, shade, soiling: share lost; snow: share of light left; clock_wrong: minutes
    ahead of the true time; location_wrong: degrees of longitude too far east; heat_derating: degrees at which
    it begins; array_open and sensor_stuck: no meaning.
    """

    kind: str
    first: int
    after: int
    size: float
    detail: str = ""


SEEN_BY = {
    "heat_derating": frozenset({"controller_temperature_C"}),
    "diode_lost": frozenset({"array_voltage_V"}),
    "array_open": frozenset({"array_voltage_V"}),
    "snow": frozenset({"battery_temperature_C"}),
}
"""Quantities without which nobody could tell the kind: a site for it shows them."""


def suits(kind: str | None, controller: str, series: int, parallel: int) -> bool:
    """Whether an array can show this fault and still charge."""
    if kind == "panel_lost":
        return parallel >= 2
    if kind == "diode_lost":
        return controller == "mppt" and parallel == 1
    return True


def draw_fault(kind: str, seed: int, plant: Plant, weather: Weather) -> Fault:
    """A fault of that kind, begun after a fifth and before two thirds of the record; snow waits for cold."""
    rng = Random(f"{weather.name}/{seed}/{kind}")
    end = len(weather.times)
    a_day = round(86_400 / weather.step_s)
    morning = a_day * rng.randint(len(weather.days) // 5, 2 * len(weather.days) // 3)
    if kind == "array_open":
        first = morning + round(a_day * rng.uniform(0.3, 0.55))
        return Fault(kind, first, min(end, first + round(a_day * rng.choice((0.3, 0.6, 1.2, 3.0, 6.0)))), 1.0)
    if kind == "panel_lost":
        return Fault(kind, morning, end, 1 / plant.parallel)
    if kind == "diode_lost":
        if plant.series > 1 and rng.random() < 0.5:
            return Fault(kind, morning, end, 1 / plant.series, "a whole panel")
        return Fault(kind, morning, end, 1 / (plant.panel.diodes * plant.series), "one diode")
    if kind == "shade":
        return _shade(rng, weather, morning, end)
    if kind == "soiling":
        days = rng.randint(22, 35)
        rate = rng.uniform(0.004, 0.010)
        first = a_day * rng.randint(4, max(4, len(weather.days) - days - 6))
        return Fault(kind, first, min(end, first + days * a_day), rate * days, f"{rate:.4f} a day")
    if kind == "snow":
        return _snow(rng, weather, a_day)
    if kind == "heat_derating":
        return _heat(rng, plant, weather, morning, end)
    if kind == "clock_wrong":
        minutes = rng.choice((-1, 1)) * rng.uniform(10, 90)
        return Fault(kind, morning, end, minutes)
    if kind == "location_wrong":
        return Fault(kind, 0, end, rng.choice((-1, 1)) * rng.uniform(6, 25))
    choices = ["battery_temperature_C", "charge_current_A", "array_voltage_V", "battery_current_A reversed"]
    shown = [one for one in choices if one.split()[0] in plant.meters.shows]
    noon = morning + round(a_day * rng.uniform(0.4, 0.6))
    return Fault(kind, noon, end, 0.0, rng.choice(shown))


def _heat(rng: Random, plant: Plant, weather: Weather, first: int, end: int) -> Fault:
    """A controller that lost its cooling air: a bright noon would bring it 18 to 35 K too high."""
    from_C = rng.uniform(45, 60)
    case_K = (from_C + rng.uniform(18, 35) - _noon_C(weather)) / (0.8 * plant.most_A / plant.rating_A)
    return Fault("heat_derating", first, end, from_C, f"{case_K:.1f}")


def _noon_C(weather: Weather) -> float:
    return float(weather.air_C[weather.clear.plane_W_m2 > 600].mean())


def _shade(rng: Random, weather: Weather, first: int, end: int) -> Fault:
    """An obstacle that takes the beam in a box of azimuth and elevation where the sun passes by day."""
    azimuth, elevation = weather.clear.azimuth_deg[first:], weather.clear.elevation_deg[first:]
    strong = weather.clear.plane_W_m2[first:] > 250
    hour = rng.uniform(0.12, 0.88)
    centre = float(np.quantile(azimuth[strong], hour))
    half = rng.uniform(7, 14)
    inside = strong & (np.abs(azimuth - centre) < half)
    top = float(np.quantile(elevation[inside], 0.95)) + rng.uniform(2, 10)
    lost = float(weather.clear.beam_W_m2[first:][inside].sum() / weather.clear.plane_W_m2[first:].sum())
    return Fault("shade", first, end, lost, f"{centre - half:.1f} {centre + half:.1f} {top:.1f}")


def happens(kind: str, weather: Weather) -> bool:
    """Whether a fault can be believed of the record's weather.

    Snow needs a day whose mean is 5 °C or less, heat bright noons of 12 °C or more, all of them forty days.
    """
    if len(weather.days) < 40:
        return False
    if kind == "snow":
        return min(_means_C(weather)) <= 5
    return kind != "heat_derating" or _noon_C(weather) >= 12


def _means_C(weather: Weather) -> list[float]:
    return [float(weather.air_C[weather.day_of == day].mean()) for day in range(len(weather.days))]


def _snow(rng: Random, weather: Weather, a_day: int) -> Fault:
    """One to five days from a night on; the coldest third of the record's days is where it falls."""
    means = _means_C(weather)
    allowed = range(3, len(weather.days) - 7)
    coldest = sorted(allowed, key=means.__getitem__)[: max(1, len(allowed) // 3)]
    day, lasts = rng.choice(coldest), rng.choice((1, 2, 3, 5))
    release = rng.uniform(0.4, 0.6)
    return Fault("snow", day * a_day, round((day + lasts - 1 + release) * a_day), rng.uniform(0.0, 0.06))


def drive(plant: Plant, weather: Weather, fault: Fault | None) -> Drive:
    """What the array sees, with the fault worked in."""
    count = len(weather.times)
    light = weather.through_glass.copy()
    strings = [Strings(plant.parallel)] * count
    connected = np.ones(count, dtype=bool)
    hot, case_K = np.full(count, NEVER_HOT_C), np.full(count, plant.case_K)
    if fault is not None:
        span = slice(fault.first, fault.after)
        if fault.kind == "array_open":
            connected[span] = False
        elif fault.kind == "panel_lost":
            strings[span] = [Strings(plant.parallel - 1)] * (fault.after - fault.first)
        elif fault.kind == "diode_lost":
            weak = Strings(0, plant.parallel, 1 - fault.size)
            strings[span] = [weak] * (fault.after - fault.first)
        elif fault.kind == "shade":
            low, high, top = map(float, fault.detail.split())
            azimuth, elevation = weather.clear.azimuth_deg[span], weather.clear.elevation_deg[span]
            hit = (azimuth > low) & (azimuth < high) & (elevation < top)
            light[span] -= hit * weather.beam_W_m2[span]
        elif fault.kind == "soiling":
            lost = np.zeros(count)
            lost[span] = np.linspace(0, fault.size, fault.after - fault.first)
            light *= 1 - lost
        elif fault.kind == "snow":
            light[span] *= fault.size
        elif fault.kind == "heat_derating":
            hot[span] = fault.size
            case_K[span] = float(fault.detail)
    return Drive(light, tuple(strings), connected, hot, case_K)


def air_under(weather: Weather, fault: Fault | None) -> np.ndarray:
    """Air temperature; while snow lies, and six hours before, so much colder that it stays below -1.5 °C."""
    if fault is None or fault.kind != "snow":
        return weather.air_C
    air = weather.air_C.copy()
    first, after = fault.first, min(len(air), fault.after)
    around = max(0, first - round(6 * 3600 / weather.step_s))
    colder = max(0.0, float(air[first:after].max()) + 1.5)
    air[around:after] -= colder
    return air
