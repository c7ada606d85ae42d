"""72 hours of readings to a server that is stopped, killed, stuck, busy, forbidden, cut off and full, by a
sender that is killed at random moments: in the end every point is there once, and whatever else belongs to a
copy is there once, as it is at the end.

influxdb, nginx and the store are real, the sender is a process; only time is driven, an hour of readings in a
fraction of a second. What happens is drawn anew in every run; the seed is printed.
"""

from __future__ import annotations

import random
import signal
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from pathlib import Path

from monitor.mirror.book import book_path, look_up
from monitor.notices.secrets import Secrets
from monitor.records import AlarmState, Event, LogEntry, Notice, Reading, Transition
from monitor.served.reader import open_served_reader
from monitor.site.server_table import ServerKeys
from monitor.store.base import StoreReader
from monitor.store.embedded import open_writer
from monitor.store.writer import EmbeddedWriter
from tests.faults.successors import kill_newest, running
from tests.interop.mirror_world import BUCKET, NOON_MS, SITE, mirroring, put, some_readings, stored
from tests.interop.series_servers import BUSY, Gate, Influx, Relay
from tests.small_disk import fill, small_disk
from tests.waiting import wait_for

HOURS, HOUR_MS = 72, 3_600_000
EVER_MS = 2**50
KILLS = 20
TROUBLES = {
    "stopped": "in trouble itself (502",
    "killed": "in trouble itself (502",
    "stuck": "no answer within",
    "no gate": "broke off",
    "busy": "asks to come back later",
    "forbidden": "refuses us (403",
    "answers lost": "broke off",
    "refused": "broke off",
}
"""What goes wrong, and what the sender says of it."""

COMMITS_AN_HOUR = 4
PAUSE_S = 0.03
"""How long a quarter of an hour takes at least: enough for a few batches."""
REFUSED = "fault_bits"


def readings_of(rng: random.Random) -> list[tuple[int, Reading]]:
    """72 hours of three devices, each reading with when it lands: some late, some by hours."""
    found = []
    for device, every_s, quantities in (
        ("shunt", 30, ("battery_voltage_V", "battery_current_A")),
        ("charger", 60, ("array_power_W", "charge_stage", "controller_temperature_C")),
        ("shed", 900, ("battery_temperature_C", REFUSED)),
    ):
        for time_ms in range(NOON_MS, NOON_MS + HOURS * HOUR_MS, every_s * 1000):
            late_ms = rng.choice([0] * 30 + [rng.randint(0, 5 * HOUR_MS)])
            for quantity in quantities:
                is_code = quantity in ("charge_stage", REFUSED)
                value = float(rng.randint(0, 5)) if is_code else rng.randint(0, 9000) / 100
                found.append((time_ms + late_ms, Reading(time_ms, device, quantity, value)))
    return sorted(found, key=lambda each: each[0])


class Far:
    """The server, nginx before it and the relay before that, with what can go wrong with them."""

    def __init__(self, influx: Influx, gate: Gate, relay: Relay) -> None:
        self.influx, self.gate, self.relay = influx, gate, relay
        self.trouble = ""

    def get_into(self, trouble: str) -> None:
        self.trouble = trouble
        if trouble == "stopped":
            self.influx.stop()
        elif trouble == "killed":
            self.influx.stop(signal.SIGKILL)
        elif trouble == "stuck":
            self.influx.signal(signal.SIGSTOP)
        elif trouble == "no gate":
            self.gate.stop(signal.SIGKILL)
        elif trouble in ("busy", "forbidden"):
            self.gate.open_with(BUSY if trouble == "busy" else "return 403;")
        else:
            self.relay.mode = "cut" if trouble == "answers lost" else "refuse"

    def recover(self) -> None:
        if self.trouble in ("stopped", "killed"):
            self.influx.start()
        elif self.trouble == "stuck":
            self.influx.signal(signal.SIGCONT)
        elif self.trouble in ("no gate", "busy", "forbidden"):
            self.gate.open_with()
        self.relay.mode = "carry"
        self.trouble = ""


def sending(store: Path, url: str, log: Path) -> AbstractContextManager[None]:
    """Senders as processes, the next as soon as one is killed."""
    return running("tests.faults.mirror_child", [str(store), url], log)


@contextmanager
def far_end(folder: Path) -> Iterator[Far]:
    with Influx(folder) as influx, Gate(folder, influx.port) as gate:
        relay = Relay(gate.port)
        try:
            yield Far(influx, gate, relay)
        finally:
            relay.close()


def live_through(rng: random.Random, writer: EmbeddedWriter, far: Far, log: Path) -> None:
    """72 hours with outages and kills. Each trouble lasts at least until the sender has met it, and each
    quiet time until it has sent something."""
    coming = readings_of(rng)
    quarters = range(HOURS * COMMITS_AN_HOUR + 6 * COMMITS_AN_HOUR)  # what lands late lands after the end
    kills = set(rng.sample(quarters, KILLS))
    changes, at, troubles = {}, 4, rng.sample([*TROUBLES], len(TROUBLES))
    while troubles and at < len(quarters):
        changes[at] = troubles.pop()
        at += rng.randint(2, 5 * COMMITS_AN_HOUR)
        changes[at] = ""
        at += rng.randint(1, 3 * COMMITS_AN_HOUR)
    landed = 0
    for quarter in quarters:
        now_ms = NOON_MS + (quarter + 1) * HOUR_MS // COMMITS_AN_HOUR
        until = landed
        while until < len(coming) and coming[until][0] < now_ms:
            until += 1
        said = len(log.read_text())
        if quarter in changes:
            far.get_into(changes[quarter]) if changes[quarter] else far.recover()
        writer.append(reading for _, reading in coming[landed:until])
        happen(writer, now_ms, rng)
        writer.commit()
        landed = until
        if quarter in changes:
            words = TROUBLES.get(changes[quarter], "took")
            wait_for(lambda said=said, words=words: words in log.read_text()[said:])
        pause_s = rng.uniform(0, PAUSE_S)
        time.sleep(pause_s)
        if quarter in kills:
            kill_newest(log)
        time.sleep(PAUSE_S - pause_s)
    if far.trouble:
        far.recover()
    assert landed == len(coming)
    assert not troubles


def happen(writer: EmbeddedWriter, now_ms: int, rng: random.Random) -> None:
    """What else there is: some of it for good, some replaced, some again as it was, some forgotten later."""
    writer.add_event(Event(now_ms, "device", "shunt", "It was silent."))
    writer.put_note("outlook", rng.choice(("A", "B")))
    writer.put_alarm(
        AlarmState("low", rng.choice(("normal", "latched")), NOON_MS, "high", 11.5, "It is low.")
    )
    writer.add_transition(Transition(now_ms, "low", "normal", "latched", "raised", "high", "It is low."))
    if rng.random() < 0.1:
        writer.add_log_entry(LogEntry(now_ms, "note", "I was here.", by="me", written_ms=now_ms))
    if rng.random() < 0.3:
        writer.add_notice(Notice(now_ms, "alarm", "low", "high", "phone", "Low", "It is low.", "due", now_ms))
        for each in writer.open_notices():
            writer.put_notice(replace(each, state="delivered", finished_ms=now_ms))
        writer.forget_notices(now_ms - 24 * HOUR_MS)


def answers(reader: StoreReader) -> dict[str, object]:
    """All that a store has besides readings, but what the mirror itself tells."""
    return {
        "alarms": reader.alarms(),
        "events": [each for each in reader.events(0, EVER_MS, 10**6) if each.kind != "mirror"],
        "transitions": reader.transitions(0, EVER_MS, 10**6),
        "log": reader.log(0, EVER_MS, 10**6),
        "notices": reader.notices(10**6),
        "note": reader.note("outlook"),
        "latest": reader.latest(),
    }


def test_after_72_hours_of_outages_and_kills_every_point_is_there_once(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    store, log = tmp_path / "nightbank.db", tmp_path / "log"
    folder = tmp_path / "far"
    folder.mkdir()
    with far_end(folder) as far, open_writer(store, "UTC") as writer:
        writer.commit()
        far.influx.ask(f"CREATE DATABASE {BUCKET}")
        # somebody else has fixed the type of one field before, so that each of its points is refused
        far.influx.write(BUCKET, f"nightbank,site=x,device=x {REFUSED}=1.5 {NOON_MS - HOUR_MS}")
        with sending(store, far.relay.url, log):
            live_through(rng, writer, far, log)
            expected = {key: value for key, value in stored(store).items() if key[2] != REFUSED}

            def all_there() -> bool:
                return len(far.influx.values(BUCKET)) > len(expected)

            wait_for(all_there)
            # what was refused in the last batches is in the book a moment later
            keys = ServerKeys.model_validate({"url": far.gate.url, "bucket": BUCKET})
            with open_served_reader(keys, SITE, Secrets(tmp_path / "none"), tmp_path) as copy:
                wait_for(lambda: answers(copy) == answers(writer))
            refusals = {key[0] for key in stored(store) if key[2] == REFUSED}
            wait_for(lambda: refused_times(store) == refusals)
        there = {key: value for key, value in far.influx.values(BUCKET).items() if key[1] != "x"}
        counts = far.influx.ask(
            "SELECT count(document) FROM nightbank_record WHERE kind = 'event' OR kind = 'transition'"
            " GROUP BY kind",
            db=BUCKET,
        )
        events = [event.text for event in writer.events(0, 2**50) if event.kind == "mirror"]
    took = sum(int(line.split()[1]) for line in log.read_text().splitlines() if line.startswith("took"))
    lines = len({key[:2] for key in expected})
    print(f"{lines} lines, taken {took} times in all")
    assert there == expected
    quarters = HOURS * COMMITS_AN_HOUR + 6 * COMMITS_AN_HOUR
    assert [each["values"][0][1] for each in counts["series"]] == [quarters + len(events), quarters], "once"
    assert log.read_text().count("began") > KILLS // 2
    assert took >= lines
    assert any(REFUSED in text for text in events)
    spells = ("The server takes nothing", "The server takes readings again")
    assert all(REFUSED in text or text.startswith(spells) for text in events), events


def refused_times(store: Path) -> set[int]:
    _, _, refused = look_up(book_path(store), "hub", 10_000)
    assert all(list(each.point.values) == [REFUSED] for each in refused)
    return {each.point.time_ms for each in refused}


def test_a_full_disk_at_the_server_loses_nothing(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", "32m") as disk:
        store = tmp_path / "nightbank.db"
        put(store, some_readings(400))
        with Influx(tmp_path, data=disk) as influx, Gate(tmp_path, influx.port) as gate:
            influx.ask(f"CREATE DATABASE {BUCKET}")
            with mirroring(store, gate.url) as mirror:
                mirror.catch_up()
                put(store, some_readings(5_000, NOON_MS + 10_000_000, 1000))
                full = fill(disk)
                for _ in range(10):
                    mirror.sender.step()
                    if mirror.sender.error:
                        break
                assert "is in trouble itself (5" in mirror.sender.error, mirror.sender.error
                assert not mirror.sender.is_current
                full.unlink()
                influx.stop()  # this server's log stays broken until a new start (Go's bufio keeps its error)
                influx.start()
                mirror.sender.step()
                mirror.catch_up()
            assert influx.values(BUCKET) == stored(store)
        assert look_up(book_path(store), "hub", 1)[2] == []
