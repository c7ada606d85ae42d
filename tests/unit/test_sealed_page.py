"""The page's process can write nothing but requests: not by agreement, SQLite refuses the rest."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from monitor.errors import StoreError
from monitor.records import Reading, Request, parse_iso
from monitor.store.connect import connect, only_requests
from monitor.store.embedded import leave_request, open_writer
from tests.unit.site_files import MARSH_HIDE

NOW = parse_iso("2026-11-25T19:00:00Z")

TRIES = '''
import json, sys
from pathlib import Path
import dashboard.server as server
from monitor.errors import StoreError
from monitor.records import Heartbeat, LogEntry, Reading, Request
from monitor.store.connect import connect
from monitor.store.embedded import leave_request, open_importer, open_reader, open_writer
from monitor.store.heartbeat import write_heartbeat

site_file, store = Path(sys.argv[1]), Path(sys.argv[2])
NOW = int(sys.argv[3])

def with_writer(open_it):
    def tried():
        with open_it(store, "Europe/London") as writer:
            writer.put_note("clock", "{}")
            writer.append([Reading(NOW, "charger", "battery_voltage_V", 12.0)])
            writer.add_log_entry(LogEntry(NOW, "note", "by the page"))
            write_heartbeat(writer, Heartbeat(NOW, NOW, None))
            writer.commit()
    return tried

def with_sql(sql):
    def tried():
        connection = connect(store, read_only=False)
        connection.execute(sql)
        connection.close()
    return tried

def read_only_note():
    with open_reader(store) as reader:
        reader._connection.execute("INSERT INTO note VALUES ('a', 'b')")

WAYS = {
    "the daemon's writer": with_writer(open_writer),
    "the import's writer": with_writer(open_importer),
    "a note": with_sql("INSERT INTO note VALUES ('clock', '{}')"),
    "a note in place of another": with_sql("INSERT OR REPLACE INTO note VALUES ('clock', '{}')"),
    "a request that is changed": with_sql("UPDATE request SET document = '{}'"),
    "a request that is removed": with_sql("DELETE FROM request"),
    "a log entry": with_sql("INSERT INTO log (time_ms, document) VALUES (1, '{}')"),
    "a table": with_sql("CREATE TABLE mine (a)"),
    "a trigger": with_sql("CREATE TRIGGER t AFTER INSERT ON request BEGIN DELETE FROM note; END"),
    "another schema version": with_sql("PRAGMA user_version = 99"),
    "a journal without log": with_sql("PRAGMA journal_mode = DELETE"),
    "another file": with_sql(f"ATTACH '{store}-2' AS other"),
    "a copy of the whole": with_sql(f"VACUUM INTO '{store}-3'"),
    "a reader's connection": read_only_note,
}

def report(app, **_more):
    """Where the page would begin to listen: try every way that its process has of writing."""
    said = {}
    for name, way in WAYS.items():
        try:
            way()
            said[name] = "written"
        except (StoreError, __import__("sqlite3").Error) as error:
            said[name] = str(error)
    said["a request"] = leave_request(store, Request(NOW, "acknowledge", "Low voltage"))
    print(json.dumps(said))
    raise KeyboardInterrupt

server.create_server = report
try:
    server.serve(site_file)
except KeyboardInterrupt:
    pass
'''


def tables(path: Path) -> dict[str, list[tuple]]:
    """All rows of all tables, the tables themselves, and the version."""
    with closing(sqlite3.connect(path)) as ask:
        names = [name for (name,) in ask.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
        found = {name: ask.execute(f"SELECT * FROM {name}").fetchall() for name in sorted(names)}
        found["schema"] = ask.execute("SELECT * FROM sqlite_schema").fetchall()
        found["version"] = ask.execute("PRAGMA user_version").fetchall()
    return found


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "nightbank.db"
    with open_writer(path, "Europe/London") as writer:
        writer.append([Reading(NOW - 5000, "charger", "battery_voltage_V", 12.6)])
        writer.put_note("estimator", "state")
        writer.commit()
    leave_request(path, Request(NOW - 1, "reset", "Low voltage"))
    return path


def test_the_page_process_can_leave_requests_and_write_nothing_else(tmp_path: Path, store: Path) -> None:
    (tmp_path / "site.toml").write_text(MARSH_HIDE, encoding="utf-8")
    before = tables(store)
    done = subprocess.run(
        [sys.executable, "-c", TRIES, str(tmp_path / "site.toml"), str(store), str(NOW)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert said.pop("a request") == 2
    assert len(said) == 14
    assert "written" not in said.values(), said
    after = tables(store)
    assert len(after.pop("request")) == len(before.pop("request")) + 1
    assert after.pop("sqlite_sequence") != before.pop("sqlite_sequence")  # SQLite's own count of requests
    assert after == before
    assert not [path for path in tmp_path.iterdir() if path.name.endswith(("-2", "-3"))]


def test_a_connection_for_requests_refuses_all_else_in_any_process(store: Path) -> None:
    with closing(connect(store, read_only=False)) as connection:
        only_requests(connection)
        connection.execute("INSERT INTO request (done_ms, document) VALUES (NULL, '{}')")
        with pytest.raises(sqlite3.DatabaseError, match="not authorized"):
            connection.execute("DELETE FROM request")


def test_leaving_a_request_sets_nothing_else_off(store: Path) -> None:
    """A trigger that somebody put into the store would run with the right of whoever inserts."""
    with closing(sqlite3.connect(store)) as ask:
        ask.execute("CREATE TRIGGER t AFTER INSERT ON request BEGIN DELETE FROM note; END")
    before = tables(store)
    with pytest.raises(StoreError, match="not authorized"):
        leave_request(store, Request(NOW, "reset", "Low voltage"))
    assert tables(store) == before


def test_an_unsealed_process_writes_as_ever(store: Path) -> None:
    with open_writer(store, "Europe/London") as writer:
        writer.put_note("estimator", "another")
        writer.commit()
        assert writer.note("estimator") == "another"
    with pytest.raises(StoreError, match="no store yet"):
        leave_request(store.with_name("none.db"), Request(NOW, "reset", "x"))
