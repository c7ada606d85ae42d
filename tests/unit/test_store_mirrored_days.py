"""Which days' statistics a mirror is given, and when: finished ones, once, and again where they change."""

from __future__ import annotations

import random
from dataclasses import asdict
from datetime import date, timedelta
from pathlib import Path

import pytest

from monitor.records import Reading, parse_iso
from monitor.store.embedded import open_reader, open_writer
from monitor.store.mirrored import Place, Point, next_batch, snapshot
from monitor.store.mirrored_days import FIELDS
from monitor.store.mirrors import enrol

ZONE = "Europe/London"
FIRST = date(2026, 10, 24)
START_MS = parse_iso("2026-10-23T23:00:00Z")  # midnight in London; the clocks go back a day later
MINUTE_MS, HOUR_MS = 60_000, 3_600_000
VOLTAGE = "battery_voltage_V"


def volts(time_ms: int, value: float = 12.5) -> Reading:
    return Reading(time_ms, "shunt", VOLTAGE, value)


class Days:
    """Takes batches and keeps every day's statistics that came, in order."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.place = Place(enrol(path, ["hub"])["hub"])
        self.came: list[Point] = []
        self.readings = 0

    def catch_up(self) -> list[date]:
        """Take all there is; the days that came."""
        before = len(self.came)
        while True:
            with snapshot(self.path) as ask:
                batch = next_batch(ask, self.place, lambda device: True, 40, with_days=True)
            self.place = batch.place
            self.came += [point for point in batch.points if point.of]
            self.readings += sum(not point.of for point in batch.points)
            if batch.is_all:
                return [self.day(point) for point in self.came[before:]]

    @staticmethod
    def day(point: Point) -> date:
        return FIRST + timedelta(days=round((point.time_ms - START_MS) / (24 * HOUR_MS)))


@pytest.mark.parametrize("seed", range(6))
def test_what_came_last_of_a_day_is_what_the_store_says(tmp_path: Path, seed: int) -> None:
    """Five days, one of them of 25 hours, land in order, late by hours, and a few days late."""
    rng = random.Random(seed)
    path = tmp_path / "store.db"
    readings = [volts(START_MS + n * 10 * MINUTE_MS, rng.randint(1100, 1450) / 100) for n in range(5 * 144)]
    readings = [each for each in readings if rng.random() < 0.9]

    def lateness_ms() -> int:
        return rng.choice((0, 0, 0, rng.randint(0, 5 * HOUR_MS), rng.choice((0, 50 * HOUR_MS))))

    in_turn = sorted(readings, key=lambda reading: reading.time_ms + lateness_ms())
    with open_writer(path, ZONE) as writer:
        writer.commit()
        days = Days(path)
        for at in range(0, len(in_turn), 37):
            writer.append(in_turn[at : at + 37])
            writer.commit()
            days.catch_up()
    last = {days.day(point): point for point in days.came}
    with open_reader(path) as reader:
        stats = {stat.day: asdict(stat) for stat in reader.days(FIRST, FIRST + timedelta(days=9))}
    finished = [FIRST + timedelta(days=number) for number in range(4)]
    assert sorted(last) == finished
    for day in finished:
        assert dict(last[day].values) == {name: stats[day][name] for name in FIELDS}
        assert (last[day].device, last[day].of) == ("shunt", VOLTAGE)
    assert days.readings == len(readings)


def test_a_day_comes_once_an_hour_after_its_end(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with open_writer(path, ZONE) as writer:
        writer.commit()
        days = Days(path)
        came: dict[int, list[date]] = {}
        for number in range(3 * 144):
            time_ms = START_MS + number * 10 * MINUTE_MS
            writer.append([volts(time_ms)])
            writer.commit()
            if found := days.catch_up():
                came[time_ms] = found
    # the second day has 25 hours
    assert came == {
        START_MS + 25 * HOUR_MS: [FIRST],
        START_MS + (24 + 25 + 1) * HOUR_MS: [FIRST + timedelta(days=1)],
    }


def test_a_history_that_is_sent_later_gives_each_day_once(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with open_writer(path, ZONE) as writer:
        writer.append(volts(START_MS + number * 10 * MINUTE_MS) for number in range(10 * 144))
        writer.commit()
    assert Days(path).catch_up() == [FIRST + timedelta(days=number) for number in range(9)]


def test_days_that_are_wanted_later_all_come_then(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with open_writer(path, ZONE) as writer:
        writer.append(volts(START_MS + number * 10 * MINUTE_MS) for number in range(5 * 144))
        writer.commit()
    days = Days(path)
    with snapshot(path) as ask:
        days.place = next_batch(ask, days.place, lambda device: True, 10**6).place
    assert days.catch_up() == [FIRST + timedelta(days=number) for number in range(4)]
    assert days.readings == 0


def test_another_time_zone_gives_all_days_anew(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with open_writer(path, ZONE) as writer:
        writer.append(volts(START_MS + number * 10 * MINUTE_MS) for number in range(4 * 144))
        writer.commit()
    days = Days(path)
    days.catch_up()
    with open_writer(path, "Asia/Tokyo") as writer:
        writer.commit()
    days.catch_up()
    starts = [point.time_ms for point in days.came]
    assert len(starts) == len(set(starts)) == 3 + 4
