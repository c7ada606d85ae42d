"""Sun position, and the light of a clear sky on a plane: pvlib with its own monthly turbidity table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pvlib import iam, irradiance
from pvlib.location import Location

Floats = NDArray[np.float64]

ALBEDO = 0.2
"""Grass and bare ground (common practice, no source)."""


def seconds(times: pd.DatetimeIndex) -> Floats:
    """Seconds since 1970, whatever unit the index keeps."""
    found: Floats = times.as_unit("ns").asi8 / 1e9
    return found


@dataclass(frozen=True, slots=True)
class Place:
    """A place and the plane of its array; azimuth from north, clockwise."""

    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    tilt_deg: float
    azimuth_deg: float


@dataclass(frozen=True, slots=True)
class ClearSky:
    """Sun and clear-sky light by moment: angles in degrees, light on the plane in W/m².

    glass is the share of the beam that a panel's glass lets in at this angle.
    """

    elevation_deg: Floats
    azimuth_deg: Floats
    beam_W_m2: Floats
    diffuse_W_m2: Floats
    glass: Floats

    @property
    def plane_W_m2(self) -> Floats:
        return self.beam_W_m2 + self.diffuse_W_m2


def clear_sky(place: Place, times: pd.DatetimeIndex) -> ClearSky:
    """Ineichen and Perez 2002 with climatological turbidity, Hay and Davies 1980 on the plane (pvlib)."""
    location = Location(place.latitude_deg, place.longitude_deg, "UTC", place.altitude_m)
    sun = location.get_solarposition(times)
    light = location.get_clearsky(times, model="ineichen", solar_position=sun)
    return _on_plane(place, times, sun, light["dni"], light["ghi"], light["dhi"])


def from_parts(place: Place, times: pd.DatetimeIndex, parts: pd.DataFrame) -> ClearSky:
    """The same of measured or modelled light: columns dni, ghi, dhi."""
    sun = Location(place.latitude_deg, place.longitude_deg, "UTC", place.altitude_m).get_solarposition(times)
    return _on_plane(place, times, sun, parts["dni"], parts["ghi"], parts["dhi"])


def _on_plane(
    place: Place, times: pd.DatetimeIndex, sun: pd.DataFrame, dni: pd.Series, ghi: pd.Series, dhi: pd.Series
) -> ClearSky:
    zenith, azimuth = sun["apparent_zenith"], sun["azimuth"]
    total = irradiance.get_total_irradiance(
        place.tilt_deg,
        place.azimuth_deg,
        zenith,
        azimuth,
        dni,
        ghi,
        dhi,
        dni_extra=irradiance.get_extra_radiation(times),
        albedo=ALBEDO,
        model="haydavies",
    )
    incidence = irradiance.aoi(place.tilt_deg, place.azimuth_deg, zenith, azimuth)
    # under the horizon nothing shines
    up = sun["apparent_elevation"].to_numpy() > 0
    return ClearSky(
        sun["apparent_elevation"].to_numpy(),
        azimuth.to_numpy(),
        np.where(up, np.nan_to_num(total["poa_direct"].to_numpy()), 0.0),
        np.where(up, np.nan_to_num(total["poa_diffuse"].to_numpy()), 0.0),
        np.nan_to_num(np.asarray(iam.physical(incidence), dtype=float)),
    )
