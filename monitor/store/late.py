"""Notes of what landed behind a mirror's back: readings before the newest of their channel.

A mirror goes through each channel in order of time and would never come back for a late reading. So the
landing writes down, in the commit in which they land, at which times late readings came, exactly, since what
was sent already should not be sent again. Six hours of the store at most are one note, so that a note is
quickly read. Without mirrors nothing is written. Functions take the connection inside a transaction.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from itertools import groupby
from operator import itemgetter

from monitor.store.blocks import SPAN_MS
from monitor.store.pack import pack_numbers
from monitor.store.queries import ENDS

ADD = "INSERT INTO late (channels, start_ms, end_ms, times) VALUES (?, ?, ?, ?)"


def note_late(write: sqlite3.Connection, came: Mapping[int, Sequence[int]]) -> None:
    """Note late readings: the times, in order, by channel. Drops notes that every mirror has heard."""
    if not came or not _is_mirrored(write):
        return
    alike: dict[tuple[int, ...], list[int]] = {}
    for channel, times in came.items():
        for _, together in groupby(times, key=lambda time_ms: time_ms // SPAN_MS):
            alike.setdefault(tuple(together), []).append(channel)
    notes = (
        (json.dumps(channels), times[0], times[-1] + 1, pack_numbers(times))
        for times, channels in alike.items()
    )
    write.executemany(ADD, notes)
    drop_heard(write)


def note_replaced(write: sqlite3.Connection, device: str, start_ms: int, end_ms: int) -> None:
    """Note that a device's readings in [start, end) are about to be replaced: mirrors go back to there."""
    if not _is_mirrored(write):
        return
    found = write.execute("SELECT id FROM channel WHERE device = ? ORDER BY id", (device,))
    channels = [number for (number,) in found]
    write.execute(ADD, (json.dumps(channels), start_ms, end_ms, None))


def note_ends(write: sqlite3.Connection, device: str, start_ms: int) -> None:
    """Note where a device's channels end now that all from start on, or a part, was taken out of them.

    What comes next follows these ends and is not late; a mirror that has given more must go back there.
    """
    if not _is_mirrored(write):
        return
    found = write.execute(
        f"SELECT coalesce(ends.last_ms, -1), channel.id FROM channel LEFT JOIN ({ENDS}) AS ends"
        " ON ends.id = channel.id WHERE channel.device = ? ORDER BY 1, 2",
        (device,),
    ).fetchall()
    for last_ms, together in groupby(found, key=itemgetter(0)):
        if last_ms < start_ms:
            channels = json.dumps([channel for _, channel in together])
            write.execute(ADD, (channels, last_ms + 1, last_ms + 1, None))


def note_restored(write: sqlite3.Connection, now_ms: int) -> None:
    """Note that a copy takes the store's place: mirrors that are further go back to the ends of its channels.

    The notes' numbers begin anew at now_ms, beyond any that a mirror has heard from the store before.
    """
    if not _is_mirrored(write):
        return
    (heard,) = write.execute(
        "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'late'"
    ).fetchone()
    found = write.execute(f"SELECT coalesce(last_ms, -1), id FROM ({ENDS}) ORDER BY 1, 2").fetchall()
    number = max(heard + 1, now_ms)
    for last_ms, together in groupby(found, key=itemgetter(0)):
        ends = json.dumps([channel for _, channel in together]), last_ms + 1, last_ms + 1, None
        write.execute("INSERT INTO late VALUES (?, ?, ?, ?, ?)", (number, *ends))
        number += 1


def drop_heard(write: sqlite3.Connection) -> None:
    """Drop the notes that every mirror has heard; all of them where there is no mirror."""
    write.execute(
        "DELETE FROM late WHERE id <= (SELECT coalesce(min(heard), 9223372036854775807) FROM mirror)"
    )


def _is_mirrored(write: sqlite3.Connection) -> bool:
    return write.execute("SELECT 1 FROM mirror LIMIT 1").fetchone() is not None
