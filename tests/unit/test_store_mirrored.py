"""What a mirror is given: every good reading once, whatever the order in which readings land."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.records import Event, Quality, Reading, to_ms
from monitor.store.copies import back_up, restore
from monitor.store.embedded import open_importer, open_reader, open_writer
from monitor.store.mirrored import newest_points, next_batch, oldest_waiting, snapshot
from monitor.store.mirrored_place import Place, Point
from monitor.store.mirrors import enrol, keep_only, note_heard, tell

NOON = to_ms(datetime(2026, 11, 24, 12, tzinfo=UTC))
HOUR_MS = 3_600_000
VOLTAGE, CURRENT, STAGE = "battery_voltage_V", "battery_current_A", "charge_stage"
Value = tuple[int, str, str, float]


def everything(device: str) -> bool:
    return True


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "store.db"


class Mirror:
    """Takes batch after batch, as a sender does, and keeps all that it was given."""

    def __init__(self, path: Path, name: str = "hub", most: int = 7) -> None:
        self.path, self.name, self.most = path, name, most
        self.place = Place(enrol(path, [name])[name])
        self.got: list[Value] = []

    def step(self) -> bool:
        """Take one batch; whether that was all."""
        with snapshot(self.path) as ask:
            batch = next_batch(ask, self.place, everything, self.most)
        self.place = batch.place
        self.got += list(values_of(batch.points))
        return batch.is_all

    def catch_up(self) -> None:
        while not self.step():
            pass

    def again(self) -> list[Value]:
        """What comes from now on, up to the end."""
        before = len(self.got)
        self.catch_up()
        return self.got[before:]


def values_of(points: list[Point]) -> Iterator[Value]:
    for point in points:
        for quantity, value in point.values.items():
            yield point.time_ms, point.device, quantity, value


def stored(path: Path) -> list[Value]:
    """All good readings of a store, asked through its read side."""
    with open_reader(path) as reader:
        span = reader.span()
        assert span is not None
        return [
            (each.time_ms, each.device, each.quantity, each.value)
            for each in reader.readings(span[0], span[1] + 1)
            if each.quality is Quality.GOOD and each.value is not None
        ]


def volts(time_ms: int, value: float = 12.5, device: str = "shunt") -> Reading:
    return Reading(time_ms, device, VOLTAGE, value)


@pytest.mark.parametrize("seed", range(12))
def test_whatever_the_order_of_landing_each_good_reading_is_given_once(path: Path, seed: int) -> None:
    """Readings of three devices over two days land shuffled, late by up to hours, some twice, some bad, while
    two mirrors of unlike pace take batches in between; blocks are packed meanwhile."""
    rng = random.Random(seed)
    readings = [
        Reading(NOON + number * 60_000 + shift_ms, device, quantity, rng.randint(0, 900) / 100)
        for device, shift_ms, quantities in (
            ("shunt", 0, (VOLTAGE, CURRENT)),
            ("charger", 1_500, (VOLTAGE, "array_power_W")),
            ("import", 0, (CURRENT,)),
        )
        for number in range(600 if device != "import" else 200)
        for quantity in quantities
    ]
    readings += [
        replace(each, quality=Quality.MISSING, value=None, reason="silent", time_ms=each.time_ms + 7)
        for each in rng.sample(readings, 60)
    ]
    in_turn = sorted(readings, key=lambda r: r.time_ms + rng.choice((0, 0, 0, rng.randint(0, 4 * HOUR_MS))))
    in_turn += rng.sample(readings, 50)
    with open_writer(path, "UTC") as writer:
        writer.commit()
    quick, slow = Mirror(path, "quick", most=50), Mirror(path, "slow", most=40)
    enrol(path, ["quick", "slow"])
    quick.place, slow.place = (Place(enrol(path, ["quick", "slow"])[name]) for name in ("quick", "slow"))
    at = 0
    with open_writer(path, "UTC") as writer:
        while at < len(in_turn):
            count = rng.randint(1, 150)
            writer.append(in_turn[at : at + count])
            writer.commit()
            at += count
            quick.step()
            if rng.random() < 0.3:
                slow.step()
    with closing(sqlite3.connect(path)) as ask:
        assert ask.execute("SELECT count(*) FROM block").fetchone()[0] > 0, "nothing was packed"
        assert ask.execute("SELECT count(*) FROM late").fetchone()[0] > 0, "nothing was late"
    quick.catch_up()
    slow.catch_up()
    assert Counter(quick.got) == Counter(stored(path))
    assert Counter(slow.got) == Counter(stored(path))


def test_batches_come_in_order_of_time_and_hold_what_one_device_gave_together(path: Path) -> None:
    with open_writer(path, "UTC") as writer:
        for number in range(20):
            time_ms = NOON + number * 5000
            writer.append([volts(time_ms), Reading(time_ms, "shunt", STAGE, 2), volts(time_ms + 1, 12, "b")])
        writer.commit()
    place = Place(enrol(path, ["hub"])["hub"])
    with snapshot(path) as ask:
        batch = next_batch(ask, place, everything, 10)
    assert [point.time_ms for point in batch.points] == sorted(point.time_ms for point in batch.points)
    assert len(batch.points) == 10
    assert not batch.is_all
    assert batch.points[0] == Point(NOON, "shunt", {VOLTAGE: 12.5, STAGE: 2})
    assert type(batch.points[0].values[STAGE]) is int
    assert type(batch.points[0].values[VOLTAGE]) is float


def test_a_late_reading_is_given_alone(path: Path) -> None:
    with open_writer(path, "UTC") as writer:
        writer.append(volts(NOON + number * 5000) for number in range(100))
        writer.commit()
        mirror = Mirror(path)
        mirror.catch_up()
        writer.append([volts(NOON + 7, 11.9), volts(NOON + 5000, 99.0)])  # one is new, one stands already
        writer.commit()
        assert mirror.again() == [(NOON + 7, "shunt", VOLTAGE, 11.9)]
        assert mirror.again() == []


def test_an_import_beside_the_daemon_is_given_too(path: Path) -> None:
    with open_writer(path, "UTC") as writer:
        writer.append([volts(NOON)])
        writer.commit()
        mirror = Mirror(path)
        mirror.catch_up()
        with open_importer(path, "UTC") as importer:
            importer.append([volts(NOON - 1000, device="import"), volts(NOON - 500, 12.0)])
            importer.commit()
    assert sorted(mirror.again()) == [
        (NOON - 1000, "import", VOLTAGE, 12.5),
        (NOON - 500, "shunt", VOLTAGE, 12.0),
    ]


def test_what_is_replaced_is_given_anew_from_there_on(path: Path) -> None:
    with open_writer(path, "UTC") as writer:
        writer.append(volts(NOON + number * 5000, device="estimate") for number in range(10))
        writer.append([volts(NOON)])
        writer.commit()
        mirror = Mirror(path)
        mirror.catch_up()
        new = [volts(NOON + number * 5000, 11.0, "estimate") for number in (6, 7)]
        writer.replace("estimate", NOON + 30_000, NOON + 50_000, new)
        writer.append([volts(NOON + 45_000, 10.0, "estimate")])  # after the new ones, before what was given
        writer.commit()
    assert mirror.again() == [
        (NOON + 30_000, "estimate", VOLTAGE, 11.0),
        (NOON + 35_000, "estimate", VOLTAGE, 11.0),
        (NOON + 45_000, "estimate", VOLTAGE, 10.0),
    ]


@pytest.mark.parametrize("is_left", [True, False])
def test_what_follows_the_end_that_a_replacing_left_is_given_too(path: Path, is_left: bool) -> None:
    """Also where it lies before the span that was replaced, so that the mirror has been beyond it."""
    with open_writer(path, "UTC") as writer:
        writer.append([volts(NOON, device="shunt")] if is_left else [])
        writer.append([volts(NOON + 900_000, device="shunt")])
        writer.commit()
        mirror = Mirror(path)
        mirror.catch_up()
        writer.replace("shunt", NOON + 500_000, NOON + 1_000_000, [])
        writer.append([volts(NOON + 100_000, 11.0, "shunt")])
        writer.commit()
    assert mirror.again() == [(NOON + 100_000, "shunt", VOLTAGE, 11.0)]


def test_a_mirror_takes_only_the_devices_it_wants(path: Path) -> None:
    with open_writer(path, "UTC") as writer:
        writer.append([volts(NOON), volts(NOON, device="derived"), volts(NOON + 1, device="estimate")])
        writer.commit()
    place = Place(enrol(path, ["hub"])["hub"])
    with snapshot(path) as ask:
        batch = next_batch(ask, place, lambda device: device not in ("derived", "estimate"), 10)
        assert newest_points(ask, lambda device: device == "derived") == [
            Point(NOON, "derived", {VOLTAGE: 12.5})
        ]
    assert batch.points == [Point(NOON, "shunt", {VOLTAGE: 12.5})]
    assert batch.is_all


def test_what_was_not_wanted_for_a_time_is_given_anew_when_it_is_again(path: Path) -> None:
    def measured(device: str) -> bool:
        return device == "shunt"

    with open_writer(path, "UTC") as writer:
        writer.append([volts(NOON), volts(NOON, device="derived"), volts(NOON + 9, device="derived")])
        writer.commit()
        mirror = Mirror(path)
        mirror.catch_up()
        writer.append([volts(NOON + 3, 11.0, "derived")])  # late, while it is not wanted
        writer.commit()
        with snapshot(path) as ask:
            mirror.place = next_batch(ask, mirror.place, measured, 10).place
    assert mirror.again() == [
        (NOON, "derived", VOLTAGE, 12.5),
        (NOON + 3, "derived", VOLTAGE, 11.0),
        (NOON + 9, "derived", VOLTAGE, 12.5),
    ]


def test_a_backup_in_the_place_of_the_store_loses_nothing(path: Path) -> None:
    with open_writer(path, "UTC") as writer:
        writer.append(volts(NOON + number * 5000) for number in range(10))
        writer.commit()
        mirror = Mirror(path)
        mirror.catch_up()
    shutil.copy(path, path.with_suffix(".backup"))
    with open_writer(path, "UTC") as writer:
        writer.append([volts(NOON + 100_000), volts(NOON + 3)])
        writer.commit()
        mirror.catch_up()
    shutil.copy(path.with_suffix(".backup"), path)
    mirror.catch_up()
    with open_writer(path, "UTC") as writer:
        writer.append([volts(NOON + 90_000, 11.0), volts(NOON + 4, 11.0)])
        writer.commit()
    assert sorted(mirror.again()) == [
        (NOON + 4, "shunt", VOLTAGE, 11.0),
        (NOON + 90_000, "shunt", VOLTAGE, 11.0),
    ]


def test_a_mirror_that_looks_again_only_when_a_restored_store_has_gone_on_misses_nothing(path: Path) -> None:
    """The same backup is restored twice, and each time the store is further, in readings and in notes, than
    the mirror had come before when the mirror looks."""
    copy = path.with_suffix(".backup")
    with open_writer(path, "UTC") as writer:
        writer.append(volts(NOON + number * 5000) for number in range(10))
        writer.commit()
        mirror = Mirror(path)
        mirror.catch_up()
    back_up(path, copy, lambda done, total: None)
    for turn in (1, 2):
        with open_writer(path, "UTC") as writer:
            for number in range(5):
                writer.append([volts(NOON + 100_000 + number), volts(NOON + turn * 10 + number)])
                writer.commit()
        mirror.catch_up()
        restore(path, copy, path.with_suffix(f".{turn}"), lambda done, total: None, NOON + turn * HOUR_MS)
        new = [volts(NOON + 60_000 + number, 11.0 + turn) for number in range(100)]
        late = [volts(NOON + 1000 * number + turn, 10.0) for number in range(1, 10)]
        with open_writer(path, "UTC") as writer:
            for reading in [*new, volts(NOON + 200_000), *late]:
                writer.append([reading])
                writer.commit()
        given = mirror.again()
        assert set(given) == {value for value in stored(path) if value[0] > NOON + 45_000 or value[0] % 1000}
        assert len(given) == len(set(given))


def test_notes_are_dropped_once_every_mirror_has_heard_them(path: Path) -> None:
    def notes() -> int:
        with closing(sqlite3.connect(path)) as ask:
            return int(ask.execute("SELECT count(*) FROM late").fetchone()[0])

    with open_writer(path, "UTC") as writer:
        writer.append([volts(NOON)])
        writer.commit()
        writer.append([volts(NOON - 1)])
        writer.commit()
        assert notes() == 0, "nobody listens"
        enrol(path, ["hub", "far"])
        for number in (2, 3):
            writer.append([volts(NOON - number)])
            writer.commit()
        assert notes() == 2
        with closing(sqlite3.connect(path)) as ask:
            first, last = ask.execute("SELECT min(id), max(id) FROM late").fetchone()
        note_heard(path, "hub", last)
        assert notes() == 2, "the other has heard none"
        note_heard(path, "far", first)
        assert notes() == 1
        keep_only(path, ["hub"])
        assert notes() == 0


def test_a_mirror_that_was_taken_out_and_put_back_is_given_all_anew(path: Path) -> None:
    with open_writer(path, "UTC") as writer:
        writer.append([volts(NOON)])
        writer.commit()
    key = enrol(path, ["hub"])["hub"]
    assert enrol(path, ["hub"])["hub"] == key
    enrol(path, ["other"])
    assert enrol(path, ["hub", "other"])["hub"] != key


def test_an_event_is_kept_once_however_often_it_is_told(path: Path) -> None:
    with open_writer(path, "UTC") as writer:
        writer.commit()
        for _ in range(2):
            tell(path, Event(NOON, "mirror", "hub", "The server takes nothing."))
        assert len(writer.events(0, NOON + 1)) == 1


def test_how_long_readings_have_waited_is_known(path: Path) -> None:
    with open_writer(path, "UTC") as writer:
        writer.append([volts(NOON), volts(NOON + 5000)])
        writer.commit()
        mirror = Mirror(path)
        with snapshot(path) as ask:
            assert oldest_waiting(ask, mirror.place, everything) == NOON
        mirror.catch_up()
        with snapshot(path) as ask:
            assert oldest_waiting(ask, mirror.place, everything) is None
        writer.append([volts(NOON + 9000)])
        writer.commit()
    with snapshot(path) as ask:
        assert oldest_waiting(ask, mirror.place, everything) == NOON + 5001
