"""The clouds that the winter reckons with, beside two years of the National Solar Radiation Data Base.

The typical years (TMY3) of stations 703165, Sand Point, Alaska (55° north, a cloudy coast), and 723170,
Greensboro, North Carolina, come with pvlib; each month of them is taken from another year. A day's
share is its light on a plane tilted by the latitude over that of a clear sky (Ineichen, Hay-Davies; pvlib).
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from statistics import correlation

import pandas as pd
import pvlib
import pytest

from monitor.care.winter import DULLEST_SHARE, PERSISTENCE, clouds_of

STATIONS = ("703165TY.csv", "723170TYA.CSV")


class Year:
    """Light and clear-sky light of each day [Wh/m²]."""

    def __init__(self, name: str) -> None:
        file = Path(pvlib.__file__).parent / "data" / name
        hours, place = pvlib.iotools.read_tmy3(file, coerce_year=2001, map_variables=True)
        times = hours.index - pd.Timedelta(minutes=30)
        station = pvlib.location.Location(place["latitude"], place["longitude"], altitude=place["altitude"])
        sun = station.get_solarposition(times)
        clear = station.get_clearsky(times, solar_position=sun)

        def on_plane(light: pd.DataFrame) -> list[float]:
            found = pvlib.irradiance.get_total_irradiance(
                abs(place["latitude"]),
                180,
                sun.apparent_zenith,
                sun.azimuth,
                light["dni"].to_numpy(),
                light["ghi"].to_numpy(),
                light["dhi"].to_numpy(),
                dni_extra=pvlib.irradiance.get_extra_radiation(times),
                model="haydavies",
            )
            return found["poa_global"].clip(lower=0).fillna(0).tolist()

        self.light: dict[date, float] = {}
        self.clear: dict[date, float] = {}
        for time, came, could in zip(times, on_plane(hours), on_plane(clear), strict=True):
            day = time.date()
            self.light[day] = self.light.get(day, 0.0) + came
            self.clear[day] = self.clear.get(day, 0.0) + could

    def shares(self) -> list[tuple[date, float]]:
        return [(day, self.light[day] / clear) for day, clear in self.clear.items() if clear > 0]

    def share_of(self, month: int) -> float:
        days = [day for day in self.light if day.month == month]
        return sum(self.light[day] for day in days) / sum(self.clear[day] for day in days)


@pytest.fixture(scope="module", params=STATIONS)
def year(request: pytest.FixtureRequest) -> Year:
    return Year(request.param)


def test_the_dullest_share_is_half_of_the_dullest_month_of_a_cloudy_coast() -> None:
    months = [Year(STATIONS[0]).share_of(month) for month in range(1, 13)]
    assert min(months) == pytest.approx(2 * DULLEST_SHARE, abs=0.05)


def test_a_day_goes_with_the_day_before(year: Year) -> None:
    shares = [share for _, share in year.shares()]
    r = correlation(shares[:-1], shares[1:])
    assert (1 + r) / (1 - r) == pytest.approx(PERSISTENCE, rel=0.25)


def test_a_month_lies_in_the_band_that_its_neighbours_tell(year: Year) -> None:
    # a band of two deviations should hold 19 months of 20, so about 11 of 12
    inside = 0
    for month in range(1, 13):
        clouds = clouds_of(month, [(day, share) for day, share in year.shares() if day.month != month])
        inside += clouds.low <= year.share_of(month) <= clouds.high
    assert inside >= 10
