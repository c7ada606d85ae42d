"""How a store's file is opened: connections, the writer's lock, SQLite's errors in plain words.

Durability: in WAL mode with synchronous=FULL a commit is on the card when it returns, so that a power cut
costs what came since the last one and no more. With NORMAL the cut would also take what the kernel had not
yet written back, half a minute with Linux's usual settings, and the page would forget an alarm that somebody
has heard of. It costs no more bytes (measured in real time on ext4, 47.0 KB a commit either way: the log is
overwritten in its place, which needs no entry in the file system's journal) and a fifth of a millisecond of
CPU a commit. Source: SQLite's documentation, "Write-Ahead Logging" and `PRAGMA synchronous` (a commit syncs
the log only with FULL; NORMAL syncs it before each checkpoint), read as others quote it.

The log goes back into the file after SQLite's usual thousand pages, some five hours of commits: seldom enough
to cost little, and short enough that its index stays within few pages, of which each commit writes some, too.
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from monitor.errors import StoreError

BUSY_S = 10.0
"""How long a connection waits for another's commit (our choice: an import's batch takes well under 1 s)."""

PAGE_BYTES = 2048
"""Pages of a new store, and of an old one from its next compacting on. A commit changes little, and each page
that it touches goes to the log as a whole. Measured in real time on ext4: from eighteen channels of one
device SQLite's usual 4096 bytes bring 13 % more to the card, 1024 as much as this; from a daemon with two
devices as much comes with either. The file is 4 % smaller, and no question takes longer."""

CACHE_KB = 1024
"""Of the file's pages a connection holds so much in memory, half of SQLite's usual. A daemon that goes on for
days fills it, which looks like a leak. Measured over two days of twelve channels at 5 s: with 500 KB nothing
more is read or written than with 2000 KB, and no commit takes longer."""

STARTING_S = 2.0
"""How long a daemon that starts waits for its lock (our choice: an import that starts holds it for a moment,
while it sees to it that the store is up to date)."""

WAL_KEPT_BYTES = 4 * 1024 * 1024
"""The log file is cut back to this after a checkpoint (our choice: SQLite's usual 1000 pages)."""

ONLY_REQUESTS = "the page's process may leave requests in it and change nothing else"

ADVICE: dict[str, str] = {
    "SQLITE_BUSY": "another program is writing to it; try again in a moment",
    "SQLITE_LOCKED": "another program is writing to it; try again in a moment",
    "SQLITE_NOTADB": "this is no store of Nightbank; give [store] path another name",
    "SQLITE_CORRUPT": "it is damaged; stop the daemon, move it away and put a backup in its place",
    "SQLITE_FULL": "the disk is full; make room, what is pending is written with the next commit",
    "SQLITE_IOERR": "the disk does not answer properly; look at the card and its space",
    "SQLITE_READONLY": (
        "it may not be written; look at the owner and rights of the file and its folder"
        " (a reader without the right to write the folder needs the daemon to be running)"
    ),
    "SQLITE_CANTOPEN": (
        "it cannot be opened; look at the rights of the file and its folder"
        " (a reader without the right to write the folder needs the daemon to be running)"
    ),
    "SQLITE_AUTH": ONLY_REQUESTS,
    "SQLITE_PERM": "it may not be opened; look at the owner and rights of the file and its folder",
}


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Translate SQLite's errors into StoreError with the file and what to do."""
    try:
        yield
    except sqlite3.Error as error:
        name = getattr(error, "sqlite_errorname", "") or ""
        general = "_".join(name.split("_")[:2])
        advice = ADVICE.get(general, "the store refused the request")
        raise StoreError(f"{path}: {advice} (SQLite says: {error})") from error


def connect(path: Path, *, read_only: bool) -> sqlite3.Connection:
    """A connection without implicit transactions, usable from several threads under a lock of the caller.

    read_only opens the file with mode=ro, so that a reader cannot write even by mistake.
    Raises StoreError where the file or its folder is missing.
    """
    if read_only and not path.exists():
        raise StoreError(f"{path}: there is no store yet; start the daemon (nightbank monitor) to make one")
    if not path.parent.is_dir():
        raise StoreError(f"{path}: the folder {path.parent} does not exist; make it or change [store] path")
    if path.is_dir():
        raise StoreError(f"{path}: this is a folder; [store] path must name a file")
    with told(path):
        mode = "ro" if read_only else "rwc"
        connection = sqlite3.connect(
            f"{path.resolve().as_uri()}?mode={mode}",
            uri=True,
            timeout=BUSY_S,
            isolation_level=None,
            check_same_thread=False,
        )
        try:
            connection.execute(f"PRAGMA cache_size = -{CACHE_KB}")
            if _sealed and not read_only:
                only_requests(connection)
        except sqlite3.Error:  # it has looked into the file, which may be none of SQLite's
            connection.close()
            raise
    return connection


def choose_pages(connection: sqlite3.Connection) -> None:
    """Let a file that is still empty get pages of PAGE_BYTES; others keep theirs."""
    connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")


def rewrite(connection: sqlite3.Connection) -> None:
    """Write a writer's file anew without its free pages, with pages of PAGE_BYTES where nobody reads it.

    SQLite changes the size only outside the write-ahead log, which it leaves only for the last connection.
    """
    connection.execute("PRAGMA busy_timeout = 0")
    with suppress(sqlite3.OperationalError):
        connection.execute("PRAGMA journal_mode = DELETE")
    connection.execute(f"PRAGMA busy_timeout = {round(BUSY_S * 1000)}")
    connection.execute("PRAGMA synchronous = FULL")
    choose_pages(connection)
    connection.execute("VACUUM")
    prepare_for_writing(connection)
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def prepare_for_writing(connection: sqlite3.Connection) -> None:
    """Set a writer's connection up: write-ahead log, the durability told above, a bounded log file.

    What is deleted is not overwritten with zeros, as some builds of SQLite do: nothing here is secret, and
    rows that were packed would be written to the card once more.
    """
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA secure_delete = OFF")
    connection.execute(f"PRAGMA journal_size_limit = {WAL_KEPT_BYTES}")


@contextmanager
def whole(connection: sqlite3.Connection) -> Iterator[None]:
    """A transaction to write: all inside is kept, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


_sealed = False


def seal() -> None:
    """From now on this process can write nothing into any store but requests to the daemon; for good.

    For a process that strangers can talk to: SQLite itself then refuses every other statement. For a store on
    a server the edges to it do so (`served.server`, `served.query`), and the server as far as the token goes.
    """
    global _sealed
    _sealed = True


def is_sealed() -> bool:
    """Whether this process may write requests alone."""
    return _sealed


def only_requests(connection: sqlite3.Connection) -> None:
    """Let a connection do nothing from now on but look around and insert into the table of requests (where
    REPLACE counts as an insertion: who may forge requests gains nothing by it)."""
    connection.set_authorizer(_may)


def _may(action: int, name: str | None, detail: str | None, schema: str | None, cause: str | None) -> int:
    """SQLite's question whether a statement may be compiled (sqlite3_set_authorizer). Reading harms nothing;
    cause names the trigger or view that asks, and there is none in a store."""
    if action == sqlite3.SQLITE_INSERT:
        allowed = name == "request" and schema == "main" and cause is None
    elif action == sqlite3.SQLITE_PRAGMA:
        allowed = name in ("application_id", "user_version") and detail is None
    else:
        allowed = action in (sqlite3.SQLITE_SELECT, sqlite3.SQLITE_READ, sqlite3.SQLITE_FUNCTION)
    return sqlite3.SQLITE_OK if allowed else sqlite3.SQLITE_DENY


class FileLock:
    """A lock that one process holds and the kernel releases when that process ends, however it ends."""

    def __init__(self, path: Path, what: str, patience_s: float = 0.0) -> None:
        """Take the lock, at once or within patience_s. `what` says who holds it in the error's words.

        Raises StoreError if it is held.
        """
        try:
            self._handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise StoreError(
                f"{path}: cannot be made ({error.strerror}); look at the folder's rights"
            ) from error
        try:
            self._take(time.monotonic() + patience_s)
        except OSError as error:
            holder = os.pread(self._handle, 20, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(self._handle)
            raise StoreError(
                f"{path}: {what} (process {holder}) has this store open; stop it first or wait until it ends"
            ) from error
        if os.geteuid() == 0:  # left behind by root, it would keep the daemon's user out
            folder = path.parent.stat()
            with suppress(OSError):
                os.fchown(self._handle, folder.st_uid, folder.st_gid)
        os.ftruncate(self._handle, 0)
        os.pwrite(self._handle, str(os.getpid()).encode("ascii"), 0)

    def _take(self, end_s: float) -> None:
        while True:
            try:
                fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                return
            except BlockingIOError:
                if time.monotonic() >= end_s:
                    raise
                time.sleep(0.02)

    def release(self) -> None:
        """Give the lock back; may be called twice."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1
