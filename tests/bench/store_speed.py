"""What the embedded store costs beside the plain script that commits one text row a value.

    python -m tests.bench.store_speed [--hours N]

Both take the same readings in the same run: 18 channels each 5 s, quantised to 0.01 with noise. The plain
script's first hour is written as such a script does (a commit a row), the rest in bulk so that its queries
meet as many rows. Ratios are worth more than single times; CPU is user and system time of this process.
"""

from __future__ import annotations

import argparse
import os
import random
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

from monitor.quantities import QUANTITIES
from monitor.records import Reading, iso_utc, to_datetime
from monitor.store.embedded import open_reader, open_writer

SEED = 20261125
EVERY_MS = 5000
POLLS_AN_HOUR = 720
POLLS_A_COMMIT = 12
START_MS = 1_795_478_400_000
POINTS = 600
CHANNELS = tuple(QUANTITIES)
ASKED = "battery_voltage_V"


def polls(count: int) -> Iterator[list[Reading]]:
    """One list of readings a poll, the same in each call."""
    rng = random.Random(SEED)
    level = {name: rng.uniform(0.2, 0.8) for name in CHANNELS}
    for poll in range(count):
        time_ms = START_MS + poll * EVERY_MS
        readings = []
        for name in CHANNELS:
            quantity = QUANTITIES[name]
            level[name] = min(0.9, max(0.1, level[name] + rng.gauss(0, 0.0005)))
            span = min(quantity.high - quantity.low, 100.0)
            readings.append(Reading(time_ms, "charger", name, round(quantity.low + span * level[name], 2)))
        yield readings


def cpu_ms(task: Callable[[], object], times: int) -> float:
    """CPU ms of one run of a task, the first one not counted."""
    task()
    started = time.process_time()
    for _ in range(times):
        task()
    return (time.process_time() - started) * 1000 / times


def rss_mb() -> float:
    """This process's resident memory in MB, as Linux tells it in /proc."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def plain_script(path: Path, count: int) -> dict[str, float]:
    """The plain script: text times and names, an index, one commit a row."""
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE readings (time TEXT, quantity TEXT, value REAL)")
        db.execute("CREATE INDEX by_quantity ON readings (quantity, time)")
        db.commit()
        spent_s, rows = 0.0, 0
        for number, readings in enumerate(polls(count)):
            texts = [(iso_utc(r.time_ms), r.quantity, r.value) for r in readings]
            if number < min(count, POLLS_AN_HOUR):
                started = time.process_time()
                for text in texts:
                    db.execute("INSERT INTO readings VALUES (?, ?, ?)", text)
                    db.commit()
                spent_s += time.process_time() - started
                rows += len(texts)
            else:
                db.executemany("INSERT INTO readings VALUES (?, ?, ?)", texts)
        db.commit()
        end_ms = START_MS + count * EVERY_MS
        span = ASKED, iso_utc(end_ms - 86_400_000), iso_utc(end_ms)

        def day() -> list[list[float]]:
            found = db.execute(
                "SELECT time, value FROM readings WHERE quantity = ? AND time >= ? AND time < ?", span
            ).fetchall()
            size = -(-len(found) // POINTS)
            parts = ([value for _, value in found[at : at + size]] for at in range(0, len(found), size))
            return [[min(part), sum(part) / len(part), max(part)] for part in parts]

        def latest() -> list[object]:
            return [
                db.execute(
                    "SELECT time, value FROM readings WHERE quantity = ? ORDER BY time DESC LIMIT 1", (name,)
                ).fetchone()
                for name in CHANNELS
            ]

        return {
            "bytes a value": os.path.getsize(path) / (count * len(CHANNELS)),
            "CPU ms per 1,000 values": spent_s * 1e6 / rows,
            "24 h of one quantity, CPU ms": cpu_ms(day, 10),
            "latest of all, CPU ms": cpu_ms(latest, 50),
        }


def embedded_store(path: Path, count: int) -> dict[str, float]:
    """The embedded store with a commit a minute, as the daemon does it."""
    spent_s, commits_ms, before_mb = 0.0, [], rss_mb()
    with open_writer(path, "Europe/London") as writer:
        for number, readings in enumerate(polls(count), start=1):
            started = time.process_time()
            writer.append(readings)
            spent_s += time.process_time() - started
            if number % POLLS_A_COMMIT == 0 or number == count:
                started = time.process_time()
                writer.commit()
                commits_ms.append((time.process_time() - started) * 1000)
                spent_s += commits_ms[-1] / 1000
        grown_mb = rss_mb() - before_mb
    end_ms = START_MS + count * EVERY_MS
    with open_reader(path) as reader:
        first, last = date(2026, 1, 1), to_datetime(end_ms).date()
        once_ms = []
        with open_writer(path, "Europe/London") as writer:
            for time_ms in (end_ms, START_MS + 1):
                started = time.process_time()
                writer.append(Reading(time_ms, "charger", name, 1.0) for name in CHANNELS)
                writer.commit()
                once_ms.append((time.process_time() - started) * 1000)
        return {
            "bytes a value": os.path.getsize(path) / (count * len(CHANNELS)),
            "CPU ms per 1,000 values": spent_s * 1e6 / (count * len(CHANNELS)),
            "24 h of one quantity, CPU ms": cpu_ms(
                lambda: reader.series(ASKED, end_ms - 86_400_000, end_ms, POINTS), 10
            ),
            "latest of all, CPU ms": cpu_ms(reader.latest, 50),
            "all days, CPU ms": cpu_ms(lambda: reader.days(first, last), 20),
            "a minute's commit late in the day, CPU ms": sum(commits_ms[-60:]) / len(commits_ms[-60:]),
            "slowest commit, CPU ms": max(commits_ms),
            "writer's growth of memory, MB": grown_mb,
            "first commit after a start, CPU ms": once_ms[0],
            "a late reading on every channel, CPU ms": once_ms[1],
        }


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--hours", type=int, default=24, help="hours of readings (default 24)")
    hours = parser.parse_args().hours
    if hours < 1:
        parser.error("--hours must be at least 1")
    count = hours * POLLS_AN_HOUR
    with TemporaryDirectory() as folder:
        store = embedded_store(Path(folder) / "store.db", count)
        plain = plain_script(Path(folder) / "plain.db", count)
    print(
        f"{len(CHANNELS)} channels each {EVERY_MS // 1000} s for {hours} h, SQLite {sqlite3.sqlite_version}"
    )
    print(f"{'':44}{'store':>10}{'plain':>10}{'ratio':>9}")
    for what, value in store.items():
        beside = f"{plain[what]:10.2f}{value / plain[what]:9.3f}" if what in plain else ""
        print(f"{what:44}{value:10.2f}{beside}")


if __name__ == "__main__":
    main()
