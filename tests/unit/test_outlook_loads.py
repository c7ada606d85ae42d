"""Loads ahead from a site's own nights: what repeats is expected, what tonight shows counts more."""

import numpy as np
import pytest

from monitor.outlook.loads import Habit
from monitor.outlook.past import DAY, SLOT_MS, TEMPERATURE
from tests.unit.outlook_world import (
    DAY_MS,
    HOUR_MS,
    LAMPS,
    START_MS,
    UTC_HIDE,
    evening_lamps,
    lived,
    rows,
    site_of,
)

CAPACITY_Ah = 450.0


def night_Ah(load, days, text=UTC_HIDE, hours=14):
    """Ten, fifty and ninety percent of the Ah until `hours` after the moment at `days`."""
    from monitor.outlook.past import SitePast

    site = site_of(text)
    past = SitePast(site)
    for time_ms, row in rows(load, days):
        past.add(time_ms, row)
    at_ms = START_MS + round(days * DAY_MS)
    slot = at_ms // SLOT_MS
    habit = Habit(site, past.load_before(slot), past.before(slot, TEMPERATURE), at_ms, CAPACITY_Ah)
    ahead = habit.draw(DAY, 600, np.random.default_rng(1))
    return np.quantile(ahead.drawn_A[: hours * 12].sum(axis=0) / 12, (0.1, 0.5, 0.9)), ahead


EVENING = 17 / 24
TRUE_Ah = 14 * (1 + 2 / 12) + 5 * 5
"""From 17:00 to 7:00: one ampere and the monitor's 2 W at 12 V always, 5 A more for five hours."""


def test_a_habit_that_never_changed_is_expected_again():
    (low, middle, high), ahead = night_Ah(evening_lamps, 10 + EVENING)
    assert middle == pytest.approx(TRUE_Ah, rel=0.05)
    assert low > 0.75 * TRUE_Ah
    assert high < 1.3 * TRUE_Ah
    assert ahead.nights == 10


def test_the_first_evening_goes_by_the_declared_loads():
    """60 W for five hours and 12 W always: 5 x 5 A and 14 x 1 A at 12 V beside the monitor."""
    (low, middle, high), ahead = night_Ah(lambda day, hour: 1.0, 1 / 24 * 17, UTC_HIDE + LAMPS)
    assert ahead.nights == 0
    assert low < TRUE_Ah < high
    assert middle == pytest.approx(TRUE_Ah, rel=0.25)


def test_without_nights_and_declared_loads_the_span_is_wide():
    (low, _, high), _ = night_Ah(lambda day, hour: 1.0, 0.25)
    assert high > 2 * low


def test_the_span_narrows_as_nights_come_in():
    def width(days):
        (low, _, high), _ = night_Ah(evening_lamps, days + EVENING, UTC_HIDE + LAMPS)
        return high - low

    assert width(12) < 0.6 * width(1)


def test_a_weekend_is_expected_on_a_weekend():
    """Saturdays and Sundays 8 A more from six to eleven; days 5 and 6 of a Monday's start."""

    def load(day, hour):
        return evening_lamps(day, hour) + (8.0 if day % 7 >= 5 and 18 <= hour < 23 else 0.0)

    (_, friday, _), _ = night_Ah(load, 25 + EVENING)
    (_, saturday, _), _ = night_Ah(load, 26 + EVENING)
    assert saturday > friday + 20


def test_lamps_that_already_burn_are_counted_on_tonight():
    """Guests on one evening in four: seen from eight in the evening, the night is one of theirs."""

    def load(day, hour):
        return evening_lamps(day, hour) + (6.0 if day % 4 == 0 and 18 <= hour < 23 else 0.0)

    at_eight = 20 / 24
    (_, with_guests, _), _ = night_Ah(load, 20 + at_eight, hours=10)
    (_, without, _), _ = night_Ah(load, 21 + at_eight, hours=10)
    assert with_guests - without == pytest.approx(3 * 6.0, abs=5.0)


def test_a_new_lamp_is_expected_after_a_few_nights():
    """Three amperes more since four evenings, after three weeks without."""

    def load(day, hour):
        return evening_lamps(day, hour) + (3.0 if day >= 21 and 18 <= hour < 23 else 0.0)

    (_, before, _), _ = night_Ah(load, 21 + EVENING)
    (_, after, _), _ = night_Ah(load, 25 + EVENING)
    assert after - before > 0.5 * 3 * 5


def test_a_house_left_empty_is_seen_by_its_last_day():
    """Nobody is there since two days: the third night is expected to be an empty one, too."""

    def load(day, hour):
        return 1.0 if day >= 20 else evening_lamps(day, hour)

    (_, middle, _), _ = night_Ah(load, 22 + EVENING)
    assert middle < 0.6 * TRUE_Ah


def test_gaps_in_the_past_are_no_nights_without_loads():
    site = site_of(UTC_HIDE)
    from monitor.outlook.past import SitePast

    past = SitePast(site)
    for time_ms, row in rows(evening_lamps, 12 + EVENING):
        hour = (time_ms - START_MS) % DAY_MS / HOUR_MS
        if not 19 <= hour < 21:
            past.add(time_ms, row)
    at_ms = START_MS + round((12 + EVENING) * DAY_MS)
    habit = Habit(
        site,
        past.load_before(at_ms // SLOT_MS),
        past.before(at_ms // SLOT_MS, TEMPERATURE),
        at_ms,
        CAPACITY_Ah,
    )
    drawn = habit.draw(DAY, 300, np.random.default_rng(1)).drawn_A[: 14 * 12].sum(axis=0) / 12
    # the two unread hours are taken for what the site usually draws at no known hour: the mean
    assert np.median(drawn) > 0.6 * TRUE_Ah


def test_loads_of_all_days_ahead_are_never_negative():
    _, past = lived(site_of(UTC_HIDE), evening_lamps, 4)
    at_ms = START_MS + 4 * DAY_MS
    habit = Habit(
        site_of(UTC_HIDE),
        past.load_before(at_ms // SLOT_MS),
        past.before(at_ms // SLOT_MS, TEMPERATURE),
        at_ms,
        CAPACITY_Ah,
    )
    drawn = habit.draw(5 * DAY, 100, np.random.default_rng(1)).drawn_A
    assert drawn.shape == (5 * DAY, 100)
    assert np.isfinite(drawn).all()
    assert (drawn >= 0).all()
