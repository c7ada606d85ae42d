"""Readings that wait outside the store: they survive, are bounded, and other boots' are decided on."""

import sqlite3
from contextlib import closing
from itertools import pairwise

import pytest

from monitor.records import Reading
from monitor.store.held import MOST_PENDING, UNTOLD, HeldReadings, held_path

HOUR = 3_600_000


@pytest.fixture
def path(tmp_path):
    return held_path(tmp_path / "nightbank.db")


def polls(first_ms, last_ms, every_ms=5_000):
    return [
        Reading(at_ms, "charger", "battery_voltage_V", 12.0 + at_ms % 977 / 1000)
        for at_ms in range(first_ms, last_ms, every_ms)
    ]


def kept_in(held):
    return [reading for _, readings in held.entries() for reading in readings]


def test_no_file_is_made_before_there_is_something_to_hold(path):
    held = HeldReadings(path, "a boot")
    assert held.is_empty
    held.commit(0)
    assert held.take_over(10**12, 900_000) == (0, 0)
    assert held.untold() == 0
    assert not path.exists()


def test_it_is_empty_once_all_is_in_the_store_and_not_while_anything_waits(path):
    held = HeldReadings(path, "a boot")
    held.add(polls(0, 60_000))
    assert not held.is_empty, "in memory"
    held.commit(0)
    assert not held.is_empty, "on the card"
    ((number, _),) = held.entries()
    held.landed(number)
    assert held.is_empty
    held.close()


def test_what_was_committed_is_there_for_the_next_daemon_of_the_boot(path):
    held = HeldReadings(path, "a boot")
    for minute in range(10):
        held.add(polls(minute * 60_000, (minute + 1) * 60_000))
        held.commit(0)
    held.add(polls(600_000, 660_000))  # not committed
    held.close()
    again = HeldReadings(path, "a boot")
    assert kept_in(again) == polls(0, 600_000)
    first, _ = next(again.entries())
    again.landed(first)
    assert kept_in(again) == polls(60_000, 600_000)
    again.close()


def test_a_full_shelf_keeps_the_whole_time_and_says_that_it_let_go(path):
    held = HeldReadings(path, "a boot", most_bytes=20_000)
    for hour in range(24):
        held.add(polls(hour * HOUR, (hour + 1) * HOUR))
        held.commit(0)
    kept = kept_in(held)
    assert held.let_go == 24 * 720 - len(kept) > 0
    stamps = [reading.time_ms for reading in kept]
    assert (stamps[0], stamps[-1]) == (0, 24 * HOUR - 5_000)
    assert max(b - a for a, b in pairwise(stamps)) <= 300_000
    held.close()


def test_while_the_card_takes_nothing_memory_keeps_the_whole_time_and_says_that_it_let_go(path):
    held = HeldReadings(path, "a boot")
    for hour in range(100):
        held.add(polls(hour * HOUR, (hour + 1) * HOUR))
    kept = held.take_pending()
    assert len(kept) <= MOST_PENDING
    assert held.let_go == 100 * 720 - len(kept) > 0
    stamps = [reading.time_ms for reading in kept]
    assert (stamps[0], stamps[-1]) == (0, 100 * HOUR - 5_000)
    assert max(b - a for a, b in pairwise(stamps)) <= 300_000


@pytest.mark.parametrize(("off_ms", "is_near"), [(60_000, True), (3 * HOUR, False)])
def test_what_another_boot_held_is_stamped_only_where_its_time_is_known_well(path, off_ms, is_near):
    earliest_ms = 1_790_000_000_000
    held = HeldReadings(path, "a boot")
    held.add(polls(20_000, HOUR))
    held.commit(earliest_ms)
    held.close()
    on_ms = earliest_ms + HOUR - 5_000 + off_ms  # this boot began so long after the other's last reading
    here = HeldReadings(path, "the next boot")
    assert here.is_empty
    count, early_ms = here.take_over(on_ms, 900_000)
    assert count == len(polls(20_000, HOUR))
    if is_near:
        assert early_ms == off_ms
        assert [on_ms + each.time_ms for each in kept_in(here)] == [
            earliest_ms + each.time_ms for each in polls(20_000, HOUR)
        ]
    else:
        assert early_ms is None
        assert [each for aside in here.asides() for each in aside.readings] == polls(20_000, HOUR)
        assert {(aside.reason, aside.boot, aside.earliest_ms) for aside in here.asides()} == {
            (UNTOLD, "a boot", earliest_ms)
        }
    assert here.take_over(on_ms, 900_000) == (0, 0)
    here.close()


def test_what_is_set_aside_once_more_after_a_kill_is_not_there_twice(path):
    """The daemon was killed before the store had let go of them; by then a little more is to be taken."""
    held = HeldReadings(path, "a boot")
    readings = polls(0, 5 * HOUR)
    assert held.set_aside(readings[100:], "ahead") == len(readings) - 100
    assert held.set_aside(readings, "ahead") == len(readings)
    assert held.set_aside(readings[50:3000], "ahead") == 2950
    kept = [each for aside in held.asides() for each in aside.readings]
    assert len(kept) == len(readings)
    assert set(kept) == set(readings)
    held.set_aside(readings[:10], "for another reason")
    assert sum(len(aside.readings) for aside in held.asides()) == len(readings) + 10
    held.close()


def test_a_file_of_an_older_version_goes_on(path):
    held = HeldReadings(path, "a boot")
    held.set_aside(polls(0, HOUR), "ahead")
    held.close()
    with closing(sqlite3.connect(path)) as older:
        for name in ("boot", "earliest_ms", "first_ms", "last_ms"):
            older.execute(f"ALTER TABLE aside DROP COLUMN {name}")
    held = HeldReadings(path, "a boot")
    held.set_aside(polls(HOUR, 2 * HOUR), "ahead")
    assert [each for aside in held.asides() for each in aside.readings] == polls(0, 2 * HOUR)
    held.close()
