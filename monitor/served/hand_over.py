"""A store's points as lines to a server: readings and statistics in ms, records in ns."""

from __future__ import annotations

import json
from collections.abc import Sequence

from monitor.served.delivery import Write
from monitor.served.lines import Lines, Record, date_ns, event_ns, note_place
from monitor.served.server import Server
from monitor.site.model import Site
from monitor.store.mirrored_place import Point, What
from monitor.store.mirrored_records import EVENTS, record

MS_IN_NS = "000000"
"""What makes ns of written ms."""


def writer(server: Server, site: str) -> Write:
    """What hands points of a site over, all in one request."""
    lines = Lines(site)

    def write(points: Sequence[Point]) -> None:
        records = [record_of(point) for point in points if point.what is What.RECORD]
        if not records:
            server.write(lines.of(points))
            return
        measured = lines.of(point for point in points if point.what is not What.RECORD)
        in_ns = (f"{line}{MS_IN_NS}" for line in measured)
        server.write([*in_ns, *lines.records(records)], in_ns=True)

    return write


def site_record(site: Site, text: str, origin: str) -> Point:
    """The record of the site itself, by which a reader knows it; text is the site file's, origin says whether
    the server has a copy ('mirror') or the site's own store ('store')."""
    document = {
        "name": site.site.name,
        "time_zone": site.site.time_zone,
        "file": text,
        "origin": origin,
    }
    return record("site", "", json.dumps(document, ensure_ascii=False))


def record_of(point: Point) -> Record:
    """A record's point in the server's form, with the stamp that this has for it."""
    kind, number, document = point.device, int(point.values["number"]), str(point.values["document"])
    if kind in EVENTS:
        return Record(kind, point.of, event_ns(point.time_ms, number), document, number)
    if kind == "note":
        key, day = note_place(point.of)
        return Record(kind, key, date_ns(day) if day else 0, document)
    return Record(kind, point.of, number, document, number)
