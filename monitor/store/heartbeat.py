"""The daemon's heartbeat: the note in the store by which a reader knows that somebody is watching."""

from __future__ import annotations

import json
from dataclasses import asdict

from monitor.errors import StoreError
from monitor.records import Heartbeat
from monitor.store.base import StoreReader, StoreWriter

NOTE = "heartbeat"


def write_heartbeat(store: StoreWriter, beat: Heartbeat) -> None:
    """Keep the heartbeat; it is durable with the next commit."""
    store.put_note(NOTE, json.dumps(asdict(beat)))


def read_heartbeat(store: StoreReader) -> Heartbeat | None:
    """The last heartbeat, None where no daemon ever ran. Raises StoreError for a note that is spoilt."""
    note = store.note(NOTE)
    return None if note is None else heartbeat_of(note)


def heartbeat_of(note: str) -> Heartbeat:
    """The heartbeat in its note. Raises StoreError for one that is spoilt."""
    try:
        beat = json.loads(note)
        return Heartbeat(int(beat["time_ms"]), int(beat["started_ms"]), beat["stopped_ms"])
    except (ValueError, KeyError, TypeError) as error:
        raise StoreError(
            "the store's heartbeat note cannot be read; start the monitor again and it is written anew"
        ) from error
