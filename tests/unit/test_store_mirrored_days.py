"""Which days' statistics a mirror is given, and when: finished ones, once, and again where they change."""

from __future__ import annotations

import json
import random
import sqlite3
from collections import defaultdict
from collections.abc import Iterable
from contextlib import closing
from dataclasses import asdict, replace
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.records import Quality, Reading, parse_iso, to_datetime
from monitor.store.embedded import open_reader, open_writer
from monitor.store.mirrored import next_batch, snapshot
from monitor.store.mirrored_days import FIELDS
from monitor.store.mirrored_place import Place, Point, What
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


def local_date(time_ms: int) -> date:
    return to_datetime(time_ms).astimezone(ZoneInfo(ZONE)).date()


def ends_of(times: list[int]) -> dict[str, object]:
    """A day's first and last time, the longest silence that is no gap, and the gaps, from the times alone:
    a gap is longer than five minutes and three times the median interval (the rule of `store/days.py`)."""
    intervals = sorted(latter - former for former, latter in pairwise(times))
    limit_ms = max(300_000, 3 * intervals[len(intervals) // 2])
    gaps = [[former, latter] for former, latter in pairwise(times) if latter - former > limit_ms]
    return {"first_ms": times[0], "last_ms": times[-1], "limit_ms": limit_ms, "gaps": json.dumps(gaps)}


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
        values = dict(last[day].values)
        assert tuple(values) == FIELDS
        of_day = [each.time_ms for each in readings if local_date(each.time_ms) == day]
        assert {name: stats[day][name] for name in FIELDS if name in stats[day]} | ends_of(of_day) == values
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


class Copy:
    """Takes all that a reader of the copy needs, and keeps what came last of each thing, as a server does."""

    def __init__(self, path: Path, rng: random.Random) -> None:
        self.path, self.rng = path, rng
        self.place = Place(enrol(path, ["hub"])["hub"])
        self.there: dict[tuple[What, str, str, int], Point] = {}
        self.came: list[Point] = []

    def step(self, *, with_running: bool = False) -> bool:
        with snapshot(self.path) as ask:
            batch = next_batch(
                ask,
                self.place,
                lambda device: True,
                self.rng.randint(5, 60),
                with_all=True,
                with_running=with_running,
            )
        self.place = batch.place
        self.came += batch.points
        self.there |= {(each.what, each.device, each.of, each.time_ms): each for each in batch.points}
        return batch.is_all

    def catch_up(self) -> None:
        while not self.step(with_running=True):
            pass

    def of(self, what: What) -> dict[tuple[str, str, int], dict[str, object]]:
        return {key[1:]: dict(each.values) for key, each in self.there.items() if key[0] is what}


def by_hour(readings: Iterable[Reading]) -> dict[tuple[str, str, int], dict[str, object]]:
    """Count, extremes and mean of every hour, from whole thousandths."""
    found: dict[tuple[str, str, int], list[int]] = defaultdict(list)
    for each in readings:
        if each.quality is Quality.GOOD and each.value is not None:
            hour_ms = each.time_ms // HOUR_MS * HOUR_MS
            found[each.device, each.quantity, hour_ms].append(round(each.value * 1000))
    return {
        key: {
            "count": len(values),
            "minimum": min(values) / 1000,
            "mean": sum(values) / len(values) / 1000,
            "maximum": max(values) / 1000,
        }
        for key, values in found.items()
    }


@pytest.mark.parametrize("zone", [ZONE, "Asia/Kathmandu"])  # a quarter of an hour beside full hours
@pytest.mark.parametrize("seed", range(5))
def test_what_a_reader_needs_is_there_whatever_the_order_of_landing(
    tmp_path: Path, seed: int, zone: str
) -> None:
    """Five days of two devices with readings that are not good, in order, late by hours and by days, some
    batches lost and given again from an earlier place, as after a kill."""
    rng = random.Random(seed)
    path = tmp_path / "store.db"
    readings = [
        Reading(START_MS + n * 10 * MINUTE_MS + shift_ms, device, VOLTAGE, rng.randint(1100, 1450) / 100)
        for device, shift_ms in (("shunt", 0), ("charger", 1500))
        for n in range(5 * 144)
        if rng.random() < 0.9
    ]
    readings = [
        replace(each, quality=Quality.MISSING, value=None, reason="silent") if n % 17 == 3 else each
        for n, each in enumerate(readings)
    ]

    def lateness_ms() -> int:
        return rng.choice((0, 0, 0, rng.randint(0, 5 * HOUR_MS), rng.choice((0, 50 * HOUR_MS))))

    in_turn = sorted(readings, key=lambda reading: reading.time_ms + lateness_ms())
    with open_writer(path, zone) as writer:
        writer.commit()
        copy = Copy(path, rng)
        for at in range(0, len(in_turn), 53):
            writer.append(in_turn[at : at + 53])
            writer.commit()
            before = copy.place
            for _ in range(rng.randint(0, 4)):
                copy.step(with_running=rng.random() < 0.5)
            if rng.random() < 0.2:
                copy.place = before
        copy.catch_up()
        stored = [*writer.readings(0, START_MS + 10 * 24 * HOUR_MS)]
        stats = writer.days(FIRST - timedelta(days=1), FIRST + timedelta(days=9))
    good = {(each.device, each.time_ms): each.value for each in stored if each.quality is Quality.GOOD}
    assert {
        (key[0], key[2]): values[VOLTAGE] for key, values in copy.of(What.READING).items() if not key[1]
    } == good
    assert copy.of(What.FLAWED) == {
        (each.device, VOLTAGE, each.time_ms): {"quality": 2, "reason": "silent"}
        for each in stored
        if each.quality is not Quality.GOOD
    }
    assert copy.of(What.HOUR) == by_hour(stored)
    days = {
        (key[0], to_datetime(key[2]).astimezone(ZoneInfo(zone)).date()): values
        for key, values in copy.of(What.READING).items()
        if key[1]
    }
    assert len(days) in (2 * 5, 2 * 6), "the day that goes on, too"
    for stat in stats:  # of the best-ranked device alone
        there = days[stat.device, stat.day]
        assert {name: there[name] for name in asdict(stat) if name in there} == {
            name: value for name, value in asdict(stat).items() if name in FIELDS
        }


def test_a_day_that_goes_on_comes_when_asked_for_and_only_after_new_readings(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with open_writer(path, ZONE) as writer:
        writer.append(volts(START_MS + number * 10 * MINUTE_MS) for number in range(10))
        writer.commit()
        copy = Copy(path, random.Random(1))
        while not copy.step():
            pass
        assert {point.what for point in copy.came if point.of} == set()
        copy.catch_up()
        assert [(p.what, p.time_ms) for p in copy.came if p.of] == [
            (What.READING, START_MS),
            (What.HOUR, START_MS),
            (What.HOUR, START_MS + HOUR_MS),
        ]
        before = len(copy.came)
        copy.catch_up()
        assert len(copy.came) == before
        writer.append([volts(START_MS + 100 * MINUTE_MS)])
        writer.commit()
        copy.catch_up()
        assert [(p.what, p.time_ms) for p in copy.came[before:]] == [
            (What.READING, START_MS + 100 * MINUTE_MS),
            (What.READING, START_MS),
            (What.HOUR, START_MS + HOUR_MS),
        ]


def test_what_is_wanted_in_full_later_comes_without_the_readings_again(tmp_path: Path) -> None:
    """A mirror of readings and days becomes one that pages read: old flawed readings and hours follow."""
    path = tmp_path / "store.db"
    flawed = Reading(START_MS + 7, "shunt", VOLTAGE, 99.0, Quality.SUSPECT, "jump")
    with open_writer(path, ZONE) as writer:
        writer.append([flawed, *(volts(START_MS + number * 10 * MINUTE_MS) for number in range(3 * 144))])
        writer.commit()
    days = Days(path)
    days.catch_up()
    copy = Copy(path, random.Random(1))
    copy.place = days.place
    copy.catch_up()
    assert copy.of(What.FLAWED) == {
        ("shunt", VOLTAGE, START_MS + 7): {"quality": 1, "value": 99.0, "reason": "jump"}
    }
    assert [point for point in copy.came if not point.of] == []
    assert len(copy.of(What.HOUR)) == 3 * 24


def test_a_day_whose_gaps_are_not_known_yet_waits_for_them(tmp_path: Path) -> None:
    """A store from before days knew their gaps: the daemon looks for them by and by."""
    path = tmp_path / "store.db"
    with open_writer(path, ZONE) as writer:
        writer.append(volts(START_MS + number * 10 * MINUTE_MS) for number in range(4 * 144))
        writer.commit()
    second = (FIRST + timedelta(days=1)).toordinal()
    with closing(sqlite3.connect(path)) as file:
        kept = file.execute(
            "SELECT first_ms, last_ms, limit_ms, gaps FROM day WHERE day = ?", (second,)
        ).fetchone()
        unknown = "UPDATE day SET first_ms = NULL, last_ms = NULL, limit_ms = NULL, gaps = NULL WHERE day = ?"
        file.execute(unknown, (second,))
        file.commit()
        days = Days(path)
        assert days.catch_up() == [FIRST, FIRST + timedelta(days=2)]
        assert days.catch_up() == []
        sql = "UPDATE day SET first_ms = ?, last_ms = ?, limit_ms = ?, gaps = ? WHERE day = ?"
        file.execute(sql, (*kept, second))
        file.commit()
    assert days.catch_up() == [FIRST + timedelta(days=1)]
