"""A writer killed without warning: nothing that was committed is lost, and the file stays sound.

Once with a poll each 5 s, as the daemon does it, and once with one each five minutes, so that every sixth
commit packs a block and every 24th makes a day's tiers.
"""

from __future__ import annotations

import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from datetime import date
from pathlib import Path

import pytest

from monitor.records import LATEST_MS, Reading
from monitor.store.embedded import EmbeddedReader, open_reader, open_writer

KILLS = 20
START_MS = 1_795_521_600_000
CHANNELS = ("battery_voltage_V", "battery_current_A", "array_power_W")

# Appends one poll after another, says each number once its commit has returned, and restarts where it was.
WRITER = """
import sys
from pathlib import Path
from monitor.records import Event, Reading
from monitor.store.embedded import open_writer
path, first, every = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
writer = open_writer(path, "Europe/London")
poll = first
while True:
    for poll in range(poll, poll + 12):
        time_ms = {start} + poll * every
        writer.append(Reading(time_ms, "charger", name, float(poll % 50)) for name in {channels!r})
    poll += 1
    writer.add_event(Event(time_ms, "commit", "", str(poll)))
    writer.put_note("polls", str(poll))
    writer.commit()
    print(poll, flush=True)
"""


@pytest.mark.parametrize("every_ms", [5000, 300_000])
def test_a_writer_killed_at_twenty_random_moments_loses_nothing_committed(
    tmp_path: Path, every_ms: int, seed: int
) -> None:
    rng = random.Random(seed)
    path = tmp_path / "store.db"
    code = WRITER.format(start=START_MS, channels=CHANNELS)
    polls = 0
    for kill in range(KILLS):
        said = _run_and_kill(code, path, polls, every_ms, rng.uniform(0.0, 0.15))
        with open_reader(path) as reader:
            kept = int(reader.note("polls") or 0)
            counted = [_count(reader, name) for name in CHANNELS]
            events = len(reader.events(0, LATEST_MS, limit=10**6))
        where = f"seed {seed}, kill {kill}"
        assert kept >= said, f"{where}: {said} polls were committed, {kept} are there"
        assert counted == [kept] * len(CHANNELS), where
        assert events * 12 == kept, where
        _check_sound(path, where)
        polls = kept
    assert polls > KILLS, f"seed {seed}: the writer got on between the kills"
    _check_days(path, polls, every_ms, seed)
    with open_reader(path) as reader:
        readings = reader.readings(0, LATEST_MS)
        for poll in range(polls):
            for name in CHANNELS:
                expected = Reading(START_MS + poll * every_ms, "charger", name, float(poll % 50))
                assert next(readings) == expected, f"seed {seed}, poll {poll}"
    if every_ms > 5000:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as file:
            (blocks,) = file.execute("SELECT count(*) FROM block").fetchone()
        assert blocks > KILLS, f"seed {seed}: the kills fell between packings"


def _run_and_kill(code: str, path: Path, first: int, every_ms: int, after_s: float) -> int:
    """Let a writer go on from poll `first`, kill it after its first commit and a while; what it said last."""
    command = [sys.executable, "-c", code, str(path), str(first), str(every_ms)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        said = int(process.stdout.readline())
        time.sleep(after_s)
        process.send_signal(signal.SIGKILL)
        lines = process.stdout.read().splitlines(keepends=True)
        whole = [int(line) for line in lines if line.endswith("\n")]
    assert process.returncode == -signal.SIGKILL
    return whole[-1] if whole else said


def _count(reader: EmbeddedReader, name: str) -> int:
    series = reader.series(name, 0, LATEST_MS, 1)
    return sum(bucket.count for bucket in series.buckets)


def _check_sound(path: Path, where: str) -> None:
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as file:
        assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)], where


def _check_days(path: Path, polls: int, every_ms: int, seed: int) -> None:
    """Days kept through all the kills are those of the same readings written in one go."""
    whole = path.with_name("whole.db")
    with open_reader(path) as reader, open_writer(whole, "Europe/London") as writer:
        writer.append(
            Reading(START_MS + poll * every_ms, "charger", name, float(poll % 50))
            for poll in range(polls)
            for name in CHANNELS
        )
        writer.commit()
        span = date(2026, 1, 1), date(2100, 1, 1)
        assert reader.days(*span) == writer.days(*span), f"seed {seed}"
