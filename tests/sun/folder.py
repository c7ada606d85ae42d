"""A record as a folder: site.toml, measurements.csv, truth.json."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.sun.faults import SEEN_BY, THIRSTY, Fault, air_under, draw_fault, drive, happens, suits
from tests.sun.plant import Plant, draw
from tests.sun.readings import ORDER, as_plain, days, iso, rows
from tests.sun.records import Weather, weather
from tests.sun.running import run


def make(folder: Path, name: str, seed: int = 1, kind: str | None = None) -> None:
    """Write the record of that name as the site of a seed reports it, with one fault of that kind or none.

    Raises KeyError for an unknown name, ValueError for a fault on a record too short for it.
    """
    sky = weather(name)
    if kind is not None and not happens(kind, sky):
        raise ValueError(f"{name} is too short for faults, too warm for snow or too cold for heat: no {kind}")
    bright = float(sky.light_W_m2.sum() * sky.step_s / 3.6e6 / len(sky.days))
    plant = draw(
        seed,
        name,
        sky.measured_step_s,
        float(sky.air_C[: 86_400 // sky.step_s].mean()),
        bright,
        needs=lambda controller, series, parallel: suits(kind, controller, series, parallel),
        shown=SEEN_BY.get(kind or "", frozenset()),
        thirsty=kind in THIRSTY,
    )
    fault = None if kind is None else draw_fault(kind, seed, plant, sky)
    sky = _with_air(sky, fault)
    course = run(plant, sky, drive(plant, sky, fault))
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(site_toml(plant, sky, fault), encoding="utf-8")
    with (folder / "measurements.csv").open("w", newline="", encoding="utf-8") as handle:
        out = csv.writer(handle)
        names = [one for one in ORDER if one in plant.meters.shows]
        out.writerow(("time", *names))
        for time, values in rows(plant, sky, course, fault):
            out.writerow((iso(time), *(f"{values[one]:.10g}" for one in names)))
    truth = {
        "record": name,
        "source": sky.source,
        "seed": seed,
        "kind": plant.kind,
        "shows": sorted(plant.meters.shows),
        "days": [as_plain(day) for day in days(plant, sky, course, fault)],
        "fault": None if fault is None else _told(fault, sky),
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=1), encoding="utf-8")


def _with_air(sky: Weather, fault: Fault | None) -> Weather:
    return replace(sky, air_C=np.asarray(air_under(sky, fault)))


def _told(fault: Fault, sky: Weather) -> dict[str, object]:
    last = min(fault.after, len(sky.times)) - 1
    going_on = fault.after >= len(sky.times)
    return {
        "kind": fault.kind,
        "start": iso(sky.times[fault.first].to_pydatetime()),
        "end": None if going_on else iso(sky.times[last].to_pydatetime()),
        "size": round(fault.size, 4),
        "detail": fault.detail,
    }


def site_toml(plant: Plant, sky: Weather, fault: Fault | None) -> str:
    """The site file as the owner would write it."""
    place, panel, charger = sky.place, plant.panel, plant.charger
    longitude = place.longitude_deg
    if fault is not None and fault.kind == "location_wrong":
        longitude = (longitude + fault.size + 180) % 360 - 180
    unit_V = 12.8 if plant.chemistry == "lifepo4" else 12
    volt, amp = plant.meters.volt_step, plant.meters.amp_step
    lines = [
        "[site]",
        f'name = "{sky.name} {plant.seed}"',
        f"latitude_deg = {place.latitude_deg:.4f}",
        f"longitude_deg = {longitude:.4f}",
        f"altitude_m = {place.altitude_m:.0f}",
        f'time_zone = "{sky.time_zone}"',
        "",
        "[bank]",
        f'chemistry = "{plant.chemistry}"',
        f"unit_voltage_V = {unit_V}",
        f"unit_capacity_Ah = {plant.rated_Ah}",
        f"units_in_series = {plant.nominal_V // 12}",
        "",
        "[array]",
        f"panel_power_W = {panel.power_W}",
        f"panel_voc_V = {panel.voc_V}",
        f"panel_isc_A = {panel.isc_A}",
        f"panel_vmp_V = {panel.vmp_V}",
        f"panel_imp_A = {panel.imp_A}",
        f"voc_temperature_coefficient_per_C = {panel.voc_per_C}",
        "power_temperature_coefficient_per_C = -0.0040",
        f"panels_in_series = {plant.series}",
        f"strings_in_parallel = {plant.parallel}",
        f"tilt_deg = {place.tilt_deg}",
        f"azimuth_deg = {place.azimuth_deg}",
        "",
        "[controller]",
        f'kind = "{plant.kind}"',
        f"rating_A = {plant.rating_A}",
        "array_voltage_limit_V = 150",
        f"absorption_V = {charger.absorption_V * plant.cells:.2f}",
        f"absorption_h = {charger.absorption_h}",
        f"float_V = {(charger.float_V or 0) * plant.cells:.2f}",
        f"temperature_compensation_V_per_C = {charger.compensation_V * plant.cells:.4f}",
        f"tail_current_fraction = {charger.tail or 0.02}",
        f"disconnect_V = {charger.disconnect_V * plant.cells:.2f}",
        f"reconnect_V = {charger.reconnect_V * plant.cells:.2f}",
        "",
        "[metering]",
        f'level = "{plant.level}"',
        "",
        "[meters]",
        f"voltage_step_V = {volt}",
        f"current_step_A = {amp}",
        "temperature_step_C = 0.1",
        "voltage_gain_tolerance = 0.005",
        "current_gain_tolerance = 0.02",
        "",
    ]
    return "\n".join(lines)
