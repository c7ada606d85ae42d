"""The sunrise that the outlook tells, against published ones.

Sunrises of 35° north on the meridian of Greenwich: table of the report on NREL's solar position algorithm
(Reda and Andreas, NREL/TP-560-34302), as in pvlib's own tests; at 39° north, 105° west: US Naval Observatory,
likewise.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from monitor.outlook.night import night_of
from monitor.outlook.past import DAY, SLOT_MS
from monitor.sun.expected import clear_days, supply_of
from tests.unit.outlook_world import UTC_HIDE, site_of


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "day", "rises"),
    [
        (35.0, 0.0, date(1994, 1, 2), datetime(1994, 1, 2, 7, 8, 12, tzinfo=UTC)),
        # 7:19 and 5:01 at UTC-7
        (39.0, -105.0, date(2015, 1, 2), datetime(2015, 1, 2, 14, 19, tzinfo=UTC)),
        (39.0, -105.0, date(2015, 8, 2), datetime(2015, 8, 2, 12, 1, tzinfo=UTC)),
    ],
)
def test_sunrise_is_the_published_one_within_two_minutes(latitude_deg, longitude_deg, day, rises):
    supply = replace(supply_of(site_of(UTC_HIDE)), latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    before = day - timedelta(days=1)
    tables = clear_days(supply, [before, day])
    clear = [*tables[before], *tables[day]]
    at_ms = round((rises - timedelta(hours=8)).timestamp() * 1000)
    night = night_of(at_ms, clear, np.zeros(DAY), np.ones(DAY))
    assert night.sunrise_ms == pytest.approx(rises.timestamp() * 1000, abs=120_000)
    assert night.helps_ms is None  # an array that gives nothing never helps
    assert night.slots * SLOT_MS == 24 * 3_600_000


@pytest.mark.parametrize("known_from", [0, 1])
@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "day", "sets"),
    [
        (35.0, 0.0, date(1994, 1, 2), datetime(1994, 1, 2, 16, 59, 55, tzinfo=UTC)),
        (-35.0, 0.0, date(2004, 12, 4), datetime(2004, 12, 4, 19, 2, 2, tzinfo=UTC)),
        (-35.0, 0.0, date(1996, 7, 5), datetime(1996, 7, 5, 17, 1, 4, tzinfo=UTC)),
    ],
)
def test_sunset_is_the_published_one(latitude_deg, longitude_deg, day, sets, known_from):
    """Asked six hours after it; where the tables begin only after midnight, from the next day's."""
    supply = replace(supply_of(site_of(UTC_HIDE)), latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    days = [day, day + timedelta(days=1)]
    tables = clear_days(supply, days)
    clear = [step for each in days[known_from:] for step in tables[each]]
    at_ms = round((sets + timedelta(hours=7)).timestamp() * 1000)
    night = night_of(at_ms, clear, np.zeros(DAY), np.ones(DAY))
    assert night.sunset_ms == pytest.approx(
        sets.timestamp() * 1000, abs=120_000 if known_from == 0 else 240_000
    )
