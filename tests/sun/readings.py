"""What a site's meters make of its course: rows of canonical quantities, and the truth of its days."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from random import Random
from statistics import fmean
from typing import Any

import numpy as np

from tests.sun.classes import SETS, kind_of
from tests.sun.faults import Fault
from tests.sun.plant import Plant
from tests.sun.records import Weather
from tests.sun.running import Instant

STAGES = {"off": 0, "bulk": 1, "absorption": 2, "float": 3, "equalization": 4}
"""Numbers of `charge_stage` as the quantities' table has them (DEVELOPERS.md, conventions)."""

ORDER = (
    "battery_voltage_V",
    "battery_current_A",
    "charge_current_A",
    "load_current_A",
    "battery_temperature_C",
    "controller_temperature_C",
    "array_voltage_V",
    "array_current_A",
    "array_power_W",
    "charge_stage",
)

MEANT = [name for name in Instant._fields if name not in ("stage", "held")]

FULL_SHARE = 0.10
"""A day counts as bank-full when the bank left at least so much of the day's potential (our choice)."""

SNOW_SHARE = 0.5
"""A day is one of snow when it covered so much of the day's clear-sky light (our choice)."""


@dataclass(frozen=True, slots=True)
class DayTruth:
    """One local day.

    kinds: class by set of limits. potential_Wh: what the array would have given to a bank that takes all.
    full: the bank left much of it. whole: no reading is missing.
    """

    date: str
    index: float | None
    variability: float | None
    kinds: dict[str, str]
    potential_Wh: float
    harvest_Wh: float
    unused_Wh: float
    full: bool
    whole: bool


def rows(
    plant: Plant, weather: Weather, course: list[Instant], fault: Fault | None
) -> list[tuple[datetime, dict[str, float]]]:
    """The rows as logged, in order of the monitor's own clock, which a fault may have set wrong."""
    meters, rng = plant.meters, Random(f"{weather.name}/{plant.seed}/noise")
    every = meters.row_s // weather.step_s
    names = [name for name in ORDER if name in meters.shows]
    found: list[tuple[datetime, dict[str, float]]] = []
    kept: float | None = None
    last: datetime | None = None
    for at in range(0, len(course), every):
        values = _read(plant, _mean(course[at : at + every]), rng)
        faulty = fault is not None and fault.first <= at < fault.after
        if faulty and fault is not None and fault.kind == "sensor_stuck":
            name, _, reversed_ = fault.detail.partition(" ")
            if reversed_:
                values[name] = -values[name]
            else:
                kept = values[name] if kept is None else kept
                values[name] = kept
        if not weather.known[at]:
            continue
        time = weather.times[at].to_pydatetime()
        if faulty and fault is not None and fault.kind == "clock_wrong":
            time += timedelta(seconds=round(fault.size * 60))
        if last is not None and time <= last:
            continue  # set back: these moments are in the log already
        last = time
        found.append((time, {name: values[name] for name in names}))
    return found


def _mean(moments: list[Instant]) -> Instant:
    """A logger that writes less often keeps means, beside the first moment's stage."""
    if len(moments) == 1:
        return moments[0]
    means: dict[str, Any] = {name: fmean(getattr(one, name) for one in moments) for name in MEANT}
    return moments[0]._replace(**means)


def _read(plant: Plant, now: Instant, rng: Random) -> dict[str, float]:
    meters = plant.meters

    def volts(value: float) -> float:
        return _rounded(value * meters.volt_gain + rng.gauss(0, 0.002), meters.volt_step)

    def amps(value: float) -> float:
        return _rounded(value * meters.amp_gain, meters.amp_step)

    array_V, array_A = volts(max(0.0, now.array_V)), amps(now.array_A)
    return {
        "battery_voltage_V": volts(now.battery_V),
        "battery_current_A": amps(now.bank_A),
        "charge_current_A": amps(now.charge_A),
        "load_current_A": amps(now.metered_A),
        "battery_temperature_C": _rounded(now.battery_C, 0.1),
        "controller_temperature_C": _rounded(now.case_C, 0.1),
        "array_voltage_V": max(0.0, array_V),
        "array_current_A": array_A,
        "array_power_W": _rounded(now.array_W * meters.amp_gain * meters.volt_gain, 0.1),
        "charge_stage": float(STAGES[now.stage]),
    }


def _rounded(value: float, step: float) -> float:
    return round(round(value / step) * step, 6) + 0.0


def days(plant: Plant, weather: Weather, course: list[Instant], fault: Fault | None) -> list[DayTruth]:
    """The truth of each local day, by true time. whole: all its rows are there."""
    potential = np.array([now.potential_W for now in course])
    harvest = np.array([now.array_W for now in course])
    hours = weather.step_s / 3600
    clear = weather.clear.plane_W_m2
    found = []
    for number, day in enumerate(weather.days):
        of = weather.day_of == number
        could_Wh, got_Wh = float(potential[of].sum() * hours), float(harvest[of].sum() * hours)
        sky = weather.skies[number]
        covered = day in weather.covered
        if fault is not None and fault.kind == "snow":
            lay = of.copy()
            lay[: fault.first] = False
            lay[fault.after :] = False
            covered = covered or bool(clear[lay].sum() > SNOW_SHARE * clear[of].sum())
        found.append(
            DayTruth(
                date=day.isoformat(),
                index=None if np.isnan(sky.index) else round(sky.index, 4),
                variability=None if np.isnan(sky.variability) else round(sky.variability, 4),
                kinds={name: kind_of(sky, limits, covered=covered) for name, limits in SETS.items()},
                potential_Wh=round(could_Wh, 2),
                harvest_Wh=round(got_Wh, 2),
                unused_Wh=round(could_Wh - got_Wh, 2),
                full=could_Wh > 0 and could_Wh - got_Wh >= FULL_SHARE * could_Wh,
                whole=bool(weather.known[of].all()),
            )
        )
    return found


def as_plain(truth: DayTruth) -> dict[str, object]:
    """For JSON."""
    return asdict(truth)


def iso(time: datetime) -> str:
    return time.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
