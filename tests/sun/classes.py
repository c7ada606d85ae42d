"""What kind of day it was, from measured irradiance alone.

Both figures are taken on 15-minute means while the sun is up: the day's clear-sky index, and the variability
index of Stein, Hansen and Reno 2012 (SAND2012-2088C), path lengths of light over time in W/m² and minutes.
The limits that they publish are for minute data. Ours were set looking at 1013 days of the source 'slope':
the index of smooth days lies from 0.93 to 1.05, their variability below 1.1; more than half of the days
between 0.80 and 0.90 have passing clouds (variability over 1.4). Other limits are as defensible, so there are
three sets; the first is the default.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.sun.clearsky import Floats

MINUTES = 15.0
LEAST_MEASURED = 0.9
"""Share of the daylight that must be measured for a day to have a class."""

KINDS = ("clear", "broken", "overcast", "dark", "snow", "none")


@dataclass(frozen=True, slots=True)
class Limits:
    """Least index of a clear, broken and overcast day, and the highest variability of a clear one."""

    clear: float
    broken: float
    overcast: float
    variability: float


SETS = {
    "index and variability": Limits(0.80, 0.40, 0.15, 1.5),
    "index alone": Limits(0.85, 0.45, 0.15, float("inf")),
    "strict": Limits(0.90, 0.50, 0.20, 1.2),
}
DEFAULT = "index and variability"


@dataclass(frozen=True, slots=True)
class Sky:
    """A day's sky: share of daylight measured, index and variability (nan where nothing was)."""

    measured: float
    index: float
    variability: float


def sky_of(light_W_m2: Floats, clear_W_m2: Floats, up: np.ndarray) -> Sky:
    """Of a day's 15-minute means; nan in light_W_m2 is not measured. up: the sun is above the horizon."""
    known = np.isfinite(light_W_m2) & up
    measured = float(clear_W_m2[known].sum() / max(1e-9, clear_W_m2[up].sum()))
    if measured == 0:
        return Sky(0.0, float("nan"), float("nan"))
    index = light_W_m2[known].sum() / clear_W_m2[known].sum()
    return Sky(measured, float(index), _path(light_W_m2[known]) / _path(clear_W_m2[known]))


def _path(light_W_m2: Floats) -> float:
    return float(np.hypot(np.diff(light_W_m2), MINUTES).sum()) or float("nan")


def kind_of(sky: Sky, limits: Limits, *, covered: bool = False) -> str:
    """The day's class; covered: snow lay on the array for most of it."""
    if covered:
        return "snow"
    if sky.measured < LEAST_MEASURED:
        return "none"
    if sky.index < limits.overcast:
        return "dark"
    if sky.index < limits.broken:
        return "overcast"
    return "clear" if sky.index >= limits.clear and sky.variability <= limits.variability else "broken"
