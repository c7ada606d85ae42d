"""Records as JSON documents and back: the text that stands in a store's row, whatever engine keeps it. Pure.

A record's id is the row's own and stands in no document. What is no such document (another version's, or
somebody else's on a server) raises ValueError, TypeError or LookupError here, where it is read, and not later
on where it is used.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

from monitor.records import (
    AlarmState,
    DeviceHealth,
    Event,
    LogEntry,
    Notice,
    Quality,
    Reading,
    Request,
    Transition,
)

T = TypeVar("T", AlarmState, DeviceHealth, Event, LogEntry, Notice, Request, Transition)

Kept = AlarmState | DeviceHealth | Event | LogEntry | Notice | Request | Transition


@dataclass(frozen=True, slots=True)
class ChannelEnds:
    """What is known of one device's quantity without its readings: where they begin and end.

    first_ms is the time of its first reading, last the newest one; good_first_ms and good are the same of
    good readings alone, None where there is none.
    """

    device: str
    quantity: str
    first_ms: int
    last: Reading
    good_first_ms: int | None
    good: Reading | None


def document_of(record: Kept) -> str:
    """A record as JSON text without its id; a log entry with its former wordings."""
    return _json(record)


def alarm_of(document: str) -> AlarmState:
    """The state of an alarm."""
    return _made(AlarmState, json.loads(document))


def health_of(document: str) -> DeviceHealth:
    """A device's health."""
    return _made(DeviceHealth, json.loads(document))


def event_of(document: str) -> Event:
    """An event."""
    return _made(Event, json.loads(document))


def transition_of(document: str, number: int) -> Transition:
    """An alarm's transition with its number."""
    return _made(Transition, {**json.loads(document), "id": number})


def request_of(document: str, number: int) -> Request:
    """A request with its number."""
    return _made(Request, {**json.loads(document), "id": number})


def notice_of(document: str, number: int) -> Notice:
    """A notice with its number."""
    return _made(Notice, {**json.loads(document), "id": number})


def log_entry_of(document: str, number: int) -> LogEntry:
    """A log entry with its number, which its former wordings have, too."""
    return _log_entry(json.loads(document), number)


def channels_document(channels: Iterable[ChannelEnds]) -> str:
    """The ends of one device's channels, by quantity."""
    return _json(
        {
            each.quantity: {
                "first_ms": each.first_ms,
                "last": [each.last.time_ms, each.last.value, each.last.quality.value, each.last.reason],
                "good_first_ms": each.good_first_ms,
                "good": None if each.good is None else [each.good.time_ms, each.good.value],
            }
            for each in channels
        }
    )


def channels_of(document: str, device: str) -> list[ChannelEnds]:
    """The ends of a device's channels."""
    found = []
    for quantity, ends in json.loads(document).items():
        time_ms, value, quality, reason = ends["last"]
        times = time_ms, ends["first_ms"], ends["good_first_ms"] or 0, *(ends["good"] or (0,))[:1]
        values = value or 0, *(ends["good"] or ())[1:]
        if not all(type(at) is int for at in times) or not all(type(v) in (int, float) for v in values):
            raise TypeError(f"ends of {quantity} of {device} are {str(ends)[:80]}")
        last = Reading(time_ms, device, quantity, value, Quality(quality), reason)
        good = None if ends["good"] is None else Reading(ends["good"][0], device, quantity, ends["good"][1])
        found.append(ChannelEnds(device, quantity, ends["first_ms"], last, ends["good_first_ms"], good))
    return found


def gaps_document(gaps: Iterable[tuple[int, int]]) -> str:
    """A day's spans without readings."""
    return _json([*gaps])


def gaps_of(document: str) -> tuple[tuple[int, int], ...]:
    """A day's spans without readings."""
    return tuple((from_ms, to_ms) for from_ms, to_ms in json.loads(document))


def _json(document: Any) -> str:
    return json.dumps(document, default=_plain, ensure_ascii=False)


def _plain(part: Any) -> dict[str, Any]:
    """What JSON has no form of: a record by its fields, any other mapping."""
    if is_dataclass(part):
        return {each.name: getattr(part, each.name) for each in fields(part) if each.name != "id"}
    return dict(part)


def _log_entry(named: Mapping[str, Any], number: int) -> LogEntry:
    former = tuple(_log_entry(each, number) for each in named["former"])
    return _made(LogEntry, {**named, "former": former, "id": number})


def _made(kind: type[T], named: Mapping[str, Any]) -> T:
    """A record of a kind whose fields are what they should be."""
    types = _TYPES[kind]
    for name, value in named.items():
        own, within = types[name]
        parts = value.values() if isinstance(value, dict) else ()
        if type(value) not in own or any(type(part) not in within for part in parts):
            raise TypeError(f"{name} of a record is {str(value)[:40]!r}")
    return kind(**named)


def _types_of(hint: Any) -> tuple[frozenset[Any], frozenset[Any]]:
    """The types that a field may have as it comes from JSON, and where it is a mapping, its values."""
    if get_origin(hint) is Mapping:
        return frozenset({dict}), _types_of(get_args(hint)[1])[0]
    if get_origin(hint) is tuple:
        return frozenset({tuple}), frozenset()
    plain = frozenset(get_args(hint) or (hint,))
    if float in plain:
        plain |= {int}
    return (plain | {bool} if int in plain else plain), frozenset()


_TYPES: Mapping[type[Kept], Mapping[str, tuple[frozenset[Any], frozenset[Any]]]] = {
    kind: {name: _types_of(hint) for name, hint in get_type_hints(kind).items()}
    for kind in (AlarmState, DeviceHealth, Event, LogEntry, Notice, Request, Transition)
}
