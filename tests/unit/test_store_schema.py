"""Schema versions: steps run whole or not at all, a newer file is refused with advice."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import asdict
from pathlib import Path

import pytest

from monitor.errors import StoreError
from monitor.records import AlarmState, Condition, DeviceHealth, Quality, Reading
from monitor.store.embedded import EmbeddedReader, open_reader, open_writer
from monitor.store.schema import MIGRATIONS, Migration, check, migrate, version_of


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "store.db"


@pytest.fixture
def connection(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        yield connection


def schema_of(connection: sqlite3.Connection) -> list[tuple[str, str]]:
    return connection.execute("SELECT name, sql FROM sqlite_schema ORDER BY name").fetchall()


def test_a_new_file_gets_the_newest_version_and_again_changes_nothing(
    connection: sqlite3.Connection, path: Path
) -> None:
    assert version_of(connection, path) == 0
    migrate(connection, path)
    assert version_of(connection, path) == len(MIGRATIONS)
    before = schema_of(connection)
    migrate(connection, path)
    assert schema_of(connection) == before
    check(connection, path)


def test_later_steps_run_on_an_older_file_and_keep_its_data(
    connection: sqlite3.Connection, path: Path
) -> None:
    migrate(connection, path)
    connection.execute("INSERT INTO note VALUES ('estimator', 'state')")
    more = (*MIGRATIONS, Migration("tiers", ("CREATE TABLE hour (start_ms INTEGER PRIMARY KEY)",)))
    migrate(connection, path, more)
    assert version_of(connection, path) == len(MIGRATIONS) + 1
    assert connection.execute("SELECT text FROM note").fetchall() == [("state",)]
    assert "hour" in dict(schema_of(connection))


def test_a_step_that_fails_takes_all_steps_of_the_run_back(
    connection: sqlite3.Connection, path: Path
) -> None:
    migrate(connection, path)
    before = schema_of(connection)
    more = (
        *MIGRATIONS,
        Migration("tiers", ("CREATE TABLE hour (start_ms INTEGER PRIMARY KEY)", "DROP TABLE note")),
        Migration("broken", ("CREATE TABLE minute (start_ms INTEGER)", "INSERT INTO nowhere VALUES (1)")),
    )
    with pytest.raises(StoreError, match=r"the step 'broken' .* failed .*the file is as it was"):
        migrate(connection, path, more)
    assert schema_of(connection) == before
    assert version_of(connection, path) == len(MIGRATIONS)


def test_a_newer_file_is_refused_with_advice_and_left_alone(path: Path) -> None:
    open_writer(path, "UTC").close()
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    before = path.read_bytes()
    for opened in (open_reader, lambda p: open_writer(p, "UTC")):
        with pytest.raises(StoreError, match=r"a newer Nightbank wrote it; update this one"):
            opened(path)
    assert path.read_bytes() == before


def test_an_older_file_is_not_read_before_the_daemon_brought_it_up_to_date(
    connection: sqlite3.Connection, path: Path
) -> None:
    migrate(connection, path)
    connection.execute("PRAGMA user_version = 0")
    with pytest.raises(StoreError, match=r"start the daemon .* once"):
        open_reader(path)


def test_alarms_of_the_first_version_keep_standing(connection: sqlite3.Connection, path: Path) -> None:
    migrate(connection, path, MIGRATIONS[:1])
    connection.execute(
        "INSERT INTO alarm VALUES ('Low voltage', 'clearing', 1000, 'high', 11.6, 'Low voltage: 11.6 V', 500)"
    )
    connection.execute(
        "INSERT INTO alarm VALUES ('Bank too hot', 'waiting', 2000, 'high', 46.0, 'hot', NULL)"
    )
    migrate(connection, path)
    with closing(EmbeddedReader(path, connection)) as reader:
        hot, low = reader.alarms()
    assert low == AlarmState(
        "Low voltage", Condition.UNACKNOWLEDGED, 1000, "high", 11.6, "Low voltage: 11.6 V", raised_ms=500
    )
    assert hot == AlarmState("Bank too hot", Condition.NORMAL, 2000, "high", 46.0, "")


def test_what_every_commit_changes_is_where_it_was_after_it_moved_together(
    connection: sqlite3.Connection, path: Path
) -> None:
    (before,) = (
        place for place, step in enumerate(MIGRATIONS) if step.name == "what every commit changes, together"
    )
    migrate(connection, path, MIGRATIONS[:before])
    health = DeviceHealth("shunt", "/dev/shunt", "answering", 1000, 2000, 1.5, 7, {"timeout": 1})
    connection.execute("INSERT INTO health VALUES ('shunt', ?)", (json.dumps(asdict(health)),))
    connection.execute("INSERT INTO note VALUES ('heartbeat', 'beats'), ('estimator', 'state')")
    connection.execute(
        "INSERT INTO channel VALUES (1, 'shunt', 'battery_voltage_V', 1000, 2000, NULL, 2, 'no answer',"
        " 1000, 1500, 12.62), (2, 'shunt', 'state_of_charge', 1000, 1500, 0.5, 0, '', 1000, 1500, 0.5)"
    )
    migrate(connection, path)
    with closing(EmbeddedReader(path, connection)) as reader:
        assert reader.health() == [health]
        assert (reader.note("heartbeat"), reader.note("estimator")) == ("beats", "state")
        assert reader.span() == (1000, 2000)
        assert reader.latest() == [
            Reading(2000, "shunt", "battery_voltage_V", None, Quality.MISSING, "no answer"),
            Reading(1500, "shunt", "state_of_charge", 0.5),
        ]
        assert reader.latest_good("battery_voltage_V") == Reading(1500, "shunt", "battery_voltage_V", 12.62)
