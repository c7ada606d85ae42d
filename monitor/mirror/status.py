"""How far each mirror is, as a document and in words."""

from __future__ import annotations

from datetime import tzinfo
from pathlib import Path
from typing import Any

from monitor.mirror.book import book_path, look_up
from monitor.mirror.sender import SAVE_EVERY_S, wanted_of
from monitor.records import iso_utc, parse_iso, to_datetime
from monitor.site.mirror_table import MirrorEntry
from monitor.site.model import Site
from monitor.store import store_path
from monitor.store.mirrored import oldest_waiting, snapshot
from monitor.store.mirrored_place import Place

NEWEST_REFUSED = 5
"""So many refused values are shown (our choice)."""


def mirrors_document(site: Site, site_file: Path, now_ms: int) -> list[dict[str, Any]]:
    """What is known of each mirror of a site. Raises StoreError where there is no store yet.

    'waiting_since' is the time of the oldest reading that was not sent, or from which it is not known yet
    that it was: what was sent is written down every few minutes.
    """
    return [_document(site, site_file, entry, now_ms) for entry in site.mirrors]


def _document(site: Site, site_file: Path, entry: MirrorEntry, now_ms: int) -> dict[str, Any]:
    store = store_path(site, site_file)
    place, state, refused = look_up(book_path(store), entry.name, NEWEST_REFUSED)
    with snapshot(store) as ask:
        waiting_ms = oldest_waiting(ask, place or Place(0), wanted_of(entry))
    patience_ms = round(1000 * (SAVE_EVERY_S + 2 * entry.every_s + site.store.commit_every_s))
    if place is None:
        stands = "never sent"
    elif state.failing_ms is not None:
        stands = "waiting"
    elif waiting_ms is None or now_ms - waiting_ms <= patience_ms:
        stands = "up to date"
    else:
        stands = "behind"
    given = place.given.values() if place is not None else ()
    return {
        "name": entry.name,
        "url": entry.url,
        "bucket": entry.bucket,
        "send": list(entry.send),
        "state": stands,
        "sent_to": _iso(max(given, default=None)),
        "waiting_since": _iso(waiting_ms),
        "lines_taken": state.taken,
        "last_taken": _iso(state.taken_ms),
        "failing_since": _iso(state.failing_ms),
        "error": state.error,
        "next_try": _iso(state.next_ms),
        "records_as_of": _iso(state.records_ms),
        "values_refused": state.refused,
        "newest_refused": [
            {
                "time": _iso(each.point.time_ms) if each.point.time_ms else None,
                "device": each.point.device,
                "of": each.point.of,
                "values": dict(each.point.values),
                "words": each.words,
            }
            for each in refused
        ],
    }


def in_words(document: dict[str, Any], zone: tzinfo) -> str:
    """One mirror for a person."""
    lines = [f"{document['name']} ({document['url']}, bucket {document['bucket']}): {document['state']}"]
    add = lines.append
    if document["state"] == "never sent":
        add("  Nothing was sent yet. Send what there is: nightbank mirror SITE once; go on: ... run.")
        return "\n".join(lines)
    sent, since = _local(document["sent_to"], zone), _local(document["waiting_since"], zone)
    if document["state"] == "up to date" and sent is None:
        add("  No readings are sent to it.")
    elif document["state"] == "up to date":
        add(f"  The readings up to {sent} are there, and newer ones if it goes on.")
    elif sent is None:
        add(f"  No reading was taken yet; they wait in the store from {since} on.")
    else:
        add(f"  The readings from {since} on wait in the store.")
    if document["error"]:
        add(f"  Since {_local(document['failing_since'], zone)} it takes nothing: {document['error']}.")
        add(f"  The next try is due at {_local(document['next_try'], zone)}.")
    elif document["state"] == "behind":
        add("  It is catching up, or its process does not run: nightbank mirror SITE run.")
    if document["lines_taken"]:
        last = _local(document["last_taken"], zone)
        add(f"  It took {document['lines_taken']:,} lines in all, the last ones at {last}.")
    if document["records_as_of"]:
        as_of = _local(document["records_as_of"], zone)
        add(f"  Alarms, notes, the log and what else belongs to a copy for pages are there as of {as_of}.")
    elif "records" in document["send"]:
        add("  Alarms, notes, the log and what else belongs to a copy for pages were not all sent yet.")
    if document["values_refused"]:
        add(f"  It refused {document['values_refused']:,} values, which stay in the store. The newest:")
        for each in document["newest_refused"]:
            values = ", ".join(f"{name} {_short(value)}" for name, value in each["values"].items())
            when = f"{_local(each['time'], zone)}  " if each["time"] else ""
            about = f"{each['device']} {each['of']}".rstrip()
            add(f"    {when}{about}: {values}")
            add(f"      {each['words']}")
    return "\n".join(lines)


def _short(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:g}"


def _iso(time_ms: int | None) -> str | None:
    return None if time_ms is None or time_ms < 0 else iso_utc(time_ms)


def _local(text: str | None, zone: tzinfo) -> str | None:
    return None if text is None else f"{to_datetime(parse_iso(text)).astimezone(zone):%Y-%m-%d %H:%M:%S}"
