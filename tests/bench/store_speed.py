"""What the embedded store costs in room and time, beside plain ways to keep the same readings.

    python -m tests.bench.store_speed [--days N] [--years N ...]

Eighteen channels each 5 s, quantised to 0.01 with noise; the entropy of their differences is printed, since
no packing gets below it by much. N days are written as the daemon does it, a commit a minute. They are then
repeated backwards to a year and to five (what was packed and summed is copied with its times moved, which
takes seconds), and the same questions are asked of each. Beside each figure stands what it should be at most
(issue 7), where there is such a figure. The contenders take the same readings in the same
run: the plain script (text times and names, an index, a commit a row at first), a narrow table of
whole numbers, and a wide one without packing. CPU is user and system time of this process; ratios are worth
more than single times, and nothing else should run beside it.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from datetime import timedelta
from functools import partial
from pathlib import Path
from struct import Struct
from tempfile import TemporaryDirectory

import numpy as np

from monitor.quantities import QUANTITIES
from monitor.records import Reading, iso_utc, to_datetime
from monitor.store import pack, tiers
from monitor.store.blocks import SPAN_MS
from monitor.store.embedded import open_reader, open_writer
from monitor.store.steps import CODES
from monitor.store.tracks import DAYS_A_CHANNEL
from monitor.store.upkeep import size_of
from tests.bench.figures import cost, hand_over, ratio

SEED = 20261126
EVERY_MS = 5000
POLLS_A_DAY, POLLS_A_COMMIT = 17_280, 12
HOUR_MS, DAY_MS, WEEK_MS = 3_600_000, 86_400_000, 7 * 86_400_000
START_MS = 1_795_478_400_000
"""2026-11-24T00:00:00Z."""
CHANNELS = [name for name in QUANTITIES if name not in CODES][:18]
ASKED, THREE = CHANNELS[0], CHANNELS[:3]
POINTS = 600
NOISE = 0.8
"""Standard deviation of a difference in hundredths (our choice: near the 0.24 bytes of entropy a value of the
data that this store's targets were set with)."""

Table = dict[str, float]

TARGETS: Table = {
    "CPU s a day, a commit a minute": 0.6,
    "writer's growth of memory, MB": 10.0,
    "bytes a value": 0.4,
    "MB a year": 50.0,
    "24 h of one channel to 600 points, CPU ms": 4.0,
    "30 days by day, 3 channels, CPU ms": 2.0,
    "a year by day, CPU ms": 1.0,
    "latest of all, CPU ms": 0.1,
    "slowest zoom of those that end now, CPU ms": 8.0,
}
"""What the store should not go beyond, of a store of a year."""

DAYS_ALONE = {what: most for what, most in TARGETS.items() if what not in ("bytes a value", "MB a year")}
"""The same of a store of days, of which more stands in rows."""

FIVE_YEARS: Table = TARGETS | {
    "24 h of one channel to 600 points, CPU ms": 10.0,
    "a year by day, CPU ms": 20.0,
    "five years by day, CPU ms": 20.0,
    "latest of all, CPU ms": 1.0,
}
"""The same of five years."""


CONTENDERS = ("the plain script", "a narrow table of whole numbers", "a wide one without packing")


def hundredths(days: int) -> np.ndarray:
    """The readings, a row a poll: each channel wanders around 20.00."""
    rng = np.random.default_rng(SEED)
    moves = rng.normal(0, NOISE, (days * POLLS_A_DAY, len(CHANNELS)))
    wander = np.cumsum(moves, axis=0)
    level: np.ndarray = np.rint(2000 + wander - np.linspace(0, 1, len(wander))[:, None] * wander[-1])
    return level.astype(int)


def entropy(data: np.ndarray) -> float:
    """Bytes a value that differences taken one by one carry (Shannon 1948, order 0)."""
    _, counts = np.unique(np.diff(data, axis=0), return_counts=True)
    share = counts / counts.sum()
    return float(-(share * np.log2(share)).sum() / 8)


def cpu_ms(task: Callable[[], object], times: int = 20) -> float:
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


# --- the store -------------------------------------------------------------------------------------------


def written(path: Path, data: np.ndarray) -> Table:
    """The store as the daemon writes it."""
    spent_s, commits_ms, before_mb = 0.0, [], rss_mb()
    synced_s = 0.0
    with open_writer(path, "UTC") as writer:
        for number, row in enumerate(data, start=1):
            time_ms = START_MS + (number - 1) * EVERY_MS
            values = (row / 100).tolist()
            readings = [
                Reading(time_ms, "charger", name, value) for name, value in zip(CHANNELS, values, strict=True)
            ]
            started = time.process_time()
            writer.append(readings)
            spent_s += time.process_time() - started
            if number % POLLS_A_COMMIT == 0 or number == len(data):
                started, kernel_s = time.process_time(), os.times().system
                writer.commit()
                commits_ms.append((time.process_time() - started) * 1000)
                spent_s += commits_ms[-1] / 1000
                synced_s += os.times().system - kernel_s
        grown_mb = rss_mb() - before_mb
    end_ms = START_MS + len(data) * EVERY_MS
    once_ms, other = [], path.with_name("late.db")
    with closing(sqlite3.connect(path)) as file, closing(sqlite3.connect(other)) as copy:
        file.backup(copy)
    with open_writer(other, "UTC") as writer:
        for time_ms in (end_ms, START_MS + 1):
            started = time.process_time()
            writer.append(Reading(time_ms, "charger", name, 20.0) for name in CHANNELS)
            writer.commit()
            once_ms.append((time.process_time() - started) * 1000)
    commits_ms.sort()
    return {
        "CPU s a day, a commit a minute": spent_s * POLLS_A_DAY / len(data),
        "  of it in the kernel, which syncs": synced_s * POLLS_A_DAY / len(data),
        "a usual commit, CPU ms": commits_ms[len(commits_ms) // 2],
        "slowest commit, CPU ms": commits_ms[-1],
        "writer's growth of memory, MB": grown_mb,
        "first commit after a start, CPU ms": once_ms[0],
        "a late reading on every channel, CPU ms": once_ms[1],
    }


def asked(path: Path) -> Table:
    """Bytes a value, and what questions cost."""
    with closing(sqlite3.connect(path)) as file:
        file.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    file_bytes, values = os.path.getsize(path), size_of(path).readings
    with open_reader(path) as reader:
        first_ms, last_ms = reader.span() or (0, 0)
        end_ms = last_ms + 1
        today = to_datetime(last_ms).date()
        month_ms, year_ms = end_ms // DAY_MS * DAY_MS - 29 * DAY_MS, end_ms // DAY_MS * DAY_MS - 364 * DAY_MS

        def by_day(start_ms: int, days: int, names: Sequence[str]) -> list[object]:
            return [reader.series(name, start_ms, start_ms + days * DAY_MS, days) for name in names]

        spans_h = [1, 6, 24, 36, 72, 168, 336, 720, 2160, 4380, 8760]
        spans_h = [hours for hours in spans_h if hours <= 24 or hours * HOUR_MS < end_ms - first_ms]
        zooms = [
            cpu_ms(partial(reader.series, ASKED, end_ms - hours * HOUR_MS, end_ms, POINTS))
            for hours in spans_h
        ]
        middle_ms = (first_ms + end_ms) // 2
        return {
            "bytes a value": file_bytes / values,
            "MB": file_bytes / 1e6,
            "MB a year": file_bytes / 1e6 * 365 * DAY_MS / (end_ms - first_ms),
            "24 h of one channel to 600 points, CPU ms": zooms[spans_h.index(24)],
            "30 days by day, 3 channels, CPU ms": cpu_ms(lambda: by_day(month_ms, 30, THREE)),
            "a year by day, CPU ms": cpu_ms(lambda: by_day(year_ms, 365, [ASKED])),
            "five years by day, CPU ms": cpu_ms(lambda: by_day(year_ms - 1460 * DAY_MS, 1825, [ASKED]), 5),
            "latest of all, CPU ms": cpu_ms(reader.latest, 100),
            "statistics of 30 days, all channels, CPU ms": cpu_ms(
                lambda: reader.days(today - timedelta(days=29), today)
            ),
            "an hour long ago, CPU ms": cpu_ms(
                lambda: reader.series(ASKED, middle_ms, middle_ms + HOUR_MS, POINTS)
            ),
            "slowest zoom of those that end now, CPU ms": max(zooms),
            "  and its hours": spans_h[zooms.index(max(zooms))],
        }


def repeat_backwards(path: Path, weeks: int) -> None:
    """Copy the first seven days, packed and summed, so many times into the past."""
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        file.execute("BEGIN")
        spans = START_MS // SPAN_MS, (START_MS + WEEK_MS) // SPAN_MS - 1
        first_day = START_MS // DAY_MS
        blocks = file.execute("SELECT * FROM block WHERE span BETWEEN ? AND ?", spans).fetchall()
        days = first_day, first_day + 6
        hours = file.execute(
            f"SELECT * FROM tier WHERE id % {DAYS_A_CHANNEL} BETWEEN ? AND ?", days
        ).fetchall()
        fives = file.execute("SELECT * FROM five_minutes WHERE day BETWEEN ? AND ?", days).fetchall()
        if (len(blocks), len(hours), len(fives)) != (28, 7 * len(CHANNELS), 7):
            raise SystemExit("seven days are not packed yet; give --days 9 or more")
        for week in range(1, weeks + 1):
            back_ms = week * WEEK_MS
            for span, head, body in blocks:
                columns = pack.split_columns(head, body)
                moved = {
                    channel: pack.Column(_moved(column.clock, pack.HEAD, 2, back_ms), column.values)
                    for channel, column in columns.items()
                }
                file.execute(
                    "INSERT INTO block VALUES (?, ?, ?)", (span - week * 28, *pack.join_columns(moved))
                )
            file.executemany(
                "INSERT INTO tier VALUES (?, ?)",
                ((row - 7 * week, _moved(steps, tiers.HEAD, 3, 168 * week)) for row, steps in hours),
            )
            for day, head, body in fives:
                columns = {
                    channel: pack.Column(b"", _moved(column.values, tiers.HEAD, 3, 2016 * week))
                    for channel, column in pack.split_columns(head, body).items()
                }
                row = (day - 7 * week, *pack.join_columns(columns))
                file.execute("INSERT INTO five_minutes VALUES (?, ?, ?)", row)
            file.execute(
                "INSERT INTO day SELECT day - ?1, channel, count, minimum, min_ms - ?2, mean, maximum, first,"
                " last, integral_h, positive_h, negative_h, covered_s, first_ms - ?2, last_ms - ?2, limit_ms,"
                " gaps FROM day WHERE first_ms BETWEEN ?3 AND ?4",
                (7 * week, back_ms, START_MS, START_MS + WEEK_MS - 1),
            )
        file.execute(
            "UPDATE channel SET first_ms = first_ms - ?1, good_first_ms = good_first_ms - ?1", (back_ms,)
        )
        file.execute("COMMIT")


def _moved(packed: bytes, head: Struct, place: int, by: int) -> bytes:
    """Packed numbers or steps whose first number is less by so much."""
    fields = list(head.unpack_from(packed))
    fields[place] -= by
    return head.pack(*fields) + packed[head.size :]


# --- the contenders --------------------------------------------------------------------------------------


def plain_script(path: Path, data: np.ndarray) -> Table:
    """The plain script, of the last day: text times and names, an index, a commit a row for ten minutes."""
    data = data[-POLLS_A_DAY:]
    end_ms = START_MS + len(data) * EVERY_MS
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE readings (time TEXT, quantity TEXT, value REAL)")
        db.execute("CREATE INDEX by_quantity ON readings (quantity, time)")
        db.commit()
        spent_s = 0.0
        for number, row in enumerate((data / 100).tolist()):
            at = iso_utc(START_MS + number * EVERY_MS)
            texts = [(at, name, value) for name, value in zip(CHANNELS, row, strict=True)]
            if number < 120:
                started = time.process_time()
                for text in texts:
                    db.execute("INSERT INTO readings VALUES (?, ?, ?)", text)
                    db.commit()
                spent_s += time.process_time() - started
            else:
                db.executemany("INSERT INTO readings VALUES (?, ?, ?)", texts)
        db.commit()

        def day() -> object:
            sql = "SELECT time, value FROM readings WHERE quantity = ? AND time >= ? AND time < ?"
            found = db.execute(sql, (ASKED, iso_utc(START_MS), iso_utc(end_ms))).fetchall()
            parts = [[value for _, value in found[at : at + 29]] for at in range(0, len(found), 29)]
            return [[min(part), sum(part) / len(part), max(part)] for part in parts]

        def latest() -> object:
            sql = "SELECT time, value FROM readings WHERE quantity = ? ORDER BY time DESC LIMIT 1"
            return [db.execute(sql, (name,)).fetchone() for name in CHANNELS]

        return {
            "CPU s a day, a commit a minute": spent_s * 144,
            "bytes a value": os.path.getsize(path) / data.size,
            "24 h of one channel to 600 points, CPU ms": cpu_ms(day, 3),
            "latest of all, CPU ms": cpu_ms(latest),
        }


def whole_numbers(path: Path, data: np.ndarray, *, wide: bool) -> Table:
    """Whole numbers and no packing: one row a value, or one a poll; a commit a minute, write-ahead log."""
    end_ms = START_MS + len(data) * EVERY_MS
    names = [f"c{place}" for place in range(len(CHANNELS))]
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = NORMAL")
        if wide:
            db.execute(f"CREATE TABLE kept (time INTEGER PRIMARY KEY, {', '.join(names)})")
            put = f"INSERT INTO kept VALUES (?{', ?' * len(names)})"
        else:
            db.execute(
                "CREATE TABLE kept (channel INTEGER, time INTEGER, value INTEGER,"
                " PRIMARY KEY (channel, time)) WITHOUT ROWID"
            )
            put = "INSERT INTO kept VALUES (?, ?, ?)"
        spent_s = 0.0
        for at in range(0, len(data), POLLS_A_COMMIT):
            rows: list[tuple[int, ...]] = []
            for number, row in enumerate(data[at : at + POLLS_A_COMMIT].tolist(), start=at):
                time_ms = START_MS + number * EVERY_MS
                rows += [(time_ms, *row)] if wide else [(c, time_ms, v) for c, v in enumerate(row)]
            started = time.process_time()
            db.execute("BEGIN")
            db.executemany(put, rows)
            db.execute("COMMIT")
            spent_s += time.process_time() - started
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        value = "c0" if wide else "value"
        where = "" if wide else "channel = 0 AND"

        def buckets(start_ms: int, width_ms: int) -> object:
            sql = (
                f"SELECT (time - ?) / ? AS bucket, min({value}), avg({value}), max({value}) FROM kept"
                f" WHERE {where} time >= ? AND time < ? GROUP BY bucket"
            )
            return db.execute(sql, (start_ms, width_ms, start_ms, end_ms)).fetchall()

        def latest() -> object:
            if wide:
                return db.execute("SELECT * FROM kept ORDER BY time DESC LIMIT 1").fetchone()
            sql = "SELECT time, value FROM kept WHERE channel = ? ORDER BY time DESC LIMIT 1"
            return [db.execute(sql, (channel,)).fetchone() for channel in range(len(CHANNELS))]

        days = len(data) / POLLS_A_DAY
        return {
            "CPU s a day, a commit a minute": spent_s / days,
            "bytes a value": os.path.getsize(path) / data.size,
            "24 h of one channel to 600 points, CPU ms": cpu_ms(lambda: buckets(end_ms - DAY_MS, 144_000), 5),
            "30 days by day, 3 channels, CPU ms": cpu_ms(lambda: buckets(START_MS, DAY_MS), 2) * 90 / days,
            "a year by day, CPU ms": cpu_ms(lambda: buckets(START_MS, DAY_MS), 2) * 365 / days,
            "latest of all, CPU ms": cpu_ms(latest),
        }


def show(title: str, table: Table, targets: Table, beside: Sequence[Table] = ()) -> None:
    print(f"\n{title}")
    for what, value in table.items():
        target = f"{targets[what]:10.1f}" if what in targets else f"{'':10}"
        others = (f"{other[what]:12.3f}" if what in other else f"{'':12}" for other in beside)
        print(f"  {what:46}{value:10.3f}{target}{''.join(others)}")
        if what in targets and "days alone" not in title:
            asked_of = f"{title.removeprefix('questions, ')}: {what}"
            hand_over(cost(asked_of, value, "", at_most=targets[what]))
            for name, other in zip(CONTENDERS, beside, strict=False):
                if what in other:
                    hand_over(ratio(asked_of, value / other[what], name))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--days", type=int, default=9, help="days that are written (at least 9)")
    parser.add_argument("--years", type=int, nargs="*", default=[1, 5], help="years to repeat them to")
    options = parser.parse_args()
    if options.days < 9:
        parser.error("--days must be at least 9")
    data = hundredths(options.days)[: -POLLS_A_DAY // 2]
    print(
        f"{len(CHANNELS)} channels each {EVERY_MS // 1000} s, {len(data) / POLLS_A_DAY:g} days, entropy"
        f" {entropy(data):.3f} bytes a value, SQLite {sqlite3.sqlite_version}"
    )
    with TemporaryDirectory() as folder:
        path = Path(folder) / "store.db"
        writing = written(path, data)
        beside = [
            plain_script(Path(folder) / "plain.db", data),
            whole_numbers(Path(folder) / "narrow.db", data, wide=False),
            whole_numbers(Path(folder) / "wide.db", data, wide=True),
        ]
        print(f"{'':48}{'store':>10}{'at most':>10}{'script':>12}{'narrow':>12}{'wide':>12}")
        show("writing", writing, TARGETS, beside)
        show(
            "questions, the days alone (contenders by day: their whole span, in proportion)",
            asked(path),
            DAYS_ALONE,
            beside,
        )
        for years in options.years:
            weeks = years * 52 + years // 4
            longer = Path(folder) / f"{years}.db"
            with closing(sqlite3.connect(path)) as file, closing(sqlite3.connect(longer)) as copy:
                file.backup(copy)
            repeat_backwards(longer, weeks)
            targets = TARGETS if years < 5 else FIVE_YEARS
            show(f"questions, {years} year{'s' * (years > 1)}", asked(longer), targets, beside)


if __name__ == "__main__":
    main()
