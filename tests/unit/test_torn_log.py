"""The second reading of SQLite's log, by which damaged stores are judged, held against SQLite itself."""

import random
import sqlite3
from contextlib import closing

import pytest

from tests.faults.torn import DAMAGES, damage, digest, log_of, taken_over


@pytest.fixture
def killed(tmp_path):
    """A store with five commits in its log, as a killed writer leaves it: copied while it is open."""
    store, copy = tmp_path / "store.db", tmp_path / "killed.db"
    with closing(sqlite3.connect(store, isolation_level=None)) as file:
        file.execute("PRAGMA journal_mode = WAL")
        file.execute("PRAGMA wal_autocheckpoint = 0")
        file.execute("CREATE TABLE reading (time_ms INTEGER, value REAL, text TEXT)")
        file.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        for commit in range(5):
            file.execute("BEGIN")
            file.executemany(
                "INSERT INTO reading VALUES (?, ?, ?)",
                [(commit * 1000 + row, row / 7, "x" * 50) for row in range(200)],
            )
            file.execute("COMMIT")
        for ending in ("", "-wal"):
            (tmp_path / f"killed.db{ending}").write_bytes((tmp_path / f"store.db{ending}").read_bytes())
    return copy


def test_each_commit_is_seen_where_it_ends(killed):
    log = log_of(killed.with_name("killed.db-wal").read_bytes())
    assert len(log.ends) == 5
    with closing(sqlite3.connect(f"file:{killed}?mode=ro", uri=True)) as file:
        assert file.execute("PRAGMA page_size").fetchone() == (log.page_bytes,)


def test_what_a_checkpoint_has_taken_over_is_not_cut_off(killed, tmp_path):
    """A log that was written back and not begun anew: no cut of the current takes it back."""
    names = [tmp_path / f"killed.db{ending}" for ending in ("", "-wal")]
    before = names[1].read_bytes()
    with closing(sqlite3.connect(killed)) as file, closing(sqlite3.connect(killed)) as other:
        file.execute("PRAGMA wal_checkpoint(PASSIVE)")
        other.execute("SELECT count(*) FROM reading").fetchone()
        found, wal = (name.read_bytes() for name in names)
    assert wal == before
    assert taken_over(log_of(wal), wal, found) == log_of(wal).ends[-1]
    names[0].write_bytes(found)
    names[1].write_bytes(wal)
    assert damage(killed, "cut", random.Random(1), tmp_path / "cut.db") is None
    assert damage(killed, "torn", random.Random(1), tmp_path / "torn.db") is not None


@pytest.mark.parametrize("kind", DAMAGES)
def test_sqlite_finds_what_the_format_promises(killed, tmp_path, kind):
    rows = set()
    for seed in range(12):
        damaged = tmp_path / f"{kind}{seed}.db"
        sound, commits = damage(killed, kind, random.Random(seed), damaged)
        assert digest(damaged) == digest(sound)
        with closing(sqlite3.connect(damaged)) as file:
            assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            (count,) = file.execute("SELECT count(*) FROM reading").fetchone()
        assert count == 200 * (5 - commits)
        rows.add(count)
    if kind in ("cut", "flipped"):
        assert len(rows) > 2
        assert rows <= {200 * commits for commits in range(5)}  # the damaged commit is never there
    else:
        assert rows == {1000}
