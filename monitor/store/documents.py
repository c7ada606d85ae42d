"""Records as JSON documents and back: the text that stands in a store's row, whatever engine keeps it. Pure.

A record's id is the row's own and stands in no document.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

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
    return AlarmState(**json.loads(document))


def health_of(document: str) -> DeviceHealth:
    """A device's health."""
    return DeviceHealth(**json.loads(document))


def event_of(document: str) -> Event:
    """An event."""
    return Event(**json.loads(document))


def transition_of(document: str, number: int) -> Transition:
    """An alarm's transition with its number."""
    return Transition(**json.loads(document), id=number)


def request_of(document: str, number: int) -> Request:
    """A request with its number."""
    return Request(**json.loads(document), id=number)


def notice_of(document: str, number: int) -> Notice:
    """A notice with its number."""
    return Notice(**json.loads(document), id=number)


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
    return LogEntry(**{**named, "former": former, "id": number})
