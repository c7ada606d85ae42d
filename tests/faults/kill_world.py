"""A store that is worked on and killed at random moments, and what must hold of it after each kill.

Everything is real: the daemon on the simulator's devices, an import beside it, people's requests, readers as
the page has them, and `nightbank store`'s compacting, backup and restore. What happens is drawn from a seed.

What must hold: the file is sound by SQLite's own check and by `troubles`; whatever a process had confirmed
and whatever a reader had seen is there; of an import at most the batch that was not yet confirmed is missing;
each alarm stands where its last transition left it; no request is lost; days add up to the readings; and the
next start comes up by itself.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from monitor.demo import site_text
from monitor.errors import StoreError
from monitor.records import LATEST_MS, Request
from monitor.simulated import SimulatorProcess
from monitor.store.copies import back_up, restore
from monitor.store.embedded import EmbeddedReader, leave_request, open_reader, open_writer
from monitor.store.heartbeat import read_heartbeat
from monitor.store.schema import MIGRATIONS, migrate
from monitor.store.upkeep import troubles
from tests.faults.kill_child import BATCH, EVERY_MS, HISTORY_MS, NAMES, ZONE, history, quiet
from tests.waiting import PATIENCE_S, wait_for

KINDS = ("daemon", "import", "migration", "compact", "backup", "restore")
SHARES = (10, 6, 2, 2, 2, 2)
"""How often each kind comes, of 24 (our choice: the daemon is what loses power in the field)."""

EVER = date(2025, 1, 1), date(2100, 1, 1)
NOON_MS = 1_782_043_200_000
"""2026-06-21T12:00:00Z."""

OLD_POLLS = 6 * 1440
"""Polls of the store of an old version that is brought up to date: six days, a poll a minute."""

ALARM = """
[[alarms]]
name = "Here at all"
quantity = "battery_voltage_V"
condition = "above"
set_point = 1
on_delay_s = 0
off_delay_s = 0
"""


class Victims:
    """The process whose forks are killed."""

    def __init__(self, log: Path) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.kill_child", str(log)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        )
        self._lines: list[str] = []
        self._new = threading.Condition()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            with self._new:
                self._lines.append(line.strip())
                self._new.notify_all()

    def _send(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()

    def _await(self, begins: str) -> str:
        with self._new:
            found = self._new.wait_for(
                lambda: next((line for line in self._lines if line.startswith(begins)), None), PATIENCE_S
            )
            assert found is not None, f"'{begins}' was never said"
            self._lines.remove(found)
            return found

    def start(self, **job: object) -> int:
        """Begin a job; its process id."""
        self._send(json.dumps(job))
        return int(self._await("began ").split()[1])

    def confirmed(self) -> int:
        """The last number that jobs have confirmed since this was last asked; 0 where none was."""
        with self._new:
            told = [int(line.split()[1]) for line in self._lines if line.startswith("done ")]
            self._lines = [line for line in self._lines if not line.startswith("done ")]
        return max(told, default=0)

    def ends(self, pid: int, *, kill: bool) -> int:
        """Kill a job, or let it end; its exit status. All that it said has been heard then."""
        if kill:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self._send(f"wait {pid}")
        return int(self._await(f"ended {pid} ").split()[2])

    def close(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(PATIENCE_S)


@dataclass
class Seen:
    """What readers have seen in the store; none of it may ever be gone."""

    counts: dict[str, int] = field(default_factory=dict)
    span_ms: int = -1
    events: int = 0
    transitions: int = 0
    done: set[int] = field(default_factory=set)

    def look(self, reader: EmbeddedReader, numbers: list[int]) -> None:
        for device in ("shunt", "import"):
            series = reader.series(NAMES[0], 0, LATEST_MS, 1, device=device)
            self.counts[device] = max(
                self.counts.get(device, 0), sum(bucket.count for bucket in series.buckets)
            )
        self.span_ms = max(self.span_ms, (reader.span() or (0, -1))[1])
        self.events = max(self.events, len(reader.events(0, LATEST_MS, 10**6)))
        self.transitions = max(self.transitions, len(reader.transitions(0, LATEST_MS, 10**6)))
        for number in numbers[-20:]:
            request = reader.request(number)
            if request is not None and request.done_ms is not None:
                self.done.add(number)


class World:
    """A site with its store, and what has happened to it."""

    def __init__(self, folder: Path, seed: int, simulator: SimulatorProcess, more: str = "") -> None:
        """more is for the end of the site file; it begins among the keys of the alarm's table."""
        self.rng = random.Random(seed)
        self.seed = seed
        self.folder = folder
        self.site = folder / "site.toml"
        text = site_text(simulator).replace("\nevery_s = 5", "\nevery_s = 0.2")
        text = text.replace("commit_every_s = 5", "commit_every_s = 1")
        self.site.write_text(text + ALARM + more, encoding="utf-8")
        self.store = folder / "nightbank.db"
        self.victims = Victims(folder / "log")
        self.seen = Seen()
        self.polls = 0
        self.requests: list[int] = []
        self.kills: Counter[str] = Counter()
        self.lost_s: list[float] = []
        self.number = 0
        open_writer(self.store, ZONE).close()
        self.old = folder / "old.db"
        make_old(self.old)
        self.migration_s = self._time_migration()

    def _time_migration(self) -> float:
        copy = self.folder / "timed.db"
        copy.write_bytes(self.old.read_bytes())
        begin_s = time.monotonic()
        assert self.victims.ends(self.victims.start(do="open", store=str(copy)), kill=False) == 0
        self.victims.confirmed()
        return time.monotonic() - begin_s

    # --- rounds -------------------------------------------------------------------------------------------

    def kill_one(self, kind: str) -> None:
        """One kill of a kind, and what must hold afterwards."""
        self.number += 1
        getattr(self, f"_kill_{kind}")()
        self.kills[kind] += 1
        self.check()

    @property
    def where(self) -> str:
        return f"seed {self.seed}, kill {self.number}"

    def _kill_daemon(self) -> None:
        """The daemon, most times with an import beside it, after it has committed, or while it starts."""
        before_ms = self._beat_ms()
        daemon = self.victims.start(do="daemon", site=str(self.site))
        imports = self.rng.random() < 0.7
        other = self._start_import() if imports else 0
        with self._people():
            if self.rng.random() < 0.8:
                self._await_commit(before_ms)
            time.sleep(self.rng.uniform(0, 1.5))
            killed_s = time.time()
            self.victims.ends(daemon, kill=True)
        if imports:
            self._end_import(other)
        with open_reader(self.store) as reader:
            beat = read_heartbeat(reader)
            known_ms = [each.time_ms for each in reader.latest() if each.device in ("shunt", "charger")]
        if beat is not None and beat.time_ms > before_ms:
            self.lost_s.append(killed_s - max(beat.started_ms, *known_ms, 0) / 1000)

    def _await_commit(self, before_ms: int) -> None:
        """A daemon has committed since a heartbeat."""

        def told() -> str:
            return f"{self.where}: the daemon commits; {(self.folder / 'log').read_text()[-3000:]}"

        wait_for(lambda: self._beat_ms() > before_ms, told)

    def _kill_import(self) -> None:
        other = self._start_import()
        time.sleep(self.rng.uniform(0, 0.4))
        self._end_import(other)

    def _start_import(self) -> int:
        most = self.polls + BATCH * self.rng.randint(5, 60)
        return self.victims.start(do="import", store=str(self.store), first=self.polls, most=most)

    def _end_import(self, pid: int) -> None:
        """Kill an import: what it confirmed is there, and at most one batch more."""
        self.victims.ends(pid, kill=True)
        confirmed = max(self.polls, self.victims.confirmed())
        with open_reader(self.store) as reader:
            counts = {count(reader, "import", name) for name in NAMES}
        assert len(counts) == 1, f"{self.where}: a batch is there in part: {counts}"
        self.polls = counts.pop()
        assert self.polls in (confirmed, confirmed + BATCH), f"{self.where}: {confirmed} were confirmed"

    def _kill_migration(self) -> None:
        """A store of the version before blocks is brought up to date and packed."""
        path = self.folder / f"old{self.number}.db"
        path.write_bytes(self.old.read_bytes())
        self._run_and_kill(self.migration_s, do="open", store=str(path))
        with closing(sqlite3.connect(path)) as file:
            assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)], self.where
            (version,) = file.execute("PRAGMA user_version").fetchone()
            assert version in (OLD_VERSION, len(MIGRATIONS)), self.where
        with open_writer(path, ZONE) as writer:
            assert list(writer.readings(0, LATEST_MS)) == history(range(OLD_POLLS)), self.where
            found = {(stat.quantity, stat.day): stat.count for stat in writer.days(*EVER)}
            assert sum(found.values()) == OLD_POLLS * len(NAMES), self.where
        for ending in ("", "-wal", "-shm", ".lock"):
            path.with_name(path.name + ending).unlink(missing_ok=True)

    def _kill_compact(self) -> None:
        self._run_and_kill(0.5, do="compact", store=str(self.store))

    def _kill_backup(self) -> None:
        copy = self.folder / "backup.db"
        copy.unlink(missing_ok=True)
        self._run_and_kill(0.1, do="backup", store=str(self.store), copy=str(copy))
        if copy.exists():
            with open_reader(copy) as reader:
                assert count(reader, "import", NAMES[0]) == self.polls, self.where

    def _kill_restore(self) -> None:
        """A backup is put in the store's place; under its name is a whole store at each moment."""
        copy, aside = self.folder / f"copy{self.number}.db", self.folder / f"aside{self.number}.db"
        back_up(self.store, copy, quiet)
        kept = self.polls
        other = self._start_import()
        time.sleep(0.1)
        self._end_import(other)
        self._run_and_kill(0.2, do="restore", store=str(self.store), copy=str(copy), aside=str(aside))
        with open_reader(self.store) as reader:
            there = count(reader, "import", NAMES[0])
        assert there in (kept, self.polls), self.where
        if there != self.polls:
            restore(self.store, aside, self.folder / f"copied{self.number}.db", quiet, HISTORY_MS)

    def _run_and_kill(self, about_s: float, **job: object) -> None:
        pid = self.victims.start(**job)
        time.sleep(self.rng.uniform(0, about_s))
        status = self.victims.ends(pid, kill=True)
        assert status in (0, -signal.SIGKILL), f"{self.where}: {job} ended with {status}"
        self.victims.confirmed()

    # --- beside -------------------------------------------------------------------------------------------

    @contextmanager
    def _people(self) -> Iterator[None]:
        """People leave requests and look at pages."""
        stop, failed = threading.Event(), list[BaseException]()

        def guarded(work: Callable[[], None]) -> None:
            try:
                while not stop.is_set():
                    work()
                    time.sleep(0.05)
            except BaseException as error:
                failed.append(error)

        rng = random.Random(self.rng.random())

        def ask() -> None:
            kind = rng.choice(["acknowledge", "shelve", "unshelve"])
            details = {"for_s": 3600.0} if kind == "shelve" else {}
            now_ms = time.time_ns() // 10**6
            with suppress(StoreError):  # busy: the person is told so and tries again
                request = Request(now_ms, kind, "Here at all", details)
                self.requests.append(leave_request(self.store, request))

        def look() -> None:
            with open_reader(self.store) as reader:
                self.seen.look(reader, self.requests)

        threads = [threading.Thread(target=guarded, args=(work,)) for work in (ask, look)]
        for thread in threads:
            thread.start()
        try:
            yield
        finally:
            stop.set()
            for thread in threads:
                thread.join()
        assert not failed, f"{self.where}: {failed}"

    def _beat_ms(self) -> int:
        with open_reader(self.store) as reader:
            beat = read_heartbeat(reader)
        return -1 if beat is None else beat.time_ms

    # --- what must hold -----------------------------------------------------------------------------------

    def check(self) -> None:
        found = list(troubles(self.store, quiet))
        assert found == [], f"{self.where}: {found}"
        with open_reader(self.store) as reader:
            now = Seen()
            now.look(reader, self.requests)
            for device, there in self.seen.counts.items():
                assert now.counts[device] >= there, f"{self.where}: {device} had {there} readings"
            assert now.span_ms >= self.seen.span_ms, self.where
            assert now.events >= self.seen.events, self.where
            assert now.transitions >= self.seen.transitions, self.where
            assert now.counts["import"] == self.polls, self.where
            for number in self.requests:
                request = reader.request(number)
                assert request is not None, f"{self.where}: request {number} is gone"
                assert number not in self.seen.done or request.done_ms is not None, self.where
                assert (request.done_ms is None) == (request.outcome == ""), f"{self.where}: {request}"
            last = {each.alarm: each.after for each in reversed(reader.transitions(0, LATEST_MS, 10**6))}
            for alarm in reader.alarms():
                assert alarm.state == last.get(alarm.name, "normal"), f"{self.where}: {alarm.name}"
            stats = reader.days(*EVER)
            shown = Counter(dict.fromkeys(NAMES, 0))
            for stat in stats:
                if stat.device == "import":
                    shown[stat.quantity] += stat.count
            assert set(shown.values()) == {self.polls}, f"{self.where}: days {shown}"
        self.seen = now

    def finish(self) -> None:
        """The next start comes up by itself, does what is asked of it, and packs on."""
        self.number += 1
        before_ms = self._beat_ms()
        daemon = self.victims.start(do="daemon", site=str(self.site))
        self._await_commit(before_ms)

        def all_done() -> bool:
            with open_reader(self.store) as reader:
                return reader.open_requests() == []

        wait_for(all_done, f"{self.where}: all requests are done")
        os.kill(daemon, signal.SIGTERM)
        assert self.victims.ends(daemon, kill=False) == 0, self.where
        self.check()
        whole = self.folder / "whole.db"
        with open_writer(self.store, ZONE) as writer, open_writer(whole, ZONE) as other:
            writer.pack_all(lambda left: None)
            other.append(history(range(self.polls)))
            other.commit()
            ours = [stat for stat in writer.days(*EVER) if stat.device == "import"]
            assert ours == other.days(*EVER), self.where
            assert list(writer.readings(0, LATEST_MS, ["import"])) == history(range(self.polls)), self.where
        self.check()

    def close(self) -> None:
        self.victims.close()


OLD_VERSION = next(place for place, step in enumerate(MIGRATIONS) if step.name == "packed blocks and tiers")


def make_old(path: Path) -> None:
    """A store of the version before blocks, whose days are yet to be cut by the time zone."""
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        migrate(file, path, MIGRATIONS[:OLD_VERSION])
        file.execute("BEGIN")
        readings = history(range(OLD_POLLS))
        first, last = HISTORY_MS, HISTORY_MS + (OLD_POLLS - 1) * EVERY_MS
        for place, name in enumerate(NAMES, start=1):
            file.execute(f"ALTER TABLE poll ADD COLUMN c{place} INTEGER")
            value = readings[place - 1 - len(NAMES)].value
            file.execute(
                "INSERT INTO channel VALUES (?, 'import', ?, ?, ?, ?, 0, '', ?, ?, ?)",
                (place, name, first, last, value, first, last, value),
            )
        file.executemany(
            "INSERT INTO poll VALUES (?, ?, ?, ?)",
            (
                (readings[at].time_ms, *(round((each.value or 0) * 1000) for each in readings[at : at + 3]))
                for at in range(0, len(readings), 3)
            ),
        )
        file.execute("COMMIT")


def count(reader: EmbeddedReader, device: str, name: str) -> int:
    series = reader.series(name, 0, LATEST_MS, 1, device=device)
    return sum(bucket.count for bucket in series.buckets)


def draw_kinds(
    rng: random.Random, kills: int, kinds: Sequence[str] = KINDS, shares: Sequence[int] = SHARES
) -> list[str]:
    """Which kinds of kills come: each once, then by their shares, in any order."""
    drawn = [*kinds, *rng.choices(kinds, shares, k=max(0, kills - len(kinds)))][:kills]
    rng.shuffle(drawn)
    return drawn
