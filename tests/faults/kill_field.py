"""The world of `kill_world.py` with all that runs in the field: page, forwarder, notices; and torn files.

The page is killed while a person unlocks it and writes notes, the forwarder while it copies an import to a
real influxdb, everything with `kill -9`. After each kill of the daemon copies of its files are torn as a
cut of the current may tear them (`torn.py`). Beside what holds there, this must hold: no note that the page
has confirmed is lost; no notice that was seen is gone, and in the end the far end has got each that says
so; in the end every good reading of the store is on the server; a torn copy comes up by itself as what it
was at its last whole commit.
"""

from __future__ import annotations

import http.client
import json
import random
import re
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from monitor.mirror.run import once
from monitor.pin import pin_path, set_pin
from monitor.records import LATEST_MS
from monitor.simulated import SimulatorProcess
from monitor.site.load import load_site
from monitor.store.embedded import open_reader, open_writer
from monitor.store.upkeep import troubles
from tests.faults.door_client import Visitor
from tests.faults.kill_child import ZONE, quiet
from tests.faults.kill_world import KINDS, NOON_MS, SHARES, World
from tests.faults.notice_server import NoticeServer
from tests.faults.torn import DAMAGES, damage, digest, remove
from tests.interop.mirror_world import stored
from tests.interop.series_servers import Gate, Influx
from tests.ports import free_port
from tests.waiting import wait_for

FIELD_KINDS = (*KINDS, "page", "forwarder")
FIELD_SHARES = (*SHARES, 6, 6)
PIN = "739204"
PEOPLE = 3
NOTE_TOKEN = re.compile(r'name="form_token" value="([^"]+)"><input type="hidden" name="kind" value="note">')
WHEN = "2026-06-01T12:00"
ALARM, BUCKET = "Here at all", "hide"
SITE = """priority = "urgent"

[[channels]]
name = "far"
kind = "hook"
url = "http://127.0.0.1:{notices}/"

[[mirrors]]
name = "hub"
url = "http://127.0.0.1:{gate}"
bucket = "hide"
send = ["all"]
every_s = 1
lines_per_s = 100000
"""


Servers = tuple[Influx, Gate]


class Person(threading.Thread):
    """Writes note after note until nobody answers any more. cookie: of an unlocked page."""

    def __init__(self, port: int, cookie: str, text: str) -> None:
        super().__init__(daemon=True)
        self._visitor, self.text = Visitor(port), text
        self._visitor.cookie = cookie
        self.confirmed: list[str] = []

    def run(self) -> None:
        with suppress(OSError, http.client.HTTPException):
            for number in range(1000):
                token = NOTE_TOKEN.search(self._visitor.get("/care").text)
                if token is None:
                    return
                text = f"{self.text}, {number}"
                fields = {"kind": "note", "when": WHEN, "text": text, "form_token": token[1]}
                answer = self._visitor.send("/care/write", fields)
                if answer.status != 303:
                    return
                self.confirmed.append(text)


class FieldWorld(World):
    """A site with page, forwarder and a channel, and what has happened to it."""

    def __init__(
        self, folder: Path, seed: int, simulator: SimulatorProcess, far: NoticeServer, servers: Servers
    ) -> None:
        influx, gate = servers
        super().__init__(folder, seed, simulator, SITE.format(notices=far.port, gate=gate.port))
        self.far, self.influx = far, influx
        influx.ask(f"CREATE DATABASE {BUCKET}")
        set_pin(pin_path(self.store), PIN)
        self.notices: dict[int, str] = {}
        self.damages: Counter[str] = Counter()
        self.back_s: list[float] = []
        self.confirmed_notes = self.kept_notes = 0

    # --- rounds -------------------------------------------------------------------------------------------

    def _kill_daemon(self) -> None:
        super()._kill_daemon()
        self._tear()

    def _kill_page(self) -> None:
        """The page, while notes are sent, and then the daemon that files them: what the page has confirmed is
        in the log or still asked for, and of each person one more at most."""
        port = free_port()
        before_ms = self._beat_ms()
        daemon = self.victims.start(do="daemon", site=str(self.site))
        page = self.victims.start(do="page", site=str(self.site), port=port)
        self._await_commit(before_ms)
        wait_for(lambda: _answers(port), f"{self.where}: the page answers")
        # unlocked before: a try that a kill breaks off counts as a wrong one, and many of them lock the door
        door = Visitor(port)
        assert door.unlock(PIN).status == 303, self.where
        texts = [f"Note {place} of kill {self.number}" for place in range(PEOPLE)]
        people = [Person(port, door.cookie, text) for text in texts]
        for person in people:
            person.start()
        time.sleep(self.rng.uniform(0.0, 3.0))
        self.victims.ends(page, kill=True)
        for person in people:
            person.join()
        self.victims.ends(daemon, kill=True)
        notes = self._notes()
        for person in people:
            new = [text for text in notes if text.startswith(f"{person.text},")]
            told = f"{self.where}: confirmed {person.confirmed}, kept {new}"
            assert len(new) == len(set(new)), told
            assert set(person.confirmed) <= set(new), told
            assert len(new) <= len(person.confirmed) + 1, told
            self.confirmed_notes += len(person.confirmed)
            self.kept_notes += len(new)
        self._tear()

    def _kill_forwarder(self) -> None:
        """The forwarder, while an import gives it work; the next one goes on from wherever it was."""
        forwarder = self.victims.start(do="forward", site=str(self.site))
        other = self._start_import()
        time.sleep(self.rng.uniform(0.0, 1.2))
        self.victims.ends(forwarder, kill=True)
        self._end_import(other)

    def _notes(self) -> list[str]:
        """The texts of all notes, in the log or asked for."""
        with open_reader(self.store) as reader:
            filed = [entry.text for entry in reader.log(0, LATEST_MS, 10**6)]
            return filed + [str(request.details.get("text", "")) for request in reader.open_requests()]

    # --- torn files ---------------------------------------------------------------------------------------

    def _tear(self) -> None:
        """Tear copies of the files that a kill has left, in each way, and start on them."""
        for kind in DAMAGES:
            torn = self.folder / f"torn-{kind}.db"
            done = damage(self.store, kind, random.Random(self.rng.random()), torn)
            if done is None:
                continue
            sound, commits = done
            where = f"{self.where}, {kind}"
            kept, whole = (self._beat_of(each) for each in (self.store, sound))
            assert digest_of_copy(torn) == digest(sound), where
            open_writer(torn, ZONE).close()  # it comes up by itself
            assert list(troubles(torn, quiet)) == [], where
            self.damages[kind] += 1
            if kept is not None and whole is not None and commits <= 1:
                self.back_s.append((kept - whole) / 1000)
            remove(torn)
            remove(sound)

    def _beat_of(self, store: Path) -> int | None:
        with open_reader(store) as reader:
            note = reader.note("heartbeat")
        return None if note is None else int(json.loads(note)["time_ms"])

    # --- what must hold -----------------------------------------------------------------------------------

    def check(self) -> None:
        super().check()
        with open_reader(self.store) as reader:
            there = {notice.id: notice.state for notice in reader.notices(10**6)}
            raised = [each for each in reader.transitions(0, LATEST_MS, 10**6) if each.alarm == ALARM]
        assert there.keys() >= self.notices.keys(), f"{self.where}: notices are gone"
        undone = [number for number, state in self.notices.items() if state == "delivered" != there[number]]
        assert undone == [], f"{self.where}: {undone} were delivered before"
        self.notices = there
        assert not self.seen.transitions or raised, f"{self.where}: the alarm's transitions are gone"

    def finish(self) -> None:
        super().finish()
        with open_reader(self.store) as reader:
            notices = [notice for notice in reader.notices(10**6) if notice.about == ALARM]
        assert notices, f"{self.where}: the alarm was never told"
        waiting = {notice.state for notice in notices} & {"due", "trying"}
        assert not waiting, f"{self.where}: {waiting}"
        delivered = {str(notice.id) for notice in notices if notice.state == "delivered"}
        got = {each.rpartition("-")[2] for each in self.far.ids()}
        assert delivered <= got, f"{self.where}: the far end lacks {delivered - got}"
        assert once(load_site(self.site), self.site) == {}, self.where
        copied, kept = self.influx.values(BUCKET), stored(self.store)
        lacking = [key for key, value in kept.items() if copied.get(key) != value]
        assert lacking == [], f"{self.where}: the copy lacks {len(lacking)} of {len(kept)}, {lacking[:3]}"


def digest_of_copy(store: Path) -> str:
    """A store's digest without touching it: SQLite writes its log back where it is closed."""
    copy = store.with_name(f"{store.name}-digest.db")
    for ending in ("", "-wal"):
        copy.with_name(copy.name + ending).write_bytes(store.with_name(store.name + ending).read_bytes())
    try:
        return digest(copy)
    finally:
        remove(copy)


def _answers(port: int) -> bool:
    with suppress(OSError):
        return Visitor(port).get("/alarms").status == 200
    return False


@contextmanager
def field_world(folder: Path, seed: int) -> Iterator[FieldWorld]:
    """A world with its simulator, far ends and servers."""
    with ExitStack() as stack:
        simulator = stack.enter_context(SimulatorProcess(folder / "ports", NOON_MS))
        simulator.ask(do="run", speed=1.0)
        far = NoticeServer()
        stack.callback(far.close)
        (folder / "influx").mkdir()
        influx = stack.enter_context(Influx(folder / "influx"))
        gate = stack.enter_context(Gate(folder / "influx", influx.port))
        made = FieldWorld(folder, seed, simulator, far, (influx, gate))
        stack.callback(made.close)
        yield made
