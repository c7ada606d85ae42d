"""Packed spans and tiers beside a plain model: a dictionary of readings that answers the same questions.

Readings come in order, late, twice, out of order, are replaced, and are packed meanwhile; whatever was packed
when, the store must answer as the model does. Packing is made to go in small pieces, so that many states
between are met; the seed of a failure is in its message.
"""

from __future__ import annotations

import random
import sqlite3
from bisect import bisect_left
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.errors import StoreError
from monitor.records import Quality, Reading, Series, to_datetime, to_ms
from monitor.store import packing
from monitor.store import writer as writing
from monitor.store.embedded import EmbeddedReader, open_importer, open_reader, open_writer
from monitor.store.queries import DAYS, ENDS, OPEN_DAYS
from monitor.store.schema import MIGRATIONS, migrate
from monitor.store.writer import EmbeddedWriter
from monitor.store.zoom import COARSER, RAW_UP_TO_MS, grid_of

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
VOLTAGE, CURRENT, STAGE, SOC = "battery_voltage_V", "battery_current_A", "charge_stage", "state_of_charge"
PER_UNIT = {VOLTAGE: 1000, CURRENT: 1000, STAGE: 1, SOC: 1_000_000}
"""Steps in a unit, as `steps.py` says."""
DEVICES = ("shunt", "charger", "import", "derived", "estimate")
"""In order of rank."""

Channel = tuple[str, str]


@dataclass
class Model:
    """All readings by channel and time, and what follows from them, the plain way."""

    zone: ZoneInfo
    kept: dict[Channel, dict[int, Reading]] = field(default_factory=dict)

    def add(self, readings: Iterable[Reading]) -> None:
        for reading in readings:
            self.kept.setdefault((reading.device, reading.quantity), {}).setdefault(reading.time_ms, reading)

    def replace(self, device: str, start_ms: int, end_ms: int, readings: Iterable[Reading]) -> None:
        for channel, there in self.kept.items():
            if channel[0] == device:
                for time_ms in [at for at in there if start_ms <= at < end_ms]:
                    del there[time_ms]
        self.add(readings)

    def steps(self, channel: Channel) -> dict[int, int]:
        """The channel's good readings in whole steps, in order of time."""
        there = self.kept.get(channel, {})
        return {
            at: round((there[at].value or 0) * PER_UNIT[channel[1]])
            for at in sorted(there)
            if there[at].quality is Quality.GOOD
        }

    def channels(self, quantity: str) -> list[Channel]:
        return [(device, quantity) for device in DEVICES if self.steps((device, quantity))]

    def readings(self, start_ms: int, end_ms: int) -> list[Reading]:
        """In order of time, rank and quantity."""
        names = list(PER_UNIT)
        found = [
            each for there in self.kept.values() for at, each in there.items() if start_ms <= at < end_ms
        ]
        return sorted(found, key=lambda r: (r.time_ms, DEVICES.index(r.device), names.index(r.quantity)))

    def rows(self, quantities: list[str], start_ms: int, end_ms: int) -> list[tuple[int, dict[str, float]]]:
        merged: dict[int, dict[str, float]] = {}
        for quantity in quantities:
            for channel in self.channels(quantity):
                for at, steps in self.steps(channel).items():
                    if start_ms <= at < end_ms:
                        merged.setdefault(at, {}).setdefault(quantity, steps / PER_UNIT[quantity])
        return sorted(merged.items())

    def averaged(
        self, quantities: list[str], start_ms: int, end_ms: int, step_ms: int
    ) -> list[tuple[int, dict[str, float]]]:
        merged: dict[int, dict[str, float]] = {}
        for quantity in quantities:
            for channel in self.channels(quantity):
                held: dict[int, list[int]] = {}
                for at, steps in self.steps(channel).items():
                    if start_ms <= at < end_ms:
                        held.setdefault(start_ms + (at - start_ms) // step_ms * step_ms, []).append(steps)
                for at, values in held.items():
                    value = max(values) if quantity == STAGE else sum(values) / len(values)
                    merged.setdefault(at, {}).setdefault(quantity, value / PER_UNIT[quantity])
        return sorted(merged.items())

    def days(self, channel: Channel) -> Iterator[tuple[date, list[tuple[int, int]]]]:
        """The channel's readings by local day."""
        by_day: dict[date, list[tuple[int, int]]] = {}
        for at, steps in self.steps(channel).items():
            by_day.setdefault(to_datetime(at).astimezone(self.zone).date(), []).append((at, steps))
        yield from sorted(by_day.items())


def gap_limit_ms(times: list[int]) -> int:
    """Three times the day's median interval (the higher one of two), five minutes at least."""
    intervals = sorted(after - before for before, after in pairwise(times))
    return max(300_000, 3 * intervals[len(intervals) // 2]) if intervals else 300_000


def silences(model: Model, channel: Channel) -> list[tuple[int, int]]:
    """Neighbours further apart than the limit of the day in which the later one lies."""
    found: list[tuple[int, int]] = []
    last_ms: int | None = None
    for _, readings in model.days(channel):
        times = [at for at, _ in readings]
        limit_ms = gap_limit_ms(times)
        if last_ms is not None:
            times.insert(0, last_ms)
        found += [pair for pair in pairwise(times) if pair[1] - pair[0] > limit_ms]
        last_ms = times[-1]
    return found


def check_series(
    model: Model,
    reader: EmbeddedReader,
    channel: Channel,
    start_ms: int,
    end_ms: int,
    points: int,
    where: str,
) -> Series:
    """Every bucket holds exactly the model's readings between its edges, and no reading is left out."""
    device, quantity = channel
    series = reader.series(quantity, start_ms, end_ms, points, device=device)
    inside = {at: steps for at, steps in model.steps(channel).items() if start_ms <= at < end_ms}
    times = list(inside)
    assert len(series.buckets) <= points, where
    assert sum(bucket.count for bucket in series.buckets) == len(times), where
    reached = start_ms
    for bucket in series.buckets:
        assert reached <= bucket.start_ms < bucket.end_ms <= end_ms, where
        reached = bucket.end_ms
        held = [
            inside[at]
            for at in times[bisect_left(times, bucket.start_ms) : bisect_left(times, bucket.end_ms)]
        ]
        per_unit = PER_UNIT[quantity]
        assert bucket.count == len(held), where
        assert (bucket.minimum, bucket.maximum) == (min(held) / per_unit, max(held) / per_unit), where
        assert bucket.mean == sum(held) / len(held) / per_unit, where
    equal_ms = -(-(end_ms - start_ms) // points)
    if end_ms - start_ms <= RAW_UP_TO_MS:
        edges = {(bucket.start_ms - start_ms) % equal_ms for bucket in series.buckets}
        assert edges <= {0}, where
    else:
        widest_ms = max((bucket.end_ms - bucket.start_ms for bucket in series.buckets), default=0)
        assert widest_ms <= COARSER * equal_ms + HOUR_MS, (
            f"{where}: a day with a clock change is an hour longer"
        )
        if widest_ms > equal_ms:
            expected = [pair for pair in silences(model, channel) if start_ms <= pair[0] and pair[1] < end_ms]
            assert list(series.gaps) == expected, where
    return series


def check_days(model: Model, reader: EmbeddedReader, where: str) -> None:
    """Each day's count, extremes, ends and integral, by the best-ranked device of the day."""
    found = {(stat.day, stat.quantity): stat for stat in reader.days(date(2026, 1, 1), date(2027, 12, 31))}
    best: dict[tuple[date, str], tuple[str, list[tuple[int, int]]]] = {}
    for quantity in PER_UNIT:
        for channel in model.channels(quantity):
            for day, readings in model.days(channel):
                best.setdefault((day, quantity), (channel[0], readings))
    assert found.keys() == best.keys(), where
    for key, (device, readings) in best.items():
        stat, per_unit = found[key], PER_UNIT[key[1]]
        values = [steps for _, steps in readings]
        assert (stat.device, stat.count) == (device, len(readings)), where
        assert (stat.minimum, stat.maximum) == (min(values) / per_unit, max(values) / per_unit), where
        assert (stat.first, stat.last) == (values[0] / per_unit, values[-1] / per_unit), where
        assert stat.mean == sum(values) / len(values) / per_unit, where
        limit_ms = gap_limit_ms([at for at, _ in readings])
        inside = sum(
            (former[1] + latter[1]) / 2 * (latter[0] - former[0])
            for former, latter in pairwise(readings)
            if latter[0] - former[0] <= limit_ms
        )
        covered_ms = sum(b - a for a, b in pairwise([at for at, _ in readings]) if b - a <= limit_ms)
        beside_ms = stat.covered_s * 1000 - covered_ms
        assert -0.01 <= beside_ms <= 2 * limit_ms, f"{where}: what is joined across midnight"
        if beside_ms < 0.01:
            assert stat.integral_h == pytest.approx(inside / per_unit / HOUR_MS, rel=1e-9, abs=1e-9), where


def check_all(model: Model, reader: EmbeddedReader, rng: random.Random, where: str) -> None:
    """A few random questions of every kind."""
    times = [at for there in model.kept.values() for at in there]
    if not times:
        return
    first, last = min(times), max(times)
    assert reader.span() == (first, last), where
    for _ in range(6):
        start, end = sorted((rng.randint(first - HOUR_MS, last), rng.randint(first, last + DAY_MS)))
        if rng.random() < 0.3:
            end = start + rng.choice((HOUR_MS, 5 * HOUR_MS, DAY_MS, 26 * HOUR_MS, 30 * HOUR_MS))
        end = max(end, start + 1)
        if rng.random() < 0.3:
            start, end = (at // HOUR_MS * HOUR_MS for at in (start, end + HOUR_MS))
        channel = rng.choice([channel for channel, there in model.kept.items() if there])
        points = rng.choice((1, 2, 7, 31, 100, 600))
        check_series(
            model, reader, ("estimate", SOC), first, last + 1, points, f"{where}, all of SOC in {points}"
        )
        check_series(model, reader, channel, start, end, points, f"{where}, {channel} {start} {end} {points}")
        quantities = rng.sample(list(PER_UNIT), 2)
        span = f"{where}, {quantities} {start} {end}"
        assert list(reader.rows(quantities, start, end)) == model.rows(quantities, start, end), span
        step_s = rng.choice((1, 60, 300, 3600, 5000))
        averaged = list(reader.rows(quantities, start, end, every_s=step_s))
        assert averaged == model.averaged(quantities, start, end, step_s * 1000), f"{span} by {step_s} s"
        start = max(start, end - 10 * HOUR_MS)
        assert list(reader.readings(start, end)) == model.readings(start, end), span
    check_days(model, reader, where)


# --- random histories ------------------------------------------------------------------------------------

POLLED = {"shunt": (60, (VOLTAGE, CURRENT)), "charger": (120, (VOLTAGE, STAGE)), "estimate": (300, (SOC,))}
"""How often each device is read, in s, and what it gives."""

REPLACED_AT_ONCE = 10
"""As many readings a replacing takes at once here, so that packing goes on while it lasts."""

ZONES = ("Europe/London", "Australia/Lord_Howe", "America/Havana", "UTC")
"""With clock changes by an hour, by half an hour, at midnight, and without (IANA time zone database)."""


def any_reading(rng: random.Random, time_ms: int, device: str, quantity: str) -> Reading:
    kind = rng.random()
    if kind < 0.01:
        return Reading(time_ms, device, quantity, None, Quality.MISSING, "no answer")
    if kind < 0.02:
        return Reading(time_ms, device, quantity, 79.0, Quality.SUSPECT, "jump")
    if quantity == STAGE:
        return Reading(time_ms, device, quantity, float(rng.choice((1, 1, 1, 2))))
    if quantity == SOC:
        return Reading(time_ms, device, quantity, round(rng.uniform(0.4, 0.9), 6))
    noise = rng.gauss(0, 0.05) if kind < 0.99 else rng.uniform(-20, 20)
    return Reading(time_ms, device, quantity, round(13 + noise, 2))


def polled(rng: random.Random, start_ms: int, end_ms: int, jitter_ms: int) -> list[Reading]:
    """What the devices give in [start, end), in order of time; one falls silent now and then."""
    found = []
    for device, (every_s, quantities) in POLLED.items():
        silent_ms = rng.randint(start_ms, end_ms) if rng.random() < 0.15 else end_ms
        for slot in range(start_ms // (every_s * 1000) + 1, end_ms // (every_s * 1000)):
            at = slot * every_s * 1000 + rng.randint(0, jitter_ms)
            if at < silent_ms:
                found += [any_reading(rng, at, device, quantity) for quantity in quantities]
    return sorted(found, key=lambda reading: reading.time_ms)


@pytest.mark.parametrize("part", range(4))
def test_whatever_comes_when_and_is_packed_when_the_answers_are_those_of_a_plain_dictionary(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, part: int, seed: int
) -> None:
    rng = random.Random(seed)
    where = f"part {part}, seed {seed}"
    monkeypatch.setattr(packing, "AT_ONCE", rng.choice((200, 200, 1000)))
    monkeypatch.setattr(packing, "A_NEW_ONE", rng.choice((0, 0, 3)))
    monkeypatch.setattr(writing, "REPLACED_AT_ONCE", REPLACED_AT_ONCE)
    zone, jitter_ms = ZONES[part], rng.choice((0, 0, 1500))
    path, model = tmp_path / "store.db", Model(ZoneInfo(zone))
    # the clocks go back on 4 October in neither, on 25 October (London) and 1 November 2026 (Havana), forward
    # on 4 October (Lord Howe)
    start_ms = to_ms(datetime(2026, *{1: (10, 2), 2: (10, 30)}.get(part, (10, 23)), 18, tzinfo=UTC))
    writer, now_ms, held_back = open_writer(path, zone), start_ms, list[Reading]()
    writer.rank_devices(DEVICES[:2])
    try:
        while now_ms < start_ms + 4 * DAY_MS:
            until_ms = now_ms + rng.randint(20, 300) * 60_000
            coming, now_ms = polled(rng, now_ms, until_ms, jitter_ms), until_ms
            if rng.random() < 0.1:
                late = rng.choice(list(POLLED))
                held_back += [reading for reading in coming if reading.device == late]
                coming = [reading for reading in coming if reading.device != late]
            if rng.random() < 0.2:
                rng.shuffle(held_back)
                coming += held_back[:40]
                del held_back[:40]
            if rng.random() < 0.25:
                from_ms = rng.choice((rng.randint(start_ms - DAY_MS, now_ms), _oldest_row_ms(path, now_ms)))
                times = [from_ms + slot * 90_000 for slot in range(rng.randrange(200))]
                imported = [any_reading(rng, at, "import", VOLTAGE) for at in times]
                model.add(imported)
                with open_importer(path, zone) as importer:
                    importer.append(imported)
                    importer.commit()
            if rng.random() < 0.2:
                there = [reading for kept in model.kept.values() for reading in kept.values()]
                again = rng.choices(there, k=20) if there else []
                coming += again
                coming += [any_reading(rng, each.time_ms, each.device, each.quantity) for each in again]
            if rng.random() < 0.3:
                rng.shuffle(coming)
            writer.append(coming)
            model.add(coming)
            if rng.random() < 0.1:
                _commit_on_a_full_disk(writer)
            writer.commit()
            if rng.random() < 0.15:
                ends = sorted(rng.randint(start_ms - HOUR_MS, now_ms + HOUR_MS) for _ in range(2))
                times = sorted({rng.randint(ends[0], ends[1]) for _ in range(rng.choice((0, 0, 100)))})
                new = [any_reading(rng, at, "estimate", SOC) for at in times]
                writer.replace("estimate", ends[0], ends[1] + 1, new)
                model.replace("estimate", ends[0], ends[1] + 1, new)
            if rng.random() < 0.1:
                _replace_and_break_off(writer, rng, start_ms, now_ms)
            if rng.random() < 0.1:
                writer.close()
                writer = open_writer(path, zone)
            if rng.random() < 0.12:
                with open_reader(path) as reader:
                    check_all(model, reader, rng, f"{where}, at {now_ms}")
                    assert writer.latest() == reader.latest(), where
        last = [any_reading(rng, now_ms + DAY_MS, "shunt", VOLTAGE)]
        model.add([*held_back, *last])
        writer.append(held_back)
        monkeypatch.setattr(packing, "AT_ONCE", 5000)
        for _ in range(50):
            writer.append(last)
            writer.commit()
        with open_reader(path) as reader:
            check_all(model, reader, rng, f"{where}, all packed")
            first, last = reader.span() or (0, 0)
            assert list(reader.readings(first, last + 1)) == model.readings(first, last + 1), where
            for channel in model.kept:
                check_series(model, reader, channel, first, last + 1, 600, f"{where}, {channel} at the end")
        _check_all_packed(path, model, now_ms, where)
    finally:
        writer.close()


def _oldest_row_ms(path: Path, otherwise_ms: int) -> int:
    """Where packing is at work."""
    with closing(sqlite3.connect(path)) as file:
        (time_ms,) = file.execute("SELECT min(time_ms) FROM poll").fetchone()
    return time_ms or otherwise_ms


def _replace_and_break_off(writer: EmbeddedWriter, rng: random.Random, start_ms: int, end_ms: int) -> None:
    """All estimates are taken out and some put in, some of it is packed, and then it comes to nothing."""

    def breaking() -> Iterator[Reading]:
        for _ in range(2 * REPLACED_AT_ONCE):
            yield any_reading(rng, rng.randint(start_ms, end_ms), "estimate", SOC)
        yield any_reading(rng, end_ms, "estimate", SOC)
        raise KeyboardInterrupt

    with suppress(KeyboardInterrupt):
        writer.replace("estimate", 0, end_ms + 1, breaking())


def _commit_on_a_full_disk(writer: EmbeddedWriter) -> None:
    """max_page_count makes SQLite itself answer 'full', where the commit needs a page more."""
    ask = writer._connection.execute
    (pages,) = ask("PRAGMA page_count").fetchone()
    ask(f"PRAGMA max_page_count = {pages}")
    with suppress(StoreError):
        writer.commit()
    ask("PRAGMA max_page_count = 1000000")


def _check_all_packed(path: Path, model: Model, now_ms: int, where: str) -> None:
    """Only the last, lone reading stands in a row; each day that ended has tiers, and all is sound."""
    with closing(sqlite3.connect(path)) as file:
        (rows,) = file.execute("SELECT count(*) FROM poll WHERE time_ms < ?", (now_ms,)).fetchone()
        assert rows == 0, where
        tiers = file.execute("SELECT count(*) FROM tier").fetchone()
        ended = now_ms // DAY_MS + 1
        days = {
            (channel, at // DAY_MS)
            for channel in model.kept
            for at in model.steps(channel)
            if at // DAY_MS < ended
        }
        assert tiers == (len(days),), where
        assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)], where


def packed(writer: EmbeddedWriter, from_ms: int) -> None:
    """Let readings come, a commit each, until all of the days before from_ms is packed."""
    for number in range(20):
        writer.append([Reading(from_ms + number * 10_000, "charger", VOLTAGE, 12.5)])
        writer.commit()
    assert _packed_until(writer.path, from_ms // DAY_MS * DAY_MS)


def test_a_day_in_even_five_minutes_is_the_same_from_its_tier_and_from_its_readings(tmp_path: Path) -> None:
    """The same day asked for in 288 points, which the tier answers, and 1 ms longer, which it does not."""
    start_ms = 1_795_478_400_000  # 2026-11-24T00:00:00Z
    end_ms = start_ms + 24 * HOUR_MS
    with open_writer(tmp_path / "store.db", "Europe/London") as writer:
        for at in range(start_ms, start_ms + 30 * HOUR_MS, 10_000):
            value = 12 + (at // 10_000 * 7 % 101) / 100
            writer.append([Reading(at, "charger", VOLTAGE, value)])
        packed(writer, start_ms + 30 * HOUR_MS)

        def london() -> ZoneInfo:
            return ZoneInfo("Europe/London")

        assert grid_of(london, start_ms, end_ms, 288) is not None
        assert grid_of(london, start_ms, end_ms, 287) is None
        even = writer.series(VOLTAGE, start_ms, end_ms, 288)
        raw = writer.series(VOLTAGE, start_ms, end_ms - 1, 288)
    assert [bucket.start_ms for bucket in even.buckets] == list(range(start_ms, end_ms, 300_000))
    assert even.buckets[:-1] == raw.buckets[:-1]


def test_the_silences_of_a_packed_day_are_those_of_its_readings_wherever_its_blocks_end(
    tmp_path: Path,
) -> None:
    """An hour; then less than a minute within a block of six hours, shortly before the end of one, and across
    the end of one: such are looked for among the readings of one bucket."""
    start_ms, ask_ms = 1_795_478_400_000, 1_795_478_470_000  # 2026-11-24T00:00:00Z, where a block begins
    silent_s = [(3_700, 3_750), (7_200, 10_800), (21_540, 21_590), (43_180, 43_230)]
    with open_writer(tmp_path / "store.db", "Europe/London") as writer:
        for second in range(0, 30 * 3600, 10):
            if not any(begin < second < end for begin, end in silent_s):
                writer.append([Reading(start_ms + 1000 * second, "charger", VOLTAGE, 12.5)])
        packed(writer, start_ms + 30 * HOUR_MS)
        series = writer.series(VOLTAGE, ask_ms, ask_ms + 24 * HOUR_MS, 97)
    assert series.gaps == tuple((start_ms + 1000 * begin, start_ms + 1000 * end) for begin, end in silent_s)


def test_a_device_that_is_read_a_day_late_has_a_span_packed_once_and_not_with_each_commit(
    tmp_path: Path,
) -> None:
    """The charger is read each minute, the shunt's day of yesterday along with it, for twelve hours."""
    path, seen = tmp_path / "store.db", dict[int, list[bytes]]()
    start_ms = 1_795_478_400_000  # 2026-11-24T00:00:00Z, where a span begins
    late_ms = 24 * HOUR_MS
    with open_writer(path, "UTC") as writer, closing(sqlite3.connect(path)) as file:
        for minute in range(-24 * 60, 12 * 60):
            at = start_ms + minute * 60_000
            writer.append([Reading(at, "charger", VOLTAGE, 13.0)])
            if minute >= 0:
                writer.append([Reading(at - late_ms, "shunt", CURRENT, minute % 7 / 10)])
            writer.commit()
            if minute >= 0:
                for span, head, body in file.execute("SELECT span, head, body FROM block"):
                    states = seen.setdefault(span, [])
                    if not states or states[-1] != head + body:
                        states.append(head + body)
        late = [reading for reading in writer.readings(0, start_ms) if reading.device == "shunt"]
    assert len(late) == 12 * 60
    first = (start_ms - late_ms) // packing.SPAN_MS
    assert [len(seen[first + number]) for number in range(2)] == [2, 1], (
        "with the charger's; then the shunt's"
    )


def test_on_a_disk_that_has_room_for_readings_but_not_for_packing_the_readings_land(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """max_page_count makes SQLite itself answer 'full'; a block of noise needs more pages than it leaves."""
    path, rng = tmp_path / "store.db", random.Random(20261126)
    start_ms = 1_795_478_400_000  # 2026-11-24T00:00:00Z, where a span begins
    monkeypatch.setattr(packing, "AT_ONCE", 0)
    monkeypatch.setattr(packing, "A_NEW_ONE", 0)
    with open_writer(path, "UTC") as writer:
        for at in range(start_ms, start_ms + 7 * HOUR_MS, 2000):
            writer.append([Reading(at, "charger", VOLTAGE, rng.randrange(16_000_000) / 1000)])
        writer.commit()
        monkeypatch.setattr(packing, "AT_ONCE", 100_000)
        ask = writer._connection.execute
        (pages,) = ask("PRAGMA page_count").fetchone()
        ask(f"PRAGMA max_page_count = {pages + 2}")
        last_ms, refused = start_ms + 8 * HOUR_MS, list[str]()
        for number in range(6):
            writer.append([Reading(last_ms + number, "charger", VOLTAGE, 13.0)])
            try:
                writer.commit()
            except StoreError as error:
                refused.append(str(error))
        assert refused, "packing was due and had no room"
        assert all("the disk is full" in said for said in refused)
        assert ask("SELECT count(*) FROM block").fetchone() == (0,)
        with open_reader(path) as reader:
            assert reader.span() == (start_ms, last_ms + 5)
        ask("PRAGMA max_page_count = 1000000")
        for number in range(6, 9):
            writer.append([Reading(last_ms + number, "charger", VOLTAGE, 13.0)])
            writer.commit()
        assert ask("SELECT count(*) FROM block").fetchone() == (1,)


# --- stores from before ----------------------------------------------------------------------------------


def make_old(path: Path, new: Path, before: str) -> None:
    """A store of the version before a step, with the rows and days of a new one that has packed nothing."""
    (version,) = (place for place, step in enumerate(MIGRATIONS) if step.name == before)
    tables = {table: table for table in ("meta", "device", "reason", "flawed", "poll")}
    tables["channel"] = f"({ENDS})"
    with closing(sqlite3.connect(path, isolation_level=None)) as file, closing(sqlite3.connect(new)) as rows:
        migrate(file, path, MIGRATIONS[:version])
        assert rows.execute("SELECT count(*) FROM block").fetchone() == (0,)
        for (number,) in rows.execute("SELECT id FROM channel ORDER BY id"):
            file.execute(f"ALTER TABLE poll ADD COLUMN c{number} INTEGER")
        for table, source in [*tables.items(), ("day", "day"), ("day", OPEN_DAYS)]:
            columns = [row[1] for row in file.execute(f"PRAGMA table_info({table})")]
            file.executemany(
                f"INSERT OR REPLACE INTO {table} ({', '.join(columns)})"
                f" VALUES ({', '.join('?' for _ in columns)})",
                rows.execute(f"SELECT {', '.join(columns)} FROM {source}"),
            )


@pytest.mark.parametrize("before", ["packed blocks and tiers", "what every commit changes, together"])
def test_an_old_store_answers_at_once_and_is_packed_bit_by_bit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, before: str, seed: int
) -> None:
    rng = random.Random(seed)
    where = f"seed {seed}"
    start_ms = to_ms(datetime(2026, 10, 23, 18, tzinfo=UTC))
    end_ms = start_ms + 4 * DAY_MS
    new, old, model = tmp_path / "new.db", tmp_path / "store.db", Model(ZoneInfo("Europe/London"))
    readings = polled(rng, start_ms, end_ms, 0)
    model.add(readings)
    monkeypatch.setattr(packing, "AT_ONCE", 0)
    monkeypatch.setattr(packing, "A_NEW_ONE", 0)
    with open_writer(new, "Europe/London") as writer:
        writer.rank_devices(DEVICES[:2])
        writer.append(readings)
        writer.commit()
        known = writer.days(date(2026, 1, 1), date(2027, 1, 1))
    make_old(old, new, before)
    monkeypatch.setattr(packing, "AT_ONCE", 500)
    with open_writer(old, "Europe/London") as writer, open_reader(old) as reader:
        assert reader.days(date(2026, 1, 1), date(2027, 1, 1)) == known, where
        check_all(model, reader, rng, f"{where}, nothing packed")
        blocks, commits = 0, 0
        while not _packed_until(old, end_ms - DAY_MS):
            beat = [Reading(end_ms + commits * 1000, "derived", VOLTAGE, 13.0)]
            model.add(beat)
            writer.append(beat)
            writer.commit()
            commits += 1
            with closing(sqlite3.connect(old)) as file:
                (now,) = file.execute("SELECT count(*) FROM block").fetchone()
            assert commits < 3000, f"{where}: the packing does not come to its end"
            assert now <= blocks + 1, f"{where}: one block a commit, where a span holds more than 500"
            blocks = now
            if commits % 25 == 0:
                check_all(model, reader, rng, f"{where}, {commits} commits")
        assert commits > 20, where
        check_all(model, reader, rng, f"{where}, packed")
    ended = to_datetime(end_ms - DAY_MS).date().toordinal()
    days = []
    for path in (new, old):
        with closing(sqlite3.connect(path)) as file:
            both = f"SELECT {DAYS} FROM day UNION SELECT {DAYS} FROM {OPEN_DAYS}"
            days.append(file.execute(f"{both} ORDER BY channel, day").fetchall())
        days[-1] = [row for row in days[-1] if row[0] < ended]
    assert days[0] == days[1] != [], f"{where}: the days know of their gaps what they would know by now"


def _packed_until(path: Path, until_ms: int) -> bool:
    """Whether all before a moment stands in blocks and the days before it know where their gaps are."""
    with closing(sqlite3.connect(path)) as file:
        (rows,) = file.execute("SELECT count(*) FROM poll WHERE time_ms < ?", (until_ms,)).fetchone()
        sql = "SELECT count(*) FROM day WHERE gaps IS NULL AND day < ?"
        (unknown,) = file.execute(sql, (to_datetime(until_ms).date().toordinal(),)).fetchone()
    return bool(rows == unknown == 0)
