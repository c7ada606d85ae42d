"""A typical year's file as days on this array: a short-lived process, as the almanac is.

    python -m monitor.sun.typical SITE FILE > document

SITE is a site file, FILE a typical meteorological year: EPW (the weather format of building simulation) or
the CSV form of TMY3 (Wilcox and Marion 2008, NREL/TP-581-43156), both read by pvlib. Each hour's light goes
onto the array's plane by the almanac's own functions, at the sun's place in the middle of the hour, and a
clear sky's light likewise; a day's share of a clear sky is the one over the other. The document is one JSON
object; exit status 2 with a sentence where the file cannot be used.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from math import asin, cos, radians, sin, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from pvlib import clearsky, iotools

from monitor.errors import SiteError, SunError
from monitor.site.load import load_site, with_defaults
from monitor.sun.almanac import Plane, Sky, clear_sky, on_map, on_plane, sun_at
from monitor.sun.expected import Supply, supply_of
from monitor.sun.panel import module_C, passed_W

Values = npt.NDArray[np.float64]

HOURS = 8760
MOST_LACKING = 24
"""Hours that a file may lack (our choice: a day)."""

BRIGHTEST_W_M2 = 1500.0
"""More light than this no hour has; EPW writes 9999 where it has no value."""

EARTH_KM = 6371.0


def read(file: Path) -> tuple[pd.DataFrame, dict[str, Any], str]:
    """Hours by their beginnings with ghi, dni, dhi [W/m2] and temp_air [°C], the head, and the format's name.
    Raises SunError."""
    try:
        with file.open(encoding="utf-8-sig", errors="replace") as lines:
            first, second = lines.readline(), lines.readline()
    except OSError as error:
        raise SunError(f"{file}: cannot be read: {error.strerror}; check the path") from error
    if first.upper().startswith("LOCATION,"):
        form, reader, late = "EPW", iotools.read_epw, 0
    elif second.startswith("Date (MM/DD/YYYY)"):
        form, reader, late = "TMY3", iotools.read_tmy3, 1
    else:
        raise SunError(
            f"{file}: is no typical year that can be read here; wanted is an EPW file, whose first"
            " line begins with LOCATION, or a TMY3 file in its CSV form"
        )
    try:
        hours, head = reader(file)
        hours = hours[["ghi", "dni", "dhi", "temp_air"]].astype(float)
        hours.index = hours.index - pd.Timedelta(hours=late)
        place = {key: float(head[key]) for key in ("latitude", "longitude", "altitude")}
    except Exception as error:  # whatever a library says of a damaged file
        raise SunError(f"{file}: is damaged, it cannot be read as {form}: {error}") from error
    return hours, place | {"name": str(head.get("city") or head.get("Name") or "").strip(' "')}, form


def sound(hours: pd.DataFrame, file: Path) -> None:
    """Raises SunError where hours are missing or are no light."""
    if abs(len(hours) - HOURS) > MOST_LACKING:
        raise SunError(f"{file}: has {len(hours)} hours; a typical year has {HOURS}")
    light = hours[["ghi", "dni", "dhi"]].to_numpy()
    bad = ~(np.isfinite(light) & (light >= 0) & (light <= BRIGHTEST_W_M2)).all(axis=1)
    bad |= ~np.isfinite(hours["temp_air"].to_numpy())
    if bad.sum() > MOST_LACKING:
        raise SunError(f"{file}: {bad.sum()} of its hours have no light or no temperature that can be used")
    hours.loc[bad, ["ghi", "dni", "dhi"]] = 0.0


def planes(supply: Supply, hours: pd.DataFrame) -> tuple[Plane, Plane]:
    """The hours' light on the array's plane, and a clear sky's."""
    times = (hours.index + pd.Timedelta(minutes=30)).tz_convert("UTC")
    sun = sun_at(supply, times)
    real = Sky(*(hours[name].to_numpy() for name in ("ghi", "dni", "dhi")))
    turbidity = clearsky.lookup_linke_turbidity(times, *on_map(supply)).to_numpy()
    clear = clear_sky(supply, times, sun, turbidity)
    return on_plane(supply, times, sun, real), on_plane(supply, times, sun, clear)


def document(supply: Supply, file: Path) -> dict[str, Any]:
    """The days: [month, day, peak sun hours on the plane, share of a clear sky's power], and the months' air.
    Raises SunError."""
    hours, place, form = read(file)
    sound(hours, file)
    there = replace(
        supply,
        latitude_deg=place["latitude"],
        longitude_deg=place["longitude"],
        altitude_m=place["altitude"],
    )
    real, clear = planes(there, hours)
    air = hours["temp_air"].to_numpy()
    table = pd.DataFrame(
        {
            "month": hours.index.month,
            "day": hours.index.day,
            "light": real.beam_W_m2 + real.diffuse_W_m2,
            "power": _passed(there, real, air),
            "clear": _passed(there, clear, air),
            "air": air,
        }
    )
    sums = table.groupby(["month", "day"])[["light", "power", "clear"]].sum()
    days = [
        [
            int(month),
            int(day),
            round(row.light / 1000, 3),
            round(row.power / row.clear, 3) if row.clear > 0 else 0.0,
        ]
        for (month, day), row in sums.iterrows()
        if (month, day) != (2, 29)
    ]
    return {
        "form": form,
        "name": place["name"],
        "away_km": round(_away_km(supply, there)),
        "days": days,
        "air_C": [round(float(mean), 1) for mean in table.groupby("month")["air"].mean()],
    }


def _passed(supply: Supply, plane: Plane, air_C: Values) -> Values:
    return passed_W(supply, plane.entering_W_m2, module_C(plane.beam_W_m2 + plane.diffuse_W_m2, air_C))


def _away_km(one: Supply, other: Supply) -> float:
    """The great circle between two places (haversine formula)."""
    north, east = other.latitude_deg - one.latitude_deg, other.longitude_deg - one.longitude_deg
    half = sin(radians(north) / 2) ** 2 + sin(radians(east) / 2) ** 2 * cos(radians(one.latitude_deg)) * cos(
        radians(other.latitude_deg)
    )
    return 2 * EARTH_KM * asin(sqrt(min(1.0, half)))


def main() -> int:
    """Work off the two paths; exit status 2 with a sentence where they cannot be used."""
    site_file, file = map(Path, sys.argv[1:3])
    try:
        told = document(supply_of(with_defaults(load_site(site_file))[0]), file)
    except (SiteError, SunError) as error:
        print(error, file=sys.stderr)
        return 2
    print(json.dumps(told))
    return 0


if __name__ == "__main__":
    sys.exit(main())
