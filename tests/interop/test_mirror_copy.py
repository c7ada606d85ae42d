"""A mirror's copy on a real server, read as a store, answers every question as the store itself does.

Three weeks with a change of the clocks, holes, readings that are late by hours and by days, flawed ones,
estimates made anew and every kind of record, sent piece by piece as they land to influxdb 1.6.7.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from monitor.notices.secrets import Secrets
from monitor.records import (
    AlarmState,
    DeviceHealth,
    Event,
    LogEntry,
    Notice,
    Quality,
    Reading,
    Request,
    Transition,
    parse_iso,
)
from monitor.served.reader import open_served_reader
from monitor.site.server_table import ServerKeys
from monitor.store.base import StoreReader
from monitor.store.embedded import leave_request, open_reader, open_writer
from monitor.store.mirrored_records import record
from monitor.store.writer import EmbeddedWriter
from tests.interop.mirror_world import BUCKET, SITE, mirroring
from tests.interop.series_servers import Gate, Influx

ZONE = "Europe/London"
START_MS = parse_iso("2026-10-12T09:17:00Z")  # the clocks go back on the 25th
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
END_MS = START_MS + 20 * DAY_MS + 5 * HOUR_MS + 123
FIRST, LAST = date(2026, 10, 11), date(2026, 11, 3)
EVER_MS = 2**50
ABOUT = record(
    "site", "", f'{{"name": "Marsh hide, east = wet", "time_zone": "{ZONE}", "file": "", "origin": "mirror"}}'
)
DEVICES = {  # every so many seconds; values in hundredths from, to
    "shunt": (120, {"battery_voltage_V": (1150, 1480), "battery_current_A": (-900, 1200)}),
    "Scheune Süd, 2": (300, {"battery_voltage_V": (1150, 1480), "charge_stage": (0, 5)}),
    "derived": (600, {"charge_power_W": (0, 20_000)}),
    "estimate": (600, {"state_of_charge": (40, 100)}),
}
QUANTITIES = ("battery_voltage_V", "battery_current_A", "charge_stage", "charge_power_W", "state_of_charge")


def readings_of(rng: random.Random) -> list[tuple[int, Reading]]:
    """Each reading with when it lands."""
    found = []
    for device, (every_s, quantities) in DEVICES.items():
        for time_ms in range(START_MS, END_MS, every_s * 1000):
            hour = (time_ms - START_MS) // HOUR_MS
            if hour % 97 in (20, 21, 22) or rng.random() < 0.02:  # a hole of hours; a lost poll
                continue
            jitter_ms = rng.choice((0, 0, 7, 250))
            late_ms = rng.choice([0] * 40 + [rng.randint(0, 3 * HOUR_MS), rng.randint(0, 4 * DAY_MS)])
            for quantity, (least, most) in quantities.items():
                drawn = rng.randint(least, most)
                value = float(drawn) if quantity == "charge_stage" else drawn / 100
                reading = Reading(time_ms + jitter_ms, device, quantity, value)
                if rng.random() < 0.01:
                    reading = replace(reading, quality=Quality.SUSPECT, reason='says "no", it\\s odd')
                elif rng.random() < 0.01:
                    reading = replace(reading, value=None, quality=Quality.MISSING, reason="silent")
                found.append((time_ms + late_ms, reading))
    return sorted(found, key=lambda each: (each[0], each[1].time_ms))


def live_a_day(path: Path, writer: EmbeddedWriter, day: int, rng: random.Random) -> None:
    """What else happens."""
    now_ms = START_MS + day * DAY_MS
    writer.rank_devices(["shunt", "Scheune Süd, 2"])
    for number in range(rng.randint(1, 9)):
        text = f'Day {day}: "{number}" lamps, \\ and\na second line; ä'
        writer.add_event(Event(now_ms + number // 3, "device", "shunt", text))
    for name in ("low voltage", "a, b = c"):
        state = rng.choice(("normal", "unacknowledged"))
        writer.put_alarm(AlarmState(name, state, now_ms, "high", 11.5, "It's low.", raised_ms=now_ms))
        for cause in ("raised", "returned"):
            writer.add_transition(
                Transition(now_ms, name, "normal", state, cause, "high", "", {"battery_voltage_V": 11.5})
            )
    for device in ("Scheune Süd, 2", "shunt"):
        writer.put_health(
            DeviceHealth(device, "port", "answering", START_MS, now_ms, 3.5, day, {"late": day})
        )
    writer.put_note("heartbeat", str(now_ms))
    writer.put_note("long", f'"{day}" ' * 60_000)
    writer.put_note(f"days/2026-10-{day + 1:02d}", f'{{"day": {day}}}')
    writer.add_log_entry(LogEntry(now_ms, "water", f"{day}", {"water_L": 0.5}, "me", now_ms))
    if day % 5 == 4:
        entry = rng.choice(writer.log(0, EVER_MS))
        writer.put_log_entry(replace(entry, text="other", former=(replace(entry, id=0),), written_ms=now_ms))
    for _ in range(2):
        leave_request(path, Request(now_ms, "shelve", "low voltage", {"hours": 2.0}, "me"))
        writer.add_notice(
            Notice(now_ms, "alarm", "low", "high", "phone", "Low", f"Day {day}.", "due", now_ms)
        )
    for each in writer.open_requests()[:-1]:
        writer.put_request(replace(each, done_ms=now_ms, outcome="Done."))
    for each in writer.open_notices()[:-1]:
        writer.put_notice(replace(each, state="delivered", finished_ms=now_ms))
    writer.forget_notices(now_ms - 9 * DAY_MS)


Both = tuple[StoreReader, StoreReader]


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory, influx: Influx, opened_gate: Gate) -> Iterator[Both]:
    """The store and its copy."""
    influx.ask(f"DROP DATABASE {BUCKET}")
    influx.ask(f"CREATE DATABASE {BUCKET}")
    rng = random.Random(11)
    path = tmp_path_factory.mktemp("copied") / "nightbank.db"
    coming = readings_of(rng)
    with open_writer(path, ZONE) as writer:
        at = 0
        for day in range(21):
            until_ms = START_MS + (day + 1) * DAY_MS
            after = next((n for n in range(at, len(coming)) if coming[n][0] >= until_ms), len(coming))
            live_a_day(path, writer, day, rng)
            writer.append(reading for _, reading in coming[at:after])
            writer.commit()
            at = after
            if day in (9, 13, 18):  # estimates are made anew, some of what was sent, some of what was not
                start_ms = until_ms - 4 * DAY_MS - 1_234_567
                new = (
                    Reading(time_ms, "estimate", "state_of_charge", rng.randint(40, 100) / 100)
                    for time_ms in range(start_ms, until_ms - HOUR_MS, 777_000)
                )
                writer.replace("estimate", start_ms, until_ms, new)
            if day % 3 == 1:  # a new process each time, some ended in the middle
                with mirroring(path, opened_gate.url, site=ABOUT, send=["all"]) as mirror:
                    for _ in range(rng.randint(5, 15)):
                        mirror.sender.step()
                        assert not mirror.sender.error
                    if day % 2:
                        mirror.sender.close()
        writer.append(reading for _, reading in coming[at:])
        writer.commit()
    with mirroring(path, opened_gate.url, site=ABOUT, send=["all"]) as mirror:
        mirror.catch_up()
    keys = ServerKeys.model_validate({"url": opened_gate.url, "bucket": BUCKET})
    with open_reader(path) as store, open_served_reader(keys, SITE, Secrets(Path("none")), Path()) as copy:
        yield store, copy


def test_newest_readings_alarms_and_health_are_the_same(both: Both) -> None:
    store, copy = both
    assert copy.latest() == store.latest()
    assert copy.span() == store.span()
    for quantity in QUANTITIES:
        assert copy.latest_good(quantity) == store.latest_good(quantity)
    assert copy.alarms() == store.alarms()
    assert copy.health() == store.health()
    assert len(copy.latest()) == 6


def test_readings_of_every_quality_one_by_one(both: Both) -> None:
    store, copy = both
    everything = list(store.readings(0, EVER_MS))
    assert len(everything) > 40_000
    assert list(copy.readings(0, EVER_MS)) == everything
    some = START_MS + 3 * DAY_MS, START_MS + 4 * DAY_MS + 7
    assert list(copy.readings(*some, ["Scheune Süd, 2"])) == list(store.readings(*some, ["Scheune Süd, 2"]))
    for quantity in QUANTITIES:
        assert copy.flawed(quantity, 0, EVER_MS) == store.flawed(quantity, 0, EVER_MS)
    assert len(copy.flawed("battery_voltage_V", 0, EVER_MS)) > 200


def test_days_with_the_one_that_goes_on(both: Both) -> None:
    store, copy = both
    assert copy.days(FIRST, LAST) == store.days(FIRST, LAST)
    assert len(copy.days(FIRST, LAST)) == 5 * 21


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_series_are_the_same_at_every_zoom(both: Both, quantity: str) -> None:
    store, copy = both
    midnight_ms = parse_iso("2026-10-24T23:00:00Z")  # London's, before the day of 25 hours
    spans = [
        (START_MS - 40 * DAY_MS, END_MS + DAY_MS, 300),
        (START_MS, END_MS, 22),
        (START_MS + 1234, END_MS - 98_765, 300),
        (midnight_ms - 7 * DAY_MS, midnight_ms + 7 * DAY_MS, 300),
        (midnight_ms - 2 * DAY_MS, midnight_ms + 25 * HOUR_MS, 300),
        (midnight_ms, midnight_ms + 25 * HOUR_MS, 300),
        (midnight_ms, midnight_ms + 24 * HOUR_MS, 288),
        (midnight_ms + 17, midnight_ms + 3 * HOUR_MS, 60),
        (END_MS - 26 * HOUR_MS, END_MS, 300),
        (END_MS - 5 * DAY_MS, END_MS + HOUR_MS, 100),
    ]
    for span in spans:
        for device in (None, "Scheune Süd, 2", "nobody"):
            there = store.series(quantity, *span, device=device)
            assert copy.series(quantity, *span, device=device) == there, (span, device)
    assert store.series(quantity, *spans[2]).gaps, "there are holes"


def test_rows_as_they_are_and_averaged(both: Both) -> None:
    store, copy = both
    span = START_MS + 5 * DAY_MS + 11, START_MS + 7 * DAY_MS
    assert list(copy.rows(QUANTITIES, *span)) == list(store.rows(QUANTITIES, *span))
    for step_s in (60.0, 900.0, 86_400.0):
        found, wanted = (
            list(copy.rows(QUANTITIES, *span, step_s)),
            list(store.rows(QUANTITIES, *span, step_s)),
        )
        assert [at for at, _ in found] == [at for at, _ in wanted]
        for (_, there), (_, row) in zip(found, wanted, strict=True):
            assert there == pytest.approx(row, rel=1e-12)  # the server adds up in floats


def test_events_transitions_and_log_are_the_same_to_any_limit(both: Both) -> None:
    store, copy = both
    for span in ((0, EVER_MS), (START_MS, START_MS + 3 * DAY_MS)):
        for limit in (1000, 7):
            assert copy.events(*span, limit) == store.events(*span, limit)
            assert copy.transitions(*span, limit) == store.transitions(*span, limit)
            assert copy.log(*span, limit) == store.log(*span, limit)
    assert len(copy.events(0, EVER_MS)) > 60
    assert len(copy.transitions(0, EVER_MS)) == 84
    assert any(entry.former for entry in copy.log(0, EVER_MS))
    for number in range(25):
        assert copy.log_entry(number) == store.log_entry(number)


def test_requests_and_notices_with_forgotten_ones(both: Both) -> None:
    store, copy = both
    assert copy.open_requests() == store.open_requests()
    assert copy.open_notices() == store.open_notices()
    assert len(store.open_requests()) == 1
    for limit in (100, 3):
        assert copy.notices(limit) == store.notices(limit)
    requests = [store.request(number) for number in range(50)]
    assert None in requests[1:20], "some were forgotten"
    assert [copy.request(number) for number in range(50)] == requests


def test_notes_are_the_same_ones_days_among_them(both: Both) -> None:
    store, copy = both
    days = [f"days/{FIRST + timedelta(days=number)}" for number in range(-12, 20)]
    for key in ("heartbeat", "long", "none", *days):
        assert copy.note(key) == store.note(key)
    assert sum(copy.note(key) is not None for key in days) == 21
    assert len(copy.note("long") or "") > 200_000
