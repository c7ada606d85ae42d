"""The tables of the embedded store, their version, and the steps from one version to the next.

Layout, and why. Good readings, nearly all there are, come into `poll`: one row a time, one column a channel
(a device's quantity), whole steps instead of floats. The time is the row's own key and the device's and
quantity's names are said once, in `channel`. That takes a hundredth of the CPU of committing one text row a
value, and 3 to 4 bytes a value against a hundred. A time at which only one channel came costs a row with one
byte for each empty column before it.

When six hours have ended, the writer packs them, piece by piece with its commits (`packing.py`), into one row
of `block`: each channel's values and the clocks that channels share, deflated (`pack.py`), close to the
entropy of the noise. All channels in one row, since rows of a kilobyte leave a sixth of SQLite's pages empty;
the head says who stands where. A reading stands in `poll` or in a block, never in both. Late ones come into
`poll` like any other and are packed into the block later, so that a commit never waits for packing.

When a day (UTC) has ended, each channel is summed up in hours (`tier`) and five minutes (`five_minutes`: all
channels of a day in one row; it holds for a channel while that channel's row of `tier` is there). A tier says
all that the channel has in that day, wherever it stands: what lands late drops it, and `stale` tells which
are to be made anew. `day` has the statistics of each local day in `meta.time_zone` and where its gaps are;
`gaps` is NULL in days of an old store until the packing has come by.

What changes with every commit stands together in `now`, so that a commit writes one page of it, whatever
the age of the store: a channel's newest readings and the statistics of the day in which its newest good one
lies, devices' health, and the notes of EACH_COMMIT. Statistics go over to `day` when the next day begins; a
day stands in one of the two, and both together are up to date with every commit. (Measured with eighteen
channels: as rows of `day` they took a page a channel, 20 pages a commit in a store of two months.)

Readings that are not good are rare and stand in `flawed` with value and reason; nothing that adds up or
draws ever needs to look there.

`mirror` has the mirrors that copy this store elsewhere, and how many of the notes in `late` each has heard.
A note tells of good readings that landed before the newest of their channel, where a mirror may have been
already (`late.py`); there are none while there is no mirror.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from monitor.errors import StoreError

APPLICATION_ID = 0x6E626B31
"""Marks the file as ours in SQLite's header (our choice)."""

CHANNEL, HEALTH, NOTE = 0, 1, 2
"""The kinds of rows in `now`: a channel's by its number, a device's health and a note by their names."""

EACH_COMMIT = frozenset({"heartbeat"})
"""Notes that change with each commit, and are short."""


@dataclass(frozen=True, slots=True)
class Migration:
    """One step of the schema: its name and its statements. Its place in MIGRATIONS is its version."""

    name: str
    statements: tuple[str, ...]


MIGRATIONS: tuple[Migration, ...] = (
    Migration(
        "first tables",
        (
            "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
            "CREATE TABLE device (name TEXT PRIMARY KEY, rank INTEGER NOT NULL) WITHOUT ROWID",
            """CREATE TABLE channel (
                id INTEGER PRIMARY KEY,
                device TEXT NOT NULL,
                quantity TEXT NOT NULL,
                first_ms INTEGER, last_ms INTEGER, last_value REAL, last_quality INTEGER, last_reason TEXT,
                good_first_ms INTEGER, good_ms INTEGER, good_value REAL,
                UNIQUE (device, quantity))""",
            "CREATE TABLE poll (time_ms INTEGER PRIMARY KEY)",
            "CREATE TABLE reason (id INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE)",
            """CREATE TABLE flawed (
                channel INTEGER NOT NULL, time_ms INTEGER NOT NULL, quality INTEGER NOT NULL,
                reason INTEGER NOT NULL, value REAL,
                PRIMARY KEY (channel, time_ms)) WITHOUT ROWID""",
            """CREATE TABLE day (
                day INTEGER NOT NULL, channel INTEGER NOT NULL, count INTEGER NOT NULL,
                minimum REAL NOT NULL, min_ms INTEGER NOT NULL, mean REAL NOT NULL, maximum REAL NOT NULL,
                first REAL NOT NULL, last REAL NOT NULL,
                integral_h REAL NOT NULL, positive_h REAL NOT NULL, negative_h REAL NOT NULL,
                covered_s REAL NOT NULL,
                PRIMARY KEY (day, channel)) WITHOUT ROWID""",
            """CREATE TABLE event (
                id INTEGER PRIMARY KEY, time_ms INTEGER NOT NULL,
                kind TEXT NOT NULL, subject TEXT NOT NULL, text TEXT NOT NULL)""",
            "CREATE INDEX event_by_time ON event (time_ms)",
            """CREATE TABLE alarm (
                name TEXT PRIMARY KEY, state TEXT NOT NULL, since_ms INTEGER NOT NULL,
                priority TEXT NOT NULL, value REAL, text TEXT NOT NULL, raised_ms INTEGER) WITHOUT ROWID""",
            "CREATE TABLE health (device TEXT PRIMARY KEY, document TEXT NOT NULL) WITHOUT ROWID",
            "CREATE TABLE note (key TEXT PRIMARY KEY, text TEXT NOT NULL) WITHOUT ROWID",
        ),
    ),
    Migration(
        "alarms by the standard, requests, notices",
        (
            "ALTER TABLE alarm RENAME TO alarm_before",
            "CREATE TABLE alarm (name TEXT PRIMARY KEY, document TEXT NOT NULL) WITHOUT ROWID",
            """INSERT INTO alarm SELECT name, json_object(
                'name', name,
                'state', CASE WHEN state IN ('active', 'clearing') THEN 'unacknowledged' ELSE 'normal' END,
                'since_ms', since_ms, 'priority', priority, 'value', value,
                'text', CASE WHEN state IN ('active', 'clearing') THEN text ELSE '' END,
                'raised_ms', CASE WHEN state IN ('active', 'clearing') THEN raised_ms END)
                FROM alarm_before""",
            "DROP TABLE alarm_before",
            """CREATE TABLE transition (
                id INTEGER PRIMARY KEY, time_ms INTEGER NOT NULL, alarm TEXT NOT NULL,
                document TEXT NOT NULL)""",
            "CREATE INDEX transition_by_time ON transition (time_ms)",
            """CREATE TABLE request (
                id INTEGER PRIMARY KEY AUTOINCREMENT, done_ms INTEGER, document TEXT NOT NULL)""",
            "CREATE INDEX request_open ON request (id) WHERE done_ms IS NULL",
            """CREATE TABLE notice (
                id INTEGER PRIMARY KEY AUTOINCREMENT, finished_ms INTEGER, document TEXT NOT NULL)""",
            "CREATE INDEX notice_open ON notice (id) WHERE finished_ms IS NULL",
        ),
    ),
    Migration(
        "the hand-written log",
        (
            """CREATE TABLE log (
                id INTEGER PRIMARY KEY AUTOINCREMENT, time_ms INTEGER NOT NULL, document TEXT NOT NULL)""",
            "CREATE INDEX log_by_time ON log (time_ms)",
        ),
    ),
    Migration(
        "packed blocks and tiers",
        (
            "CREATE TABLE block (span INTEGER PRIMARY KEY, head BLOB NOT NULL, body BLOB NOT NULL)",
            "CREATE TABLE tier (id INTEGER PRIMARY KEY, hours BLOB NOT NULL)",
            "CREATE TABLE five_minutes (day INTEGER PRIMARY KEY, head BLOB NOT NULL, body BLOB NOT NULL)",
            """CREATE TABLE stale (
                day INTEGER NOT NULL, channel INTEGER NOT NULL, PRIMARY KEY (day, channel)) WITHOUT ROWID""",
            "ALTER TABLE day RENAME TO day_before",
            """CREATE TABLE day (
                day INTEGER NOT NULL, channel INTEGER NOT NULL, count INTEGER NOT NULL,
                minimum REAL NOT NULL, min_ms INTEGER NOT NULL, mean REAL NOT NULL, maximum REAL NOT NULL,
                first REAL NOT NULL, last REAL NOT NULL,
                integral_h REAL NOT NULL, positive_h REAL NOT NULL, negative_h REAL NOT NULL,
                covered_s REAL NOT NULL, first_ms INTEGER, last_ms INTEGER, limit_ms INTEGER, gaps BLOB,
                PRIMARY KEY (channel, day)) WITHOUT ROWID""",
            """INSERT INTO day SELECT day, channel, count, minimum, min_ms, mean, maximum, first, last,
                integral_h, positive_h, negative_h, covered_s, NULL, NULL, NULL, NULL FROM day_before""",
            "DROP TABLE day_before",
            "CREATE INDEX day_without_gaps ON day (day) WHERE gaps IS NULL",
        ),
    ),
    Migration(
        "notes for mirrors",
        (
            "CREATE TABLE mirror (name TEXT PRIMARY KEY, key INTEGER NOT NULL, heard INTEGER NOT NULL)"
            " WITHOUT ROWID",
            """CREATE TABLE late (
                id INTEGER PRIMARY KEY AUTOINCREMENT, channels TEXT NOT NULL,
                start_ms INTEGER NOT NULL, end_ms INTEGER NOT NULL, times BLOB)""",
        ),
    ),
    Migration(
        "what every commit changes, together",
        (
            # values and sums are in steps of 1 / per_unit; REAL, since SQLite keeps whole ones short
            """CREATE TABLE now (
                kind INTEGER NOT NULL, name NOT NULL, document TEXT, per_unit INTEGER,
                good_ms INTEGER, good REAL,
                last_ms INTEGER, last_value REAL, last_quality INTEGER, last_reason TEXT,
                day INTEGER, count INTEGER, minimum REAL, min_ms INTEGER, total REAL, maximum REAL,
                first REAL, above2 REAL, below2 REAL, covered_ms REAL,
                first_ms INTEGER, limit_ms INTEGER, gaps BLOB,
                PRIMARY KEY (kind, name)) WITHOUT ROWID""",
            # in whole units until the channel's next reading comes; its day stays where it is as long
            """INSERT INTO now (kind, name, per_unit, good_ms, good, last_ms, last_value, last_quality,
                last_reason) SELECT 0, id, 1, good_ms, good_value, last_ms, last_value, last_quality,
                last_reason FROM channel""",
            "INSERT INTO now (kind, name, document) SELECT 1, device, document FROM health",
            "INSERT INTO now (kind, name, document) SELECT 2, key, text FROM note WHERE key = 'heartbeat'",
            "DELETE FROM note WHERE key = 'heartbeat'",
            "DROP TABLE health",
            "ALTER TABLE channel RENAME TO channel_before",
            """CREATE TABLE channel (
                id INTEGER PRIMARY KEY, device TEXT NOT NULL, quantity TEXT NOT NULL,
                first_ms INTEGER, good_first_ms INTEGER,
                UNIQUE (device, quantity))""",
            "INSERT INTO channel SELECT id, device, quantity, first_ms, good_first_ms FROM channel_before",
            "DROP TABLE channel_before",
        ),
    ),
)


def version_of(connection: sqlite3.Connection, path: Path) -> int:
    """The file's schema version, 0 for an empty new file. Raises StoreError if the file is not ours."""
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if tables == 0 and application == 0:
        return 0
    if application != APPLICATION_ID:
        raise StoreError(
            f"{path}: this is a database, but no store of Nightbank; give [store] path another name"
        )
    return int(version)


def check(connection: sqlite3.Connection, path: Path) -> None:
    """Raise StoreError unless the file has exactly the version that this code reads."""
    version = version_of(connection, path)
    _refuse_newer(version, path)
    if version < len(MIGRATIONS):
        raise StoreError(
            f"{path}: the store has schema version {version}, this Nightbank reads version"
            f" {len(MIGRATIONS)}; start the daemon (nightbank monitor) once, it brings the file up to date"
        )


def migrate(
    connection: sqlite3.Connection, path: Path, migrations: tuple[Migration, ...] = MIGRATIONS
) -> None:
    """Bring the file to the newest version: all missing steps together, or none.

    Raises StoreError for a file that is not ours, that a newer Nightbank wrote, or where a step fails.
    """
    version = version_of(connection, path)
    _refuse_newer(version, path, len(migrations))
    if version == len(migrations):
        return
    connection.execute("BEGIN IMMEDIATE")
    name = ""
    try:
        for migration in migrations[version_of(connection, path) :]:
            name = migration.name
            for statement in migration.statements:
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(migrations)}")
        connection.execute("COMMIT")
    except sqlite3.Error as error:
        _take_back(connection)
        raise StoreError(
            f"{path}: the step '{name}' to schema version {len(migrations)} failed ({error}); the file is"
            " as it was; make room on the disk if it is full, else keep the file and report this"
        ) from error
    except BaseException:
        _take_back(connection)
        raise


def _take_back(connection: sqlite3.Connection) -> None:
    """Undo what a failed step has done; after a full disk SQLite has done so by itself."""
    if connection.in_transaction:
        connection.execute("ROLLBACK")


def _refuse_newer(version: int, path: Path, known: int = len(MIGRATIONS)) -> None:
    if version > known:
        raise StoreError(
            f"{path}: the store has schema version {version}, this Nightbank knows up to {known}: a newer"
            " Nightbank wrote it; update this one, or put back a backup from before"
        )
