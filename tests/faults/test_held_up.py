"""A daemon that stands still for seconds, at the worst moments, believes nothing old and loses nothing.

A field computer with a slow card and little memory does that to it. Longer stops by
`python -m tests.faults.held_up`.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from monitor.records import Quality
from tests.faults.held_up import MOST_LAG_S, PERIOD_S, Found, live_through

PLAN = [
    ("a notice", 1.0),
    ("an RTU answer", 4.0),
    ("a commit", 1.0),
    ("a TCP answer", 4.0),
    ("a line of text", 1.0),
]


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Found:
    return live_through(tmp_path_factory.mktemp("held"), PLAN)


def test_no_reading_is_stamped_much_later_than_it_was_made(found: Found) -> None:
    for device, lags_s in found.lags_s.items():
        assert -0.2 < min(lags_s) <= max(lags_s) < MOST_LAG_S, (device, lags_s)


def test_no_device_is_told_to_be_silent(found: Found) -> None:
    assert [text for text in found.device_events if "silent" in text] == []
    for device, readings in found.readings.items():
        assert [each for each in readings if each.quality is Quality.MISSING] == [], device


def test_each_line_goes_on_at_once(found: Found) -> None:
    for device in found.readings:
        assert found.longest_gap_s(device) < 10 * PERIOD_S, device  # a busy computer is no fault


def test_nothing_that_was_stored_is_lost_and_the_store_is_sound(found: Found) -> None:
    assert found.lost == []
    assert found.troubles == []
    for readings in found.readings.values():
        assert all(earlier.time_ms < later.time_ms for earlier, later in pairwise(readings))


def test_a_notice_that_had_arrived_does_not_come_again(found: Found) -> None:
    assert found.notices == [("Warm 0", False)]


def test_meanwhile_the_age_is_told_and_the_watchdog_is_not_fed(found: Found) -> None:
    for stop in found.stops:
        assert stop.told_age_s > stop.lasted_s - 0.2, stop
        assert stop.fed == 0, stop


def test_another_site_beside_it_goes_on(found: Found) -> None:
    for stop in found.stops:
        if stop.lasted_s > 2 * PERIOD_S:
            assert any(stop.from_ms < at_ms < stop.to_ms for at_ms in found.beside_ms), stop
