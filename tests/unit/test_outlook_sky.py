"""Days ahead from this site's own days: shares of a clear sky, wet spells kept together."""

from datetime import UTC, datetime

import numpy as np
import pytest

from monitor.outlook import sky
from monitor.outlook.past import SLOT_MS
from monitor.sun.day import Clear

START_MS = round(datetime(2026, 6, 1, tzinfo=UTC).timestamp() * 1000)


def clear_day(power_W=300.0):
    """Twelve hours of an even sun from six to six."""
    return tuple(
        Clear(
            START_MS + slot * SLOT_MS,
            30.0,
            180.0,
            800.0,
            100.0,
            30.0,
            power_W,
            power_W if 72 <= slot < 216 else 0.0,
        )
        for slot in range(288)
    )


def read(share, slots=range(288)):
    power = np.full(288, np.nan)
    for slot in slots:
        power[slot] = share * 300.0 if 72 <= slot < 216 else 0.0
    return power


def test_a_day_is_its_share_of_the_clear_sky():
    assert sky.share_of(clear_day(), read(0.42), np.ones(288)) == pytest.approx(0.42)


def test_hours_in_which_a_full_bank_took_less_do_not_make_a_day_dull():
    """Free until ten at 0.9 of a clear sky, then held at a tenth: the sky was 0.9."""
    power, free = read(0.9), np.ones(288)
    power[120:216], free[120:] = 30.0, 0.0
    assert sky.share_of(clear_day(), power, free) == pytest.approx(0.9)


def test_a_day_hardly_ever_free_shows_at_least_what_came():
    power, free = read(0.3), np.zeros(288)
    assert sky.share_of(clear_day(), power, free) == pytest.approx(0.3)


def test_a_day_half_unread_tells_nothing():
    assert sky.share_of(clear_day(), read(0.8, range(150)), np.ones(288)) is None


def test_before_there_is_a_record_anything_from_rain_to_clear_may_come():
    shares = sky.draw([], 5, 4000, np.random.default_rng(1))
    assert shares.shape == (5, 4000)
    assert np.quantile(shares, 0.1) < 0.2
    assert np.quantile(shares, 0.9) > 0.8


def test_a_site_of_clear_days_expects_clear_days():
    shares = sky.draw([0.9] * 20, 5, 2000, np.random.default_rng(1))
    assert np.median(shares) == pytest.approx(0.9)


def test_wet_spells_stay_together():
    """Five wet and five clear days in turn: after the first wet day the next is wet, too, far oftener than
    half the time."""
    record = ([0.1] * 5 + [0.9] * 5) * 2 + [0.1]
    tomorrow = sky.draw(record, 2, 4000, np.random.default_rng(1))[1]
    assert (tomorrow < 0.2).mean() > 0.55


def test_before_todays_light_today_follows_on_yesterday():
    """Clear days in a row, and today not read yet: today and tomorrow are expected to be clear."""
    shares = sky.draw([0.9] * 12 + [None], 2, 2000, np.random.default_rng(1))
    assert np.median(shares[0]) == pytest.approx(0.9)
    assert np.median(shares[1]) == pytest.approx(0.9)


def test_a_wet_day_is_known_from_the_record_and_supposed_before():
    assert sky.wet_share([]) == sky.WET_SHARE
    assert sky.wet_share([0.9, 0.05, None, 0.07]) == pytest.approx((sky.WET_SHARE + 0.05 + 0.07) / 3)
