"""The air that nobody measures at a small site: its usual temperature by place, day of year and hour.

Imported only by `almanac.py`, as numpy is.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]

TROPIC_C, TROPIC_DEG, FALL_C_PER_DEG = 27.5, 15.0, 0.5
"""Yearly mean at sea level: 27.5 °C up to 15° of latitude, 0.5 °C less for each degree beyond (our rule,
drawn through well-known cities' yearly means, from memory: Singapore 27.5, Cairo 22, Madrid 15, Berlin 10,
Helsinki 6, Fairbanks -2.5 °C; western coasts are up to 5 °C warmer, the middle of continents as much
colder)."""

LAPSE_C_PER_M = 0.0045
"""High ground is colder by 4.5 °C a kilometre (our rule, drawn as above: Nairobi, Quito, Addis Ababa, La Paz,
Mexico City and Johannesburg lie between 3.4 and 5.4; the free air's 6.5 would be too cold over plateaus)."""

SEASON_C_PER_DEG = 0.2
"""Summer is above the yearly mean, and winter below it, by 0.2 °C a degree of latitude (our rule: 10 °C at
50°; coasts less, the middle of continents twice that)."""

WARMEST_DAY_LAG = 28
"""The warmest day comes so many days after the longest (our choice; common practice three to five weeks)."""

DAY_SWING_C, WARMEST_SOLAR_H = 5.0, 15.0
"""A clear day is up to 5 °C above and below its mean, warmest at three hours after noon (our choice)."""

LONGEST_DAY_OF_YEAR = 172


def air_C(latitude_deg: float, altitude_m: float, day_of_year: Values, solar_h: Values) -> Values:
    """The air's usual temperature on a clear day; 8 °C off, which happens, is 3 % of an array's power."""
    away_deg = max(0.0, abs(latitude_deg) - TROPIC_DEG)
    mean_C = TROPIC_C - FALL_C_PER_DEG * away_deg - LAPSE_C_PER_M * max(0.0, altitude_m)
    warmest = LONGEST_DAY_OF_YEAR + WARMEST_DAY_LAG
    season = SEASON_C_PER_DEG * latitude_deg * np.cos(2 * np.pi * (day_of_year - warmest) / 365.25)
    swing = DAY_SWING_C * np.cos(2 * np.pi * (solar_h - WARMEST_SOLAR_H) / 24)
    result: Values = mean_C + season + swing
    return result
