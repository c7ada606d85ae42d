"""The embedded store as a file: who may open it, what refusals say, writers and readers at the same time."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import StoreError
from monitor.records import LATEST_MS, Quality, Reading, iso_utc, to_ms
from monitor.store import writer as writer_module
from monitor.store.connect import STARTING_S, FileLock
from monitor.store.embedded import open_importer, open_reader, open_writer
from monitor.store.landing import MOST_REASONS
from monitor.store.queries import OPEN_DAYS

NOON = to_ms(datetime(2026, 11, 24, 12, tzinfo=UTC))
CURRENT = "battery_current_A"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "store.db"


def amps(time_ms: int, value: float = 2.0, device: str = "shunt") -> Reading:
    return Reading(time_ms, device, CURRENT, value)


def fill(path: Path, count: int = 1000, zone: str = "UTC") -> None:
    with open_writer(path, zone) as writer:
        writer.append(amps(NOON + i * 5000) for i in range(count))
        writer.commit()


# --- opening ---------------------------------------------------------------------------------------------


def test_a_reader_of_a_store_that_is_not_there_is_told_to_start_the_daemon(path: Path) -> None:
    with pytest.raises(StoreError, match="no store yet; start the daemon"):
        open_reader(path)
    assert not path.exists(), "reading makes no file"


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    for opened in (open_reader, lambda p: open_writer(p, "UTC"), lambda p: open_importer(p, "UTC")):
        with pytest.raises(StoreError, match=r"there is no store yet|folder .* does not exist"):
            opened(tmp_path / "nowhere" / "store.db")


def test_a_folder_in_the_place_of_the_file_is_told(path: Path) -> None:
    path.mkdir()
    with pytest.raises(StoreError, match="this is a folder"):
        open_writer(path, "UTC")


def test_an_unknown_time_zone_is_told(path: Path) -> None:
    with pytest.raises(StoreError, match=r"time zone 'Europe/Lundon' is unknown"):
        open_writer(path, "Europe/Lundon")


@pytest.mark.parametrize("opened", [open_reader, lambda path: open_writer(path, "UTC")])
def test_a_file_that_is_no_database_is_told_and_left_alone(path: Path, opened: Any) -> None:
    path.write_bytes(b"Dear diary, " * 1000)
    with pytest.raises(StoreError, match="no store of Nightbank"):
        opened(path)
    assert path.read_bytes() == b"Dear diary, " * 1000


@pytest.mark.parametrize("opened", [open_reader, lambda path: open_writer(path, "UTC")])
def test_another_programs_database_is_told_and_left_alone(path: Path, opened: Any) -> None:
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE recipe (name TEXT)")
        other.commit()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="this is a database, but no store of Nightbank"):
        opened(path)
    assert path.read_bytes() == before


def test_an_empty_file_becomes_a_store_for_a_writer_and_is_told_to_a_reader(path: Path) -> None:
    path.touch()
    with pytest.raises(StoreError, match="start the daemon"):
        open_reader(path)
    fill(path, 1)
    with open_reader(path) as reader:
        assert reader.latest() == [amps(NOON)]


def test_a_damaged_file_is_told(path: Path) -> None:
    """Random bytes (seed 7) over all pages but the first: opening works, reading the rows cannot."""
    fill(path, 50_000)
    rng = random.Random(7)
    whole = path.read_bytes()
    path.write_bytes(whole[:4096] + rng.randbytes(len(whole) - 4096))
    with (
        pytest.raises(StoreError, match=r"store\.db: it is damaged; .* put a backup in its place"),
        open_reader(path) as reader,
    ):
        reader.latest()


def test_a_reader_cannot_write(path: Path) -> None:
    fill(path, 1)
    with open_reader(path) as reader:
        connection = reader._connection
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            connection.execute("DELETE FROM poll")


def test_a_closed_reader_says_so_instead_of_answering(path: Path) -> None:
    fill(path, 1)
    reader = open_reader(path)
    reader.close()
    with pytest.raises(StoreError, match="closed"):
        reader.latest()


# --- one writer ------------------------------------------------------------------------------------------


def test_a_second_writer_is_refused_soon_and_told_who_holds_the_store(path: Path) -> None:
    with open_writer(path, "UTC"):
        code = (
            "import sys; from pathlib import Path; from monitor.store.embedded import open_writer\n"
            "try: open_writer(Path(sys.argv[1]), 'UTC')\n"
            "except Exception as error: print(type(error).__name__, error)"
        )
        started = time.monotonic()
        with pytest.raises(StoreError, match=r"another writer.*process \d+.*stop it first"):
            open_writer(path, "UTC")
        assert time.monotonic() - started < STARTING_S + 5
        told = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=True)
    assert told.stdout.startswith("StoreError")
    assert "stop it first" in told.stdout


def test_the_lock_ends_with_the_writer(path: Path) -> None:
    for _ in range(3):
        fill(path, 1)


def test_an_import_goes_on_beside_the_daemon_and_both_keep_their_days_right(path: Path) -> None:
    with open_writer(path, "UTC") as daemon, open_importer(path, "UTC") as importer:
        with pytest.raises(StoreError, match="another import"):
            open_importer(path, "UTC")
        for minute in range(0, 180, 10):
            daemon.append(amps(NOON + m * 60_000) for m in range(minute, minute + 10))
            importer.append(amps(NOON + m * 60_000, 1.0, "import") for m in range(minute, minute + 10))
            # even the same channel from both sides comes out right
            importer.append([amps(NOON + minute * 60_000 + 30_000)])
            daemon.commit()
            importer.commit()
        daemon.append([amps(NOON + 180 * 60_000)])
        importer.append([amps(NOON + 180 * 60_000, 1.0, "import")])
        importer.commit()
        daemon.commit()
        assert daemon.latest() == [amps(NOON + 180 * 60_000), amps(NOON + 180 * 60_000, 1.0, "import")]
    with closing(sqlite3.connect(path)) as file:
        sums = file.execute(
            f"SELECT device, each.count, integral_h FROM {OPEN_DAYS} AS each"
            " JOIN channel ON id = each.channel"
        ).fetchall()
    assert sorted(sums) == [("import", 181, 3.0), ("shunt", 181 + 18, 6.0)]


def test_an_import_brings_an_old_store_up_to_date_only_where_no_daemon_runs(path: Path) -> None:
    fill(path, 1, "Europe/London")
    with (
        open_writer(path, "Europe/London"),
        pytest.raises(StoreError, match=r"keeps days of Europe/London.*restart the daemon"),
    ):
        open_importer(path, "UTC")
    open_importer(path, "UTC").close()
    with open_writer(path, "UTC"), open_importer(path, "UTC"):
        pass


def test_another_time_zone_cuts_all_days_anew(path: Path) -> None:
    """Steady 2 A over four days: in Kathmandu (UTC+5:45) days hold other readings, the sum is the same."""
    with open_writer(path, "UTC") as writer:
        writer.append(amps(NOON + i * 300_000) for i in range(4 * 288 + 1))
        writer.append(
            [amps(NOON + 1, -2.0, "import"), Reading(NOON, "x", CURRENT, None, Quality.MISSING, "")]
        )
        writer.commit()
        there = writer.days(date(2026, 1, 1), date(2027, 1, 1))
    with open_writer(path, "Asia/Kathmandu") as writer:
        moved = writer.days(date(2026, 1, 1), date(2027, 1, 1))
    fresh = path.with_name("fresh.db")
    with open_reader(path) as reader, open_writer(fresh, "Asia/Kathmandu") as writer:
        writer.append(
            Reading(time_ms, "shunt", CURRENT, values[CURRENT])
            for time_ms, values in reader.rows([CURRENT], 0, NOON * 2)
            if values[CURRENT] > 0
        )
        writer.append([amps(NOON + 1, -2.0, "import")])
        writer.commit()
        assert moved == writer.days(date(2026, 1, 1), date(2027, 1, 1))
    assert moved != there
    assert sum(stat.integral_h for stat in moved) == pytest.approx(4 * 24 * 2, abs=1e-9)


# --- writing while others read ---------------------------------------------------------------------------


def test_a_reader_never_sees_half_a_batch(path: Path) -> None:
    """Batches of 24 readings with 12 times; four threads on one reader count them."""
    fill(path, 0)
    seen: list[int] = []
    failures: list[BaseException] = []
    stop = threading.Event()

    def look(reader: Any) -> None:
        try:
            while not stop.is_set():
                series = reader.series(CURRENT, NOON, NOON + 10**9, 600, device="shunt")
                rows = list(reader.rows([CURRENT], NOON, NOON + 10**9))
                seen.append(sum(bucket.count for bucket in series.buckets))
                seen.append(len(rows))
        except BaseException as error:
            failures.append(error)

    with open_writer(path, "UTC") as writer, open_reader(path) as reader:
        threads = [threading.Thread(target=look, args=(reader,)) for _ in range(4)]
        for thread in threads:
            thread.start()
        for batch in range(60):
            times = [NOON + (batch * 12 + i) * 5000 for i in range(12)]
            writer.append(amps(time_ms, 2.0, device) for device in ("shunt", "charger") for time_ms in times)
            writer.commit()
        stop.set()
        for thread in threads:
            thread.join()
    assert failures == []
    assert len(seen) > 8
    assert {count % 12 for count in seen} == {0}


def test_a_commit_that_finds_the_file_locked_keeps_everything_for_the_next(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.store.connect.BUSY_S", 0.1)
    with open_writer(path, "UTC") as writer, closing(sqlite3.connect(path, isolation_level=None)) as other:
        writer.append([amps(NOON)])
        writer.put_note("estimator", "state")
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="another program is writing"):
            writer.commit()
        other.execute("ROLLBACK")
        writer.append([amps(NOON + 5000)])
        writer.commit()
        with open_reader(path) as reader:
            assert len(list(reader.rows([CURRENT], 0, NOON * 2))) == 2
            assert reader.note("estimator") == "state"


def test_a_full_disk_is_told_and_the_next_commit_brings_what_was_pending(path: Path) -> None:
    """max_page_count makes SQLite itself answer 'full', as a full disk does."""
    with open_writer(path, "UTC") as writer:
        writer.append(amps(NOON + i * 5000) for i in range(100))
        writer.commit()
        (pages,) = writer._connection.execute("PRAGMA page_count").fetchone()
        writer._connection.execute(f"PRAGMA max_page_count = {pages}")
        writer.append(amps(NOON + i * 5000) for i in range(100, 20_000))
        with pytest.raises(StoreError, match="the disk is full; make room"):
            writer.commit()
        with open_reader(path) as reader:
            assert reader.span() == (NOON, NOON + 99 * 5000)
        writer._connection.execute("PRAGMA max_page_count = 1000000")
        writer.commit()
        with open_reader(path) as reader:
            (bucket,) = reader.series(CURRENT, 0, NOON * 2, 1).buckets
            assert bucket.count == 20_000
            days = reader.days(date(2026, 11, 1), date(2026, 12, 31))
            assert sum(stat.count for stat in days) == 20_000


def test_on_a_card_that_stays_full_readings_are_thinned_out_and_an_event_tells_how_many(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two days of two channels each 30 s, of which 2,000 readings may wait."""
    monkeypatch.setattr(writer_module, "MOST_WAITING", 2_000)
    monkeypatch.setattr(writer_module, "AT_ONCE", 300)
    every_ms, polls = 30_000, 2 * 2880
    with open_writer(path, "UTC") as writer:
        writer.append([amps(NOON - every_ms), Reading(NOON - every_ms, "charger", "array_power_W", 60.0)])
        writer.commit()
        (pages,) = writer._connection.execute("PRAGMA page_count").fetchone()
        writer._connection.execute(f"PRAGMA max_page_count = {pages}")
        for poll in range(polls):
            time_ms = NOON + poll * every_ms
            writer.append([amps(time_ms), Reading(time_ms, "charger", "array_power_W", 60.0)])
            if poll % 500 == 499:
                with pytest.raises(StoreError, match="the disk is full; make room"):
                    writer.commit()
                assert len(writer._pending) <= 2_000
        newest = writer.latest()
        writer._connection.execute("PRAGMA max_page_count = 1000000")
        writer.commit()
        with open_reader(path) as reader:
            assert reader.latest() == newest == writer.latest()
            (told,) = [event.text for event in reader.events(0, LATEST_MS) if event.kind == "store"]
            kept = list(reader.readings(NOON, LATEST_MS, ["charger"]))
            gone = 2 * (polls - len(kept))
            times = [reading.time_ms for reading in kept]
            first = next(former for former, later in pairwise(times) if later - former > every_ms)
            assert f"{gone} readings were let go; of the time from {iso_utc(first)} to" in told
            assert "one each 640 s was kept" in told
            # the step doubles from 10 s while more than 1,000 are left: 320 s would leave 540 a channel
            assert max(later - former for former, later in pairwise(times)) < 640_000 + every_ms
            stats = reader.days(date(2026, 11, 25), date(2026, 11, 25))
            assert [stat.integral_h for stat in stats if stat.device == "charger"] == [24 * 60.0]
        writer.append([amps(NOON + polls * every_ms)])
        writer.commit()
        with open_reader(path) as reader:
            assert len([event for event in reader.events(0, LATEST_MS) if event.kind == "store"]) == 1


def test_a_daemon_that_starts_waits_for_an_import_that_starts(path: Path) -> None:
    """Both see to it that the store is up to date; the kernel's lock tells who does so at the moment."""
    open_writer(path, "UTC").close()
    lock = FileLock(path.with_name("store.db.lock"), "an import")
    release = threading.Timer(0.3, lock.release)
    release.start()
    with open_writer(path, "UTC") as writer:
        assert writer.span() is None
    release.join()


def test_durability_and_log_are_as_the_docstring_says(path: Path) -> None:
    with open_writer(path, "UTC") as writer:
        ask = writer._connection.execute
        assert ask("PRAGMA journal_mode").fetchone() == ("wal",)
        assert ask("PRAGMA synchronous").fetchone() == (2,), "2 is FULL"


def test_who_stops_reading_midway_leaves_nothing_behind(path: Path) -> None:
    """A dropped stream closes what it has opened, quietly (pytest tells of errors that nobody sees)."""
    fill(path, 100)
    with open_reader(path) as reader:
        for stream in (reader.readings(0, NOON * 2), reader.rows([CURRENT], 0, NOON * 2)):
            next(stream)
            stream.close()


def test_an_import_with_a_reason_for_each_reading_keeps_them_all_and_few_in_memory(path: Path) -> None:
    came = [
        Reading(NOON + at * 1000, "import", CURRENT, 999.0, Quality.SUSPECT, f"odd by {at % 700}")
        for at in range(1400)
    ]
    with open_writer(path, "UTC") as writer:
        writer.append(came)
        writer.commit()
        assert len(writer._landing._reasons) == MOST_REASONS
    with open_reader(path) as reader:
        assert list(reader.readings(NOON, LATEST_MS)) == came
    with closing(sqlite3.connect(path)) as file:
        assert file.execute("SELECT count(*) FROM reason").fetchone() == (700,)
