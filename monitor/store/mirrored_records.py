"""What a store keeps besides readings, as points for a mirror whose copy is to be read as a store.

Two ways: events and alarms' transitions never change and come with rising numbers, so a mirror goes on after
the last one that it gave; all else is the present state of something and is given where it differs from
what was given before (`monitor.mirror.record_course`). The documents are those of the store's own rows.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from hashlib import blake2b
from itertools import groupby

from monitor.records import Event
from monitor.store.documents import ChannelEnds, channels_document, document_of
from monitor.store.mirrored_place import Point, Wanted, What
from monitor.store.queries import rank_of, read_channels, read_ranks
from monitor.store.schema import HEALTH, NOTE

EVENTS = "event", "transition"
"""The kinds that never change."""

_SQL_AFTER = {
    "event": "SELECT id, time_ms, kind, subject, text FROM event WHERE id > ? ORDER BY id LIMIT ?",
    "transition": "SELECT id, time_ms, document FROM transition WHERE id > ? ORDER BY id LIMIT ?",
}
_NUMBERED = {
    "log": "SELECT id, document FROM log",
    "request": "SELECT id, document FROM request",
    "notice": "SELECT id, document FROM notice",
}
_KEYED = {
    "alarm": "SELECT name, document FROM alarm",
    "health": f"SELECT name, document FROM now WHERE kind = {HEALTH}",
}
DATED = "key GLOB '*/[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'"

Identity = tuple[str, str, int]
"""Kind, key and number of what has one present state."""


def identity_of(point: Point) -> Identity:
    """Which record a point is."""
    return point.device, point.of, int(point.values["number"])


def digest_of(point: Point) -> str:
    """A short digest of what a record says."""
    return blake2b(str(point.values["document"]).encode(), digest_size=8).hexdigest()


def record(kind: str, key: str, document: str, number: int = 0, time_ms: int = 0) -> Point:
    """A record as a point."""
    return Point(time_ms, kind, {"number": number, "document": document}, key, What.RECORD)


def events_after(ask: sqlite3.Connection, kind: str, last: tuple[int, str] | None, most: int) -> list[Point]:
    """The next events (or transitions) after the last one that was given, its number and digest.

    Where that one is not in the store as it was, another has been put in the place of the store, and all
    come once more.
    """
    number = 0
    if last is not None:
        there = _events(ask, kind, last[0] - 1, 1)
        if there and identity_of(there[0])[2] == last[0] and digest_of(there[0]) == last[1]:
            number = last[0]
    return _events(ask, kind, number, most)


def states(
    ask: sqlite3.Connection, wanted: Wanted, *, with_dated: bool, with_channels: bool
) -> Iterator[Point]:
    """All that has a present state, the ends of channels last, so that these are never ahead of the rest.

    with_dated says that notes of single days (there are thousands after years) are wanted, too;
    with_channels the ends of the wanted devices' channels.
    """
    for kind, sql in _NUMBERED.items():
        for number, document in ask.execute(f"{sql} ORDER BY id"):
            yield record(kind, "", document, number)
    for kind, sql in _KEYED.items():
        for key, document in ask.execute(sql):
            yield record(kind, key, document)
    notes = f"SELECT key, text FROM note WHERE {with_dated:d} OR NOT {DATED}"
    for key, text in ask.execute(f"{notes} UNION ALL SELECT name, document FROM now WHERE kind = {NOTE}"):
        yield record("note", key, json.dumps(text, ensure_ascii=False))
    ranks = read_ranks(ask)
    yield record("rank", "", json.dumps(sorted(ranks, key=lambda name: ranks[name]), ensure_ascii=False))
    if with_channels:
        yield from _channel_records(ask, wanted, ranks)


def is_dated(key: str) -> bool:
    """Whether a note's key ends in a date."""
    return key[-11:-10] == "/" and key[-10:].replace("-", "").isdecimal()


def _events(ask: sqlite3.Connection, kind: str, after: int, most: int) -> list[Point]:
    return [
        record(kind, "", _said(time_ms, parts), number, time_ms)
        for number, time_ms, *parts in ask.execute(_SQL_AFTER[kind], (after, most))
    ]


def _said(time_ms: int, parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else document_of(Event(time_ms, *parts))


def _channel_records(ask: sqlite3.Connection, wanted: Wanted, ranks: dict[str, int]) -> Iterator[Point]:
    there = [channel for channel in read_channels(ask) if wanted(channel.device)]
    there.sort(key=lambda channel: rank_of(channel.device, ranks))
    for device, channels in groupby(there, key=lambda channel: channel.device):
        ends = [
            ChannelEnds(device, each.quantity, each.first_ms, each.last, each.good_first_ms, each.good)
            for each in channels
        ]
        yield record("channel", device, channels_document(ends))
