"""The daemon on a disk that is really full: it goes on, and all is there when there is room again."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.demo import site_text
from monitor.errors import StoreError
from monitor.records import LATEST_MS
from monitor.simulated import SimulatorProcess
from monitor.store.embedded import open_reader
from monitor.store.upkeep import troubles
from tests.faults.kill_world import NOON_MS
from tests.small_disk import fill, small_disk
from tests.waiting import PATIENCE_S, wait_for

MIDNIGHT_MS = NOON_MS + 12 * 3_600_000
FULL_S = 5.0
"""How long the disk stays full after the alarm: several commits that fail, each second (our choice)."""

ALARM = """
[[alarms]]
name = "Dark"
quantity = "array_power_W"
condition = "below"
set_point = 5
on_delay_s = 0
off_delay_s = 0
"""


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of two megabytes."""
    with small_disk(tmp_path / "disk", "2m") as folder:
        yield folder


def test_on_a_full_disk_alarms_go_on_and_afterwards_nothing_is_missing(tmp_path: Path, disk: Path) -> None:
    store, site, log = disk / "nightbank.db", tmp_path / "site.toml", tmp_path / "log"
    with SimulatorProcess(tmp_path / "ports", NOON_MS) as simulator:
        simulator.ask(do="run", speed=1.0)
        text = site_text(simulator).replace("\nevery_s = 5", "\nevery_s = 0.5")
        text = text.replace("commit_every_s = 5", "commit_every_s = 1")
        site.write_text(text.replace('"nightbank.db"', f'"{store}"') + ALARM, encoding="utf-8")
        command = [sys.executable, "-m", "monitor.cli", "monitor", str(site)]
        with log.open("wb") as told:
            daemon = subprocess.Popen(command, stderr=told)
        try:
            wait_for(lambda: has_power(store), "the array's power is stored")
            full = fill(disk)
            wait_for(lambda: "the disk is full" in log.read_text(), "the daemon says that the disk is full")
            full_ms = time.time_ns() // 10**6
            simulator.ask(do="hold")
            simulator.ask(do="advance", to_ms=MIDNIGHT_MS)
            simulator.ask(do="run", speed=1.0)
            wait_for(lambda: "Dark" in log.read_text(), "the alarm is raised")
            time.sleep(FULL_S)
            assert daemon.poll() is None, log.read_text()
            with open_reader(store) as reader:
                assert [each for each in reader.transitions(0, LATEST_MS) if each.alarm == "Dark"] == []
            room_ms = time.time_ns() // 10**6
            full.unlink()

            def caught_up() -> bool:
                with open_reader(store) as reader:
                    return (reader.span() or (0, 0))[1] > room_ms

            wait_for(caught_up, "readings of after the full disk are stored")
            daemon.send_signal(signal.SIGTERM)
            assert daemon.wait(PATIENCE_S) == 0, log.read_text()
        finally:
            daemon.kill()
            daemon.wait()
    assert "Traceback" not in log.read_text()
    assert list(troubles(store, lambda done, of: None)) == []
    with open_reader(store) as reader:
        (raised,) = [each for each in reader.transitions(0, LATEST_MS) if each.alarm == "Dark"]
        assert full_ms < raised.time_ms < room_ms
        times = [time_ms for time_ms, _ in reader.rows(["battery_voltage_V"], full_ms - 2000, room_ms + 2000)]
    silences = [later - former for former, later in pairwise(times)]
    assert len(times) >= FULL_S
    # a poll is due each half second; what was lost would be all of the time between two commits
    assert max(silences) < (room_ms - full_ms) / 2, silences


def has_power(store: Path) -> bool:
    try:
        with open_reader(store) as reader:
            return reader.latest_good("array_power_W") is not None
    except StoreError:  # the daemon is making it
        return False
