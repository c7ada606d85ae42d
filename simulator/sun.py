"""Where the sun stands and what a clear sky gives: short published equations.

Against NREL's solar position example: declination, elevation within 0.1 degree, azimuth within 0.2 degree,
equation of time within 0.6 minute (tests/reference). Refraction is left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from math import acos, asin, cos, degrees, exp, pi, radians, sin

SOLAR_CONSTANT_W_M2 = 1367.0
DAY_S = 86_400
MS = 1000


@dataclass(frozen=True, slots=True)
class SunPosition:
    """Elevation above the horizon and azimuth from north, clockwise, in degrees; distance_factor is
    (mean distance / distance) squared."""

    elevation_deg: float
    azimuth_deg: float
    distance_factor: float


def day_angle_rad(time_ms: int) -> float:
    """Spencer's day angle at a UTC time, 0 at the turn of the year, with fractions of a day."""
    moment = datetime.fromtimestamp(time_ms / MS, UTC)
    return 2 * pi * (moment.timetuple().tm_yday - 1 + (time_ms / MS % DAY_S) / DAY_S) / 365.0


def declination_deg(angle_rad: float) -> float:
    """The sun's declination. Source: Spencer 1971, Search 2(5), 172 (coefficients from memory)."""
    a = angle_rad
    return degrees(
        0.006918
        - 0.399912 * cos(a)
        + 0.070257 * sin(a)
        - 0.006758 * cos(2 * a)
        + 0.000907 * sin(2 * a)
        - 0.002697 * cos(3 * a)
        + 0.00148 * sin(3 * a)
    )


def equation_of_time_min(angle_rad: float) -> float:
    """Minutes by which the sun is ahead of mean time. Source: Spencer 1971 (coefficients from memory)."""
    a = angle_rad
    return 229.18 * (
        0.000075 + 0.001868 * cos(a) - 0.032077 * sin(a) - 0.014615 * cos(2 * a) - 0.040849 * sin(2 * a)
    )


def sun_position(time_ms: int, latitude_deg: float, longitude_deg: float) -> SunPosition:
    """The sun over a place (east positive) at a UTC time, without refraction."""
    angle = day_angle_rad(time_ms)
    declination = radians(declination_deg(angle))
    minutes = (time_ms / 60_000) % 1440 + 4 * longitude_deg + equation_of_time_min(angle)
    hour_angle = radians(minutes / 4 - 180)
    latitude = radians(latitude_deg)
    sin_elevation = sin(latitude) * sin(declination) + cos(latitude) * cos(declination) * cos(hour_angle)
    elevation = asin(max(-1.0, min(1.0, sin_elevation)))
    horizontal = cos(elevation) * cos(latitude)
    if abs(horizontal) < 1e-9:
        from_south = 0.0
    else:
        ratio = (sin_elevation * sin(latitude) - sin(declination)) / horizontal
        from_south = acos(max(-1.0, min(1.0, ratio)))
    afternoon = sin(hour_angle) > 0
    azimuth = 180 + degrees(from_south) * (1 if afternoon else -1)
    return SunPosition(degrees(elevation), azimuth % 360, 1 + 0.033 * cos(angle))


def haurwitz_W_m2(elevation_deg: float) -> float:
    """Global horizontal irradiance under a clear sky. Source: Haurwitz 1945, 1098 cos z exp(-0.059/cos z)."""
    if elevation_deg <= 0:
        return 0.0
    cos_zenith = sin(radians(elevation_deg))
    return 1098.0 * cos_zenith * exp(-0.059 / cos_zenith)


def diffuse_fraction(clearness: float) -> float:
    """Diffuse share of the global irradiance for a clearness index (global over extraterrestrial).

    Source: Erbs, Klein, Duffie 1982, Solar Energy 28(4), 293 (coefficients from memory).
    """
    k = clearness
    if k <= 0.22:
        return 1.0 - 0.09 * k
    if k <= 0.80:
        return 0.9511 - 0.1604 * k + 4.388 * k**2 - 16.638 * k**3 + 12.336 * k**4
    return 0.165


def plane_irradiance_W_m2(
    global_W_m2: float, sun: SunPosition, tilt_deg: float, azimuth_deg: float, albedo: float = 0.2
) -> float:
    """Irradiance on a tilted plane from the global horizontal one, diffuse light taken as isotropic.

    Source: Liu and Jordan 1963 (isotropic sky); split by `diffuse_fraction`.
    """
    if global_W_m2 <= 0 or sun.elevation_deg <= 0:
        return 0.0
    elevation, tilt = radians(sun.elevation_deg), radians(tilt_deg)
    sin_elevation = max(sin(elevation), 0.03)  # our choice: the split means nothing below 2 degrees
    clearness = global_W_m2 / (SOLAR_CONSTANT_W_M2 * sun.distance_factor * sin_elevation)
    diffuse = global_W_m2 * diffuse_fraction(clearness)
    direct = (global_W_m2 - diffuse) / sin_elevation
    cos_incidence = sin(elevation) * cos(tilt) + cos(elevation) * sin(tilt) * cos(
        radians(sun.azimuth_deg - azimuth_deg)
    )
    return (
        direct * max(0.0, cos_incidence)
        + diffuse * (1 + cos(tilt)) / 2
        + global_W_m2 * albedo * (1 - cos(tilt)) / 2
    )
