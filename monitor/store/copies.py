"""A store copied out while it is in use, and a copy put back; nothing is ever overwritten."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

from monitor.clock import CLOCK_NOTE
from monitor.clock.course import Course
from monitor.clock.kernel import Kernel
from monitor.errors import StoreError
from monitor.store.connect import FileLock, connect, told
from monitor.store.late import note_restored
from monitor.store.schema import MIGRATIONS, version_of
from monitor.store.upkeep import Tell

PAGES_AT_ONCE = 2_000
"""Pages copied between two words on the progress (our choice: eight megabytes)."""

BESIDE = ("-wal", "-shm")
"""What SQLite keeps beside a file that is or was in use."""

WHILE_WRITING = ("SQLITE_FULL", "SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_IOERR")
"""Errors of copying that are about the file that is written (the last one most likely)."""


def back_up(path: Path, copy: Path, tell: Tell) -> int:
    """Copy a store, in use or not, into a new file of its own; the copy's bytes.

    The copy is one committed state, checked before it takes its name. Raises StoreError where `copy` exists,
    cannot be written, or the store cannot be read.
    """
    if copy.exists():
        raise StoreError(f"{copy}: this file is there already; give another name, nothing is overwritten")
    if not copy.parent.is_dir():
        raise StoreError(f"{copy}: the folder {copy.parent} does not exist; make it or give another name")
    with closing(connect(path, read_only=True)) as source, told(path):
        if version_of(source, path) == 0:
            raise StoreError(f"{path}: the store is empty; there is nothing to copy")
        return _copy_whole(source, copy, tell)


def restore(path: Path, copy: Path, aside: Path, tell: Tell, now_ms: int) -> bool:
    """Put a copy in the place of a store, which goes `aside`; whether there was one.

    At every moment a whole store has the store's name. Raises StoreError where a daemon or an import has the
    store open, `copy` is no sound store, or `aside` exists; the store is as it was then. A copy of an older
    version is brought up to date by the next daemon.
    """
    if not copy.exists():
        raise StoreError(f"{copy}: there is no such file; give the name of a backup")
    if path.exists() and path.samefile(copy):
        raise StoreError(f"{copy}: this is the store itself")
    if aside.exists():
        raise StoreError(f"{aside}: this file is there already; move it away first")
    daemon = FileLock(path.with_name(path.name + ".lock"), "the daemon")
    try:
        imports = FileLock(path.with_name(path.name + ".import-lock"), "an import")
        try:
            new = path.with_name(path.name + ".restored")
            _remove(new)
            with closing(connect(copy, read_only=True)) as source, told(copy):
                version = version_of(source, copy)
                if version == 0:
                    raise StoreError(f"{copy}: this file is empty and no store of Nightbank")
                if version > len(MIGRATIONS):
                    raise StoreError(f"{copy}: a newer Nightbank wrote it; update this one first")
                _copy_whole(source, new, tell)
            if version == len(MIGRATIONS):
                _make_fit(new, now_ms)
            there = path.exists()
            _give_to_owner(new, path)
            if there:
                _put_aside(path, aside)
            os.replace(new, path)
            return there
        finally:
            imports.release()
    finally:
        daemon.release()


def _copy_whole(source: sqlite3.Connection, copy: Path, tell: Tell) -> int:
    """Copy one state of an open store into a file that takes its name when it is whole and sound."""
    part = copy.with_name(copy.name + ".part")
    _remove(part)
    try:
        _check_room(source, copy)
        # a read transaction that is held: SQLite would begin anew with each commit of a daemon otherwise
        source.execute("BEGIN")
        source.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        with closing(connect(part, read_only=False)) as target:
            target.execute("PRAGMA journal_mode = OFF")
            source.backup(
                target,
                pages=PAGES_AT_ONCE,
                progress=lambda status, left, total: tell(total - left, total),
            )
            target.execute("PRAGMA journal_mode = DELETE")
            (sound,) = target.execute("PRAGMA quick_check").fetchone()
        if sound != "ok":
            raise StoreError(f"{copy}: the copy is not sound ({sound}); `check` the store")
        with part.open("rb") as written:
            os.fsync(written.fileno())
        size = part.stat().st_size
        os.replace(part, copy)
        return size
    except OSError as error:
        raise StoreError(f"{copy}: cannot be written ({error.strerror})") from error
    except sqlite3.Error as error:
        if (error.sqlite_errorname or "").startswith(WHILE_WRITING):
            raise StoreError(
                f"{copy}: cannot be written ({error}); look at the room and the rights of its folder, and if"
                " these are well, `check` the store"
            ) from error
        raise
    finally:
        _remove(part)


def _check_room(source: sqlite3.Connection, copy: Path) -> None:
    """Raise StoreError where the copy has no room, before anything is written."""
    (pages,), (page_bytes,) = (
        source.execute(f"PRAGMA {name}").fetchone() for name in ("page_count", "page_size")
    )
    needed, free = pages * page_bytes, shutil.disk_usage(copy.parent).free
    if free < needed:
        raise StoreError(
            f"{copy}: the copy needs {needed / 1e6:.1f} MB, {free / 1e6:.1f} MB are free there; make room"
        )


def _remove(part: Path) -> None:
    """Remove a half-made copy, and what a kill has left beside it."""
    for ending in ("", "-journal", *BESIDE):
        part.with_name(part.name + ending).unlink(missing_ok=True)


def _make_fit(new: Path, now_ms: int) -> None:
    """Let mirrors that are further than the copy go back to its ends, and the next daemon take the copy's
    readings as another's: what another computer read while this one was on is no sign of a wrong clock."""
    with closing(connect(new, read_only=False)) as write, told(new):
        write.execute("BEGIN IMMEDIATE")
        note_restored(write, now_ms)
        found = write.execute("SELECT text FROM note WHERE key = ?", (CLOCK_NOTE,)).fetchone()
        if found is not None and not _is_of_this_boot(found[0]):
            write.execute("DELETE FROM note WHERE key = ?", (CLOCK_NOTE,))
        write.execute("COMMIT")


def _is_of_this_boot(note: str) -> bool:
    with suppress(ValueError):
        course = Course.from_note(note)
        return course is None or course.boot == Kernel().boot
    return False


def _give_to_owner(new: Path, path: Path) -> None:
    """The new file gets owner and rights of the store, of a first one the folder's owner: the daemon, which
    runs as a user of its own, could not write what root has put back."""
    like = (path if path.exists() else path.parent).stat()
    try:
        if os.geteuid() == 0:
            os.chown(new, like.st_uid, like.st_gid)
        if path.exists():
            os.chmod(new, like.st_mode & 0o666)
    except OSError as error:
        raise StoreError(f"{new}: cannot be given the store's owner and rights ({error.strerror})") from error


def _put_aside(path: Path, aside: Path) -> None:
    """Give the store a second name, with what its log still holds: brought in, or else beside it."""
    with suppress(StoreError), closing(connect(path, read_only=False)) as write, told(path):
        write.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    try:
        os.link(path, aside)
    except OSError:  # a file system without second names, as of a stick
        os.rename(path, aside)
    for ending in BESIDE:
        with suppress(FileNotFoundError):
            os.rename(path.with_name(path.name + ending), aside.with_name(aside.name + ending))
