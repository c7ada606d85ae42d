"""The dump of registers: a CSV file `time,function,address,word`, one snapshot after the other.

time is ISO 8601 UTC in whole seconds, function 3 or 4, address from 0, word 0 to 65535; all rows of one time
are one snapshot, registers that a device does not have are absent.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from monitor.errors import NightbankError
from monitor.records import parse_iso

HEADER = "time,function,address,word"

Row = tuple[int, int, int]
"""function, address, word"""


class DumpError(NightbankError, ValueError):
    """The dump cannot be written on; the text says which file and what to do."""


def last_time(path: Path) -> str | None:
    """The time of the last snapshot in a dump, ISO 8601 with its zone, None where it has none.

    Raises DumpError for a file that cannot be gone on with.
    """
    try:
        with path.open("rb") as file:
            header = file.readline().decode("utf-8", "replace").strip()
            if not header:
                return None
            if header != HEADER:
                raise DumpError(
                    f"{path}: line 1 must be {HEADER!r}, not {header[:60]!r}; choose another file with --out"
                )
            start = max(file.tell(), path.stat().st_size - 100)
            file.seek(start)
            tail = file.read().decode("utf-8", "replace")
    except FileNotFoundError:
        return None
    except OSError as error:
        raise DumpError(f"{path} cannot be read ({error.strerror}); check the path and its rights") from error
    if tail and not tail.endswith("\n"):
        raise DumpError(f"{path}: its last line is cut off; remove that line, then go on")
    lines = tail.split("\n")
    last = lines[-2] if len(lines) > 1 else ""
    if not last:
        return None
    time = last.partition(",")[0]
    try:
        parse_iso(time)
    except (ValueError, OverflowError) as error:
        raise DumpError(
            f"{path}: its last line must begin with a time, not {last[:60]!r}; remove that line, then go on"
        ) from error
    return time


def append_snapshot(path: Path, time_ms: int, rows: Iterable[Row]) -> str:
    """Add one snapshot and have it on the disk; its time as written. Raises DumpError, and then nothing is
    added.
    """
    last_time(path)  # refuses what is no dump
    before = path.stat().st_size if path.exists() else 0
    moment = datetime.fromtimestamp(time_ms // 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    text = "".join(f"{moment},{function},{address},{word}\n" for function, address, word in rows)
    try:
        with path.open("a", encoding="utf-8") as file:
            file.write(text if before else f"{HEADER}\n{text}")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        with suppress(OSError):  # a disk that was full half way through, or a file that was never there
            os.truncate(path, before)
        raise DumpError(
            f"{path} cannot be written ({error.strerror}); check folder, rights and room"
        ) from error
    return moment
