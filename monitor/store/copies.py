"""A store copied out while it is in use, and a copy put back; nothing is ever overwritten."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

from monitor.errors import StoreError
from monitor.store.connect import FileLock, connect, told
from monitor.store.schema import MIGRATIONS, version_of
from monitor.store.upkeep import Tell

PAGES_AT_ONCE = 2_000
"""Pages copied between two words on the progress (our choice: eight megabytes)."""

BESIDE = ("-wal", "-shm")
"""What SQLite keeps beside a file that is or was in use."""


def back_up(path: Path, copy: Path, tell: Tell) -> int:
    """Copy a store, in use or not, into a new file of its own; the copy's bytes.

    The copy is one committed state, checked before it takes its name. Raises StoreError where `copy` exists,
    cannot be written, or the store cannot be read.
    """
    if copy.exists():
        raise StoreError(f"{copy}: this file is there already; give another name, nothing is overwritten")
    with closing(connect(path, read_only=True)) as source, told(path):
        if version_of(source, path) == 0:
            raise StoreError(f"{path}: the store is empty; there is nothing to copy")
        return _copy_whole(source, copy, tell)


def restore(path: Path, copy: Path, aside: Path, tell: Tell) -> bool:
    """Put a copy in the place of a store, which goes `aside`; whether there was one.

    Raises StoreError where a daemon or an import has the store open, `copy` is no sound store, or `aside`
    exists; the store is as it was then. A copy of an older version is brought up to date by the next daemon.
    """
    if path.exists() and copy.exists() and path.samefile(copy):
        raise StoreError(f"{copy}: this is the store itself")
    if aside.exists():
        raise StoreError(f"{aside}: this file is there already; move it away first")
    daemon = FileLock(path.with_name(path.name + ".lock"), "the daemon")
    try:
        imports = FileLock(path.with_name(path.name + ".import-lock"), "an import")
        try:
            new = path.with_name(path.name + ".restored")
            new.unlink(missing_ok=True)
            with closing(connect(copy, read_only=True)) as source, told(copy):
                version = version_of(source, copy)
                if version == 0:
                    raise StoreError(f"{copy}: this file is empty and no store of Nightbank")
                if version > len(MIGRATIONS):
                    raise StoreError(f"{copy}: a newer Nightbank wrote it; update this one first")
                _copy_whole(source, new, tell)
            there = path.exists()
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
    part.unlink(missing_ok=True)
    try:
        # a read transaction that is held: SQLite would begin anew with each commit of a daemon otherwise
        source.execute("BEGIN")
        source.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        with closing(connect(part, read_only=False)) as target:
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
    finally:
        part.unlink(missing_ok=True)


def _put_aside(path: Path, aside: Path) -> None:
    """Give the store another name, with what its log still holds: brought in if that goes, else beside it."""
    with suppress(StoreError), closing(connect(path, read_only=False)) as write, told(path):
        write.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    os.rename(path, aside)
    for ending in BESIDE:
        with suppress(FileNotFoundError):
            os.rename(path.with_name(path.name + ending), aside.with_name(aside.name + ending))
