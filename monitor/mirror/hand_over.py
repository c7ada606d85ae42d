"""A mirror's points as lines to its server: readings and statistics in ms, records in ns."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, date, datetime, time

from monitor.mirror.delivery import Write
from monitor.served.lines import Lines, Record, event_ns, note_place
from monitor.served.server import Server
from monitor.site.model import Site
from monitor.store.mirrored_place import Point, What
from monitor.store.mirrored_records import EVENTS, record


def writer(server: Server, site: str) -> Write:
    """What hands points of a site over; all of a call are records, or none."""
    lines = Lines(site)

    def write(points: Sequence[Point]) -> None:
        if points and points[0].what is What.RECORD:
            server.write(lines.records(map(record_of, points)), in_ns=True)
        else:
            server.write(lines.of(points))

    return write


def site_record(site: Site, text: str) -> Point:
    """The record of the site itself, by which a reader of the copy knows it; text is the site file's."""
    document = {
        "name": site.site.name,
        "time_zone": site.site.time_zone,
        "file": text,
        "origin": "mirror",
    }
    return record("site", "", json.dumps(document, ensure_ascii=False))


def record_of(point: Point) -> Record:
    """A record's point in the server's form, with the stamp that this has for it."""
    kind, number, document = point.device, int(point.values["number"]), str(point.values["document"])
    if kind in EVENTS:
        return Record(kind, point.of, event_ns(point.time_ms, number), document, number)
    if kind == "note":
        key, day = note_place(point.of)
        return Record(kind, key, _day_ns(day) if day else 0, document)
    return Record(kind, point.of, number, document, number)


def _day_ns(day: str) -> int:
    """The begin of a date in UTC."""
    return round(datetime.combine(date.fromisoformat(day), time(), UTC).timestamp()) * 10**9
