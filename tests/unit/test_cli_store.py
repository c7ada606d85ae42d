"""`nightbank store` as a person types it: size, check, compact, backup, restore, each in its own process."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.clock import CLOCK_NOTE
from monitor.clock.course import Course
from monitor.clock.kernel import Kernel
from monitor.errors import StoreError
from monitor.records import Reading, to_ms
from monitor.store.embedded import open_reader, open_writer
from tests.unit.site_files import MARSH_HIDE

SITE = MARSH_HIDE + '\n[store]\npath = "kept/hide.db"\n'
START = to_ms(datetime(2026, 6, 20, 0, tzinfo=UTC))
HOUR_MS = 3_600_000


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Three days with a reading of two channels each minute; two of them are packed."""
    file = tmp_path / "site.toml"
    file.write_text(SITE, encoding="utf-8")
    (tmp_path / "kept").mkdir()
    with open_writer(tmp_path / "kept" / "hide.db", "Europe/London") as writer:
        for hour in range(72):
            writer.append(_readings(hour))
            writer.commit()
    return file


def _readings(hour: int) -> list[Reading]:
    times = range(START + hour * HOUR_MS, START + (hour + 1) * HOUR_MS, 60_000)
    return [
        Reading(at, "charger", name, 12 + at // 60_000 % 97 / 100)
        for at in times
        for name in ("battery_voltage_V", "charge_current_A")
    ]


def run(site: Path, *arguments: object) -> subprocess.CompletedProcess[str]:
    code = "from monitor.cli import main; main()"
    command = [sys.executable, "-c", code, "store", str(site), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


def kept(path: Path) -> list[Reading]:
    with open_reader(path) as reader:
        return list(reader.readings(0, 2 * START))


def store_of(site: Path) -> Path:
    return site.parent / "kept" / "hide.db"


def test_size_tells_room_readings_and_what_is_packed(site: Path) -> None:
    told = json.loads(run(site, "size", "--json").stdout)
    with closing(sqlite3.connect(store_of(site))) as file:
        (rows,) = file.execute("SELECT count(*) FROM poll").fetchone()
    assert (told["readings"], told["rows"], told["blocks"]) == (2 * 72 * 60, rows, (72 * 60 - rows) // 360)
    assert told["file_bytes"] == store_of(site).stat().st_size
    words = run(site, "size")
    assert words.returncode == 0
    assert "8640 good readings from 20 Jun 2026 01:00 to 23 Jun 2026 00:59" in words.stdout


def test_a_sound_store_is_told_so_and_a_damaged_one_with_what_to_do(site: Path) -> None:
    done = run(site, "check")
    assert (done.returncode, done.stdout) == (0, "The store is sound.\n")
    with closing(sqlite3.connect(store_of(site))) as file:
        (span, body) = file.execute("SELECT span, body FROM block ORDER BY span LIMIT 1").fetchone()
        file.execute("UPDATE block SET body = ? WHERE span = ?", (body[:40] + bytes(200), span))
        time_ms = (span + 1) * 6 * HOUR_MS
        file.execute("INSERT INTO poll (time_ms, c1) VALUES (?, 1)", (time_ms,))
        file.commit()
    done = run(site, "check")
    assert done.returncode == 1
    assert f"block {span}: cannot be unpacked" in done.stderr
    assert f"block {span + 1}: channel 1 has 1 readings that stand in rows as well" in done.stderr
    assert "put a backup in its place" in done.stderr
    with pytest.raises(StoreError, match="packed readings are damaged"):
        kept(store_of(site))


def test_a_backup_while_the_daemon_writes_is_one_state_and_overwrites_nothing(
    site: Path, tmp_path: Path
) -> None:
    copy = tmp_path / "copy.db"
    before = kept(store_of(site))
    with open_writer(store_of(site), "Europe/London") as daemon:
        daemon.append(_readings(72))
        daemon.commit()
        done = run(site, "backup", copy)
        assert done.returncode == 0, done.stderr
        daemon.append(_readings(73))
        daemon.commit()
    assert kept(copy) == [*before, *_readings(72)]
    assert [each.name for each in tmp_path.glob("copy.db*.part")] == []
    again = run(site, "backup", copy)
    assert again.returncode == 1
    assert "this file is there already" in again.stderr
    nowhere = run(site, "backup", tmp_path / "stick" / "hide.db")
    assert nowhere.returncode == 1
    assert f"the folder {tmp_path / 'stick'} does not exist; make it or give another name" in nowhere.stderr


def test_a_backup_that_finds_no_room_names_the_copy_and_leaves_nothing(site: Path, tmp_path: Path) -> None:
    """The shell's limit on a file's size cuts the copy off midway, as a stick that fills up does."""
    copy, code = tmp_path / "copy.db", "from monitor.cli import main; main()"
    limited = f'ulimit -f 40; exec "$0" -c "{code}" store "$1" backup "$2"'
    command = ["bash", "-c", limited, sys.executable, str(site), str(copy)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 1
    assert f"{copy}: cannot be written" in done.stderr
    assert list(tmp_path.glob("copy*")) == []


def test_restoring_puts_the_copy_in_place_and_keeps_the_former_store(site: Path, tmp_path: Path) -> None:
    copy, path = tmp_path / "copy.db", store_of(site)
    before = kept(path)
    assert run(site, "backup", copy).returncode == 0
    with open_writer(path, "Europe/London") as daemon:
        daemon.append(_readings(72))
        daemon.commit()
        refused = run(site, "restore", copy)
        assert refused.returncode == 1
        assert "has this store open; stop it first" in refused.stderr
    done = run(site, "restore", copy)
    assert done.returncode == 0, done.stderr
    assert kept(path) == before
    (former,) = [each for each in path.parent.glob("hide.db.before-*") if each.suffix not in (".lock",)]
    assert str(former) in done.stdout
    assert kept(former) == [*before, *_readings(72)]
    with open_writer(path, "Europe/London") as daemon:
        daemon.append(_readings(72))
        daemon.commit()
    assert kept(path) == kept(former)


@pytest.mark.parametrize("is_own", [True, False])
def test_a_copy_of_another_computer_brings_no_clock_of_its_own(
    site: Path, tmp_path: Path, is_own: bool
) -> None:
    """Else what was read there while this computer was on would pass for a wrong clock's."""
    copy, path = tmp_path / "copy.db", store_of(site)
    course = Course(Kernel().boot if is_own else "another", 1_790_000_000_000, "network")
    with open_writer(path, "Europe/London") as daemon:
        daemon.put_note(CLOCK_NOTE, course.note())
        daemon.commit()
    assert run(site, "backup", copy).returncode == 0
    assert run(site, "restore", copy).returncode == 0
    with open_reader(path) as reader:
        assert reader.note(CLOCK_NOTE) == (course.note() if is_own else None)


# Dies at the n-th time that it gives a file a name.
DYING = """
import os, signal, sys
left = int(sys.argv.pop(1))
def hook(event, arguments):
    global left
    if event in ("os.rename", "os.link"):
        left -= 1
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
sys.addaudithook(hook)
from monitor.cli import main
main()
"""


def test_a_restore_that_is_cut_off_at_any_moment_leaves_a_whole_store_in_its_place(
    site: Path, tmp_path: Path
) -> None:
    copy, path = tmp_path / "copy.db", store_of(site)
    backed_up = kept(path)
    assert run(site, "backup", copy).returncode == 0
    with open_writer(path, "Europe/London") as daemon:
        daemon.append(_readings(72))
        daemon.commit()
    died = 0
    for moment in range(1, 10):
        command = [sys.executable, "-c", DYING, str(moment), "store", str(site), "restore", str(copy)]
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
        if done.returncode == 0:
            break
        assert done.returncode == -signal.SIGKILL, done.stderr
        died += 1
        assert kept(path) == [*backed_up, *_readings(72)], f"cut off at the file's name number {moment}"
    assert died >= 3
    assert kept(path) == backed_up
    assert list(path.parent.glob("*.restored*")) == []


def test_what_a_cut_off_restore_has_left_cannot_spoil_the_next_one(site: Path, tmp_path: Path) -> None:
    """SQLite would take a journal that lies beside the new file for the new file's own and bring it in."""
    copy, other, path = tmp_path / "copy.db", tmp_path / "other.db", store_of(site)
    assert run(site, "backup", copy).returncode == 0
    with closing(sqlite3.connect(other, isolation_level=None)) as file:
        file.execute("CREATE TABLE filler (body BLOB)")
        file.executemany("INSERT INTO filler VALUES (randomblob(3000))", [()] * 200)
        file.execute("PRAGMA cache_size = 2")
        file.execute("BEGIN")
        file.execute("UPDATE filler SET body = randomblob(3000)")
        journal = other.with_name("other.db-journal").read_bytes()
    assert len(journal) > 10_000
    path.with_name("hide.db.restored-journal").write_bytes(journal)
    before = kept(path)
    done = run(site, "restore", copy)
    assert done.returncode == 0, done.stderr
    assert kept(path) == before
    assert run(site, "check").returncode == 0


def test_what_is_restored_has_owner_and_rights_of_what_was_there(site: Path, tmp_path: Path) -> None:
    """Whoever restores with sudo must not lock out the daemon, which runs as a user of its own."""
    copy, path = tmp_path / "copy.db", store_of(site)
    path.chmod(0o640)
    owner = 1234 if os.geteuid() == 0 else os.geteuid()
    os.chown(path, owner, -1)
    os.chown(path.parent, owner, -1)
    (path.parent / "hide.db.lock").unlink()
    assert run(site, "backup", copy).returncode == 0
    done = run(site, "restore", copy)
    assert done.returncode == 0, done.stderr
    assert (path.stat().st_uid, path.stat().st_mode & 0o777) == (owner, 0o640)
    for lock in ("hide.db.lock", "hide.db.import-lock"):
        assert (path.parent / lock).stat().st_uid == owner


def test_what_is_no_store_is_not_restored_and_the_store_stays(site: Path, tmp_path: Path) -> None:
    before = kept(store_of(site))
    other = tmp_path / "other.db"
    other.write_bytes(b"Dear diary, " * 1000)
    (tmp_path / "empty.db").touch()
    damaged = tmp_path / "damaged.db"
    assert run(site, "backup", damaged).returncode == 0
    whole = damaged.read_bytes()
    damaged.write_bytes(whole[: len(whole) // 2])
    for file, said in (
        (other, "no store of Nightbank"),
        (tmp_path / "empty.db", "empty"),
        (damaged, "damaged"),
        (tmp_path / "nowhere.db", "no such file"),
        (store_of(site), "the store itself"),
    ):
        done = run(site, "restore", file)
        assert done.returncode == 1, file
        assert said in done.stderr, file
    assert kept(store_of(site)) == before
    left = {each.name for each in store_of(site).parent.iterdir()}
    assert left <= {f"hide.db{ending}" for ending in ("", "-wal", "-shm", ".lock", ".import-lock")}


def test_compacting_packs_what_is_due_gives_room_back_and_changes_no_answer(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from monitor.store import packing

    path = store_of(site)
    with closing(sqlite3.connect(path)) as file:
        file.execute("CREATE TABLE filler (body BLOB)")
        file.execute("INSERT INTO filler VALUES (zeroblob(3000000))")
        file.execute("DROP TABLE filler")
        file.commit()
    monkeypatch.setattr(packing, "AT_ONCE", 0)
    monkeypatch.setattr(packing, "A_NEW_ONE", 0)
    with open_writer(path, "Europe/London") as writer:
        for hour in range(72, 100):
            writer.append(_readings(hour))
        writer.commit()
        refused = run(site, "compact")
        assert refused.returncode == 1
        assert "has this store open; stop it first" in refused.stderr
    before, bytes_before = kept(path), path.stat().st_size
    with closing(sqlite3.connect(path)) as file:
        assert file.execute("SELECT count(*) FROM poll").fetchone()[0] > 28 * 60
    done = run(site, "compact")
    assert done.returncode == 0, done.stderr
    assert kept(path) == before
    assert path.stat().st_size < bytes_before - 2_500_000
    with closing(sqlite3.connect(path)) as file:
        (oldest,) = file.execute("SELECT min(time_ms) FROM poll").fetchone()
    assert oldest == START + 96 * HOUR_MS, "all but the span that has not ended"
    assert run(site, "check").returncode == 0
