"""The almanac: the short-lived process that works out what a clear sky gives, a table a day.

    python -m monitor.sun.almanac < request > tables

The request is one JSON document, {"supply": {...}, "days": [{"day", "start_ms", "end_ms"}, ...]}; each day
comes back as one line (`table.py`). This is the only module that imports pvlib, and with it pandas and scipy:
some 190 MB that a daemon must not carry. `helper.py` starts it.

The models: sun's place by NREL's solar position algorithm; clear sky by Ineichen and Perez with the Linke
turbidity of pvlib's monthly world map; the array's plane by Hay and Davies with a constant albedo; less is
let in at flat angles by ASHRAE's form; then `panel.py`. All take pvlib's functions; what a step holds is
worked out at its middle.

Measured on 306 smooth days of one plane at 40° N (pvanalytics' system 15, its tilt of 41° and azimuth of 177°
fitted), error of the day's light after one scale, median and 90th percentile: as here 2.2 and 7.6 %;
turbidity 3 all year 3.7 and 10.7 %; Perez's sky 3.0 and 8.9 %; an even sky 3.4 and 9.3 %.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from datetime import date
from itertools import islice
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from pvlib import atmosphere, clearsky, iam, irradiance, solarposition

from monitor.sun.climate import air_C
from monitor.sun.day import STEP_S, Clear
from monitor.sun.expected import Supply
from monitor.sun.panel import best_power_W, module_C, passed_W
from monitor.sun.table import DayTable, packed

ALBEDO = 0.2
"""Share of the light that the ground sends back: grass and soil (common practice; pvlib has 0.25)."""

FLAT_LOSS = 0.05
"""ASHRAE's b0 of a flat glass cover, as in pvlib's source."""

HIGHEST_M = 2500.0
"""The clear sky's factors of altitude are followed up to here (our choice: at 4000 m they would give more
light than arrives above the air); the thinner air above still counts through its pressure."""

NICENESS = 10
"""All else on the computer goes first (our choice)."""

AT_ONCE_DAYS = 30
"""Days worked out in one go: quicker than one by one, and still small in memory (our choice)."""

Values = npt.NDArray[np.float64]


class Sun(NamedTuple):
    """The sun's place; elevation and zenith with refraction, angles in degrees."""

    elevation_deg: Values
    zenith_deg: Values
    azimuth_deg: Values


class Sky(NamedTuple):
    """A clear sky's light [W/m2]."""

    global_W_m2: Values
    direct_W_m2: Values
    diffuse_W_m2: Values


class Plane(NamedTuple):
    """Light on the array's plane [W/m2]: from the sun's direction (direct and the bright ring around it),
    from the rest of sky and ground, and what of both passes the glass."""

    beam_W_m2: Values
    diffuse_W_m2: Values
    entering_W_m2: Values


def sun_at(supply: Supply, times: pd.DatetimeIndex) -> Sun:
    """Where the sun stands. Source: Reda and Andreas, NREL/TP-560-34302."""
    found = solarposition.get_solarposition(
        times,
        supply.latitude_deg,
        supply.longitude_deg,
        supply.altitude_m,
        pressure=atmosphere.alt2pres(supply.altitude_m),
        method="nrel_numpy",
        temperature=12.0,
    )
    return Sun(*(found[name].to_numpy() for name in ("apparent_elevation", "apparent_zenith", "azimuth")))


def clear_sky(supply: Supply, times: pd.DatetimeIndex, sun: Sun, turbidity: Values | float) -> Sky:
    """A clear sky's light. Source: Ineichen and Perez 2002, Solar Energy 73(3), 151-157."""
    mass = atmosphere.get_absolute_airmass(
        atmosphere.get_relative_airmass(sun.zenith_deg), atmosphere.alt2pres(supply.altitude_m)
    )
    with np.errstate(divide="ignore", invalid="ignore"):  # pvlib divides by the height of a sun below ground
        found = clearsky.ineichen(
            sun.zenith_deg,
            mass,
            turbidity,
            altitude=min(max(0.0, supply.altitude_m), HIGHEST_M),
            dni_extra=irradiance.get_extra_radiation(times).to_numpy(),
        )
    return Sky(*(np.nan_to_num(found[name]) for name in ("ghi", "dni", "dhi")))


def on_plane(supply: Supply, times: pd.DatetimeIndex, sun: Sun, sky: Sky) -> Plane:
    """The sky's light on the array. Sources: Hay and Davies 1980; ASHRAE 93 in pvlib's form."""
    tilt, azimuth = supply.tilt_deg, supply.azimuth_deg
    incidence_deg = irradiance.aoi(tilt, azimuth, sun.zenith_deg, sun.azimuth_deg)
    extra = irradiance.get_extra_radiation(times).to_numpy()
    sky_part = irradiance.haydavies(
        tilt, azimuth, sky.diffuse_W_m2, sky.direct_W_m2, extra, sun.zenith_deg, sun.azimuth_deg,
        return_components=True,
    )  # fmt: skip
    ground = irradiance.get_ground_diffuse(tilt, sky.global_W_m2, ALBEDO)
    direct = np.maximum(0.0, sky.direct_W_m2 * np.cos(np.radians(incidence_deg)))
    beam = direct + np.nan_to_num(sky_part["poa_circumsolar"])
    diffuse = np.nan_to_num(sky_part["poa_isotropic"]) + ground
    entering = beam * np.nan_to_num(iam.ashrae(incidence_deg, b=FLAT_LOSS)) + diffuse
    return Plane(beam, diffuse, entering)


def clear_steps(supply: Supply, spans: Sequence[tuple[int, int]]) -> list[tuple[Clear, ...]]:
    """The steps of STEP_S seconds in each span [start, end) of UTC ms, night and day, each by its middle."""
    starts_ms = [np.arange(start_ms, end_ms, STEP_S * 1000) for start_ms, end_ms in spans]
    all_ms = np.concatenate(starts_ms)
    times = pd.to_datetime(all_ms + STEP_S * 500, unit="ms", utc=True)
    sun = sun_at(supply, times)
    turbidity = clearsky.lookup_linke_turbidity(times, *on_map(supply)).to_numpy()
    plane = on_plane(supply, times, sun, clear_sky(supply, times, sun, turbidity))
    solar_h = (times.hour + times.minute / 60 + supply.longitude_deg / 15).to_numpy()
    air = air_C(supply.latitude_deg, supply.altitude_m, times.day_of_year.to_numpy(), solar_h)
    module = module_C(plane.beam_W_m2 + plane.diffuse_W_m2, air)
    columns = (
        all_ms,
        sun.elevation_deg,
        sun.azimuth_deg,
        plane.beam_W_m2,
        plane.diffuse_W_m2,
        module,
        best_power_W(supply, plane.entering_W_m2, module),
        passed_W(supply, plane.entering_W_m2, module),
    )
    steps = (Clear(*row) for row in zip(*(column.tolist() for column in columns), strict=True))
    return [tuple(islice(steps, len(each))) for each in starts_ms]


def on_map(supply: Supply) -> tuple[float, float]:
    """The place for the turbidity's map, whose last cells end just short of pole and date line."""
    edge = 0.01
    latitude = min(90 - edge, max(edge - 90, supply.latitude_deg))
    return latitude, min(180 - edge, max(edge - 180, supply.longitude_deg))


def main() -> int:
    """Work off the request on standard input; exit status 2 with a sentence where it cannot be read."""
    with suppress(OSError):  # the unit's sandbox forbids it; one thread for seconds is no harm even so
        os.nice(NICENESS)
    try:
        request = json.load(sys.stdin)
        supply = Supply(**request["supply"])
        days = [
            (date.fromisoformat(d["day"]), (int(d["start_ms"]), int(d["end_ms"]))) for d in request["days"]
        ]
    except (KeyError, TypeError, ValueError) as error:
        print(f"this is no request for the almanac ({error!r})", file=sys.stderr)
        return 2
    for first in range(0, len(days), AT_ONCE_DAYS):
        batch = days[first : first + AT_ONCE_DAYS]
        for (day, _), steps in zip(batch, clear_steps(supply, [span for _, span in batch]), strict=True):
            print(packed(DayTable(day, supply.key, steps)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
