"""72 hours of a store on a server that is stopped, killed, stuck, busy, forbidden and cut off, by a writer
that is killed at random moments: what was committed is there once, and every day is as it would be without.

influxdb, nginx and the shelf are real, the writer is a process; only time is driven, half an hour in
some hundredths of a second. What happens is drawn anew in every run; the seed is printed.
"""

from __future__ import annotations

import random
import time
from contextlib import AbstractContextManager
from datetime import date
from pathlib import Path

import pytest

from monitor.errors import StoreError
from monitor.records import Reading
from monitor.served.writer import ServedWriter
from monitor.store.embedded import open_writer
from tests.faults.served_child import COMMITS, done, halves
from tests.faults.successors import kill_newest, running
from tests.faults.test_mirror_campaign import TROUBLES, Far
from tests.interop.mirror_world import BUCKET
from tests.interop.series_servers import Gate, Influx, Relay
from tests.interop.served_world import ServedSite, volts
from tests.small_disk import fill, small_disk

KILLS = 10
EVER_MS = 2**50
DAYS = date(2026, 11, 1), date(2026, 12, 31)


def writing(site: ServedSite, url: str, seed: int, log: Path) -> AbstractContextManager[None]:
    """Writers as processes, the next as soon as one is killed."""
    return running("tests.faults.served_child", [str(site.folder), url, str(seed)], log)


def embedded_days(folder: Path, readings: list[list[Reading]]) -> list[object]:
    """Each day as the embedded store has it, of the same readings."""
    with open_writer(folder / "embedded.db", "Europe/London") as writer:
        writer.rank_devices(["shunt", "charger", "shed"])
        for batch in readings:
            writer.append(batch)
            writer.commit()
        return list(writer.days(*DAYS))


def test_after_72_hours_of_trouble_and_kills_every_reading_is_there_once(tmp_path: Path, seed: int) -> None:
    (folder := tmp_path / "server").mkdir()
    with Influx(folder) as influx, Gate(folder, influx.port) as gate:
        influx.ask(f"CREATE DATABASE {BUCKET}")
        live_through(tmp_path, influx, gate, seed)


def live_through(tmp_path: Path, influx: Influx, gate: Gate, seed: int) -> None:
    rng = random.Random(seed)
    relay = Relay(gate.port)
    far = Far(influx, gate, relay)
    site = ServedSite(tmp_path / "hide", relay.url)
    log = tmp_path / "log"
    coming = halves(seed)
    kills = sorted(rng.sample(range(5, COMMITS), KILLS))
    troubles = [*TROUBLES]
    rng.shuffle(troubles)
    starts = sorted(rng.sample(range(5, COMMITS - 10), len(troubles)))
    try:
        with writing(site, relay.url, seed, log):
            ends_at = 0
            deadline_s = time.monotonic() + 300
            while done(log) < COMMITS - 1:
                assert time.monotonic() < deadline_s, log.read_text()[-2000:]
                at = done(log)
                if kills and at >= kills[0]:
                    kills.pop(0)
                    time.sleep(rng.uniform(0, 0.05))
                    kill_newest(log)
                if far.trouble and at >= ends_at:
                    far.recover()
                elif not far.trouble and starts and at >= starts[0]:
                    starts.pop(0)
                    far.get_into(troubles.pop())
                    ends_at = at + rng.randint(2, 6)
                time.sleep(0.005)
        if far.trouble:
            far.recover()
        with site.writer() as writer:
            for _ in range(20):
                site.clock.skip(3600)
                writer.commit()
            assert (writer._shelf.waiting, writer._shelf.refused()) == (0, [])
        with site.reader(gate.url) as reader:
            found = list(reader.readings(0, EVER_MS))
            assert len(found) == len(set(found)), f"seed {seed}"
            assert set(found) == {each for batch in coming for each in batch}, f"seed {seed}"
            assert reader.days(*DAYS) == embedded_days(tmp_path, coming), f"seed {seed}"
            assert reader.note("made") == str(COMMITS - 1)
            made = [event.text for event in reader.events(0, EVER_MS) if event.kind == "made"]
            assert set(made) == {str(number) for number in range(0, COMMITS, 10)}, f"seed {seed}"
    finally:
        relay.close()


def test_a_full_disk_at_the_server_loses_nothing(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", "32m") as disk:
        (folder := tmp_path / "server").mkdir()
        with Influx(folder, data=disk) as influx, Gate(folder, influx.port) as gate:
            influx.ask(f"CREATE DATABASE {BUCKET}")
            site = ServedSite(tmp_path / "hide", gate.url)
            with site.writer() as writer:
                commit(writer, range(100))
                full = fill(disk)
                commit(writer, range(100, 5000))
                assert "is in trouble itself (5" in str(writer._outgoing.link.error)
                full.unlink()
                influx.stop()  # this server's log stays broken until a new start (Go's bufio keeps its error)
                influx.start()
                site.clock.skip(3600)
                commit(writer, range(5000, 5100))
                found = [each.time_ms for each in writer.readings(0, EVER_MS)]
            assert found == [volts(at).time_ms for at in range(5100)]


def test_a_full_disk_here_while_the_server_is_away_fails_the_commit_and_loses_nothing(
    tmp_path: Path,
) -> None:
    with small_disk(tmp_path / "disk", "2m") as disk:
        (folder := tmp_path / "server").mkdir()
        with Influx(folder) as influx, Gate(folder, influx.port) as gate:
            influx.ask(f"CREATE DATABASE {BUCKET}")
            site = ServedSite(disk / "hide", gate.url)
            with site.writer() as writer:
                commit(writer, range(100))
                gate.stop()
                commit(writer, range(100, 200))
                full = fill(disk)
                with pytest.raises(StoreError, match="the disk is full; make room"):
                    commit(writer, range(200, 3000))
                assert writer.latest() == [volts(2999, 12 + 2999 % 977 / 100)]
                full.unlink()
                commit(writer, range(3000, 3100))
                gate.start()
                site.clock.skip(3600)
                writer.commit()
                found = [each.time_ms for each in writer.readings(0, EVER_MS)]
            assert found == [volts(at).time_ms for at in range(3100)]


def commit(writer: ServedWriter, seconds: range) -> None:
    writer.append(volts(at, 12 + at % 977 / 100) for at in seconds)
    writer.commit()
