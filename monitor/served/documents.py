"""The records of a site on a server, as a reader asks for them: present state, numbers, what happened."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from monitor.clock import CLOCK_NOTE
from monitor.errors import StoreError
from monitor.local_days import zone_of
from monitor.outlook import OUTLOOK_NOTE
from monitor.records import LATEST_MS, Notice, Request
from monitor.sampling import BASIS_NOTE
from monitor.served.lines import RECORDS, date_ns, note_place, tag_text
from monitor.served.query import Asker, quoted, understands
from monitor.store.documents import ChannelEnds, channels_of, notice_of, request_of
from monitor.store.heartbeat import NOTE as HEARTBEAT_NOTE
from monitor.store.mirrored_place import Point
from monitor.store.mirrored_records import record
from monitor.store.steps import STEPS

NS = 1_000_000
"""Nanoseconds in a millisecond."""

T = TypeVar("T")

PRESENT = ("alarm", "channel", "health", "rank", "site")
NOTES = (BASIS_NOTE, CLOCK_NOTE, HEARTBEAT_NOTE, OUTLOOK_NOTE)
"""Kinds and notes that are asked for at once where answers are held for a moment: what every page tells."""


@dataclass(frozen=True, slots=True)
class Numbered:
    """A record that has a number, or a time at which it happened."""

    number: int
    document: str


@dataclass(frozen=True, slots=True)
class Ends:
    """The channels that have readings, and the ranks of devices, 0 the best."""

    channels: Sequence[ChannelEnds]
    ranks: dict[str, int]


class Documents:
    """Asks for one site's records. Each call raises ServerError where the server does not answer."""

    def __init__(self, asker: Asker, site_name: str, hold_s: float = 0.0) -> None:
        """hold_s is how long an answer about the present state is held and given again."""
        self._asker, self._hold_s = asker, hold_s
        self._where = f'FROM "{RECORDS}" WHERE "site" = {quoted(tag_text(site_name))}'
        self._name = site_name
        self._held: dict[str, tuple[float, Any]] = {}

    def ends(self) -> Ends:
        """Where the channels begin and end. Devices have the names of the site file."""
        found = self._present("channel", "rank")
        names: list[str] = json.loads(found.get(("rank", "-"), "[]"))
        named = {tag_text(name): name for name in names}
        channels = [
            each
            for (kind, device), document in found.items()
            if kind == "channel"
            for each in channels_of(document, named.get(device, device))
            if each.quantity in STEPS
        ]
        return Ends(channels, {name: rank for rank, name in enumerate(names)})

    def zone(self) -> ZoneInfo:
        """The time zone that cuts the site's local days. Raises StoreError where the site is not known."""
        return zone_of(str(self.site().get("time_zone", "")))

    def site(self) -> dict[str, str]:
        """What the site's record says of it. Raises StoreError where there is none."""
        document = self.site_document()
        if document is None:
            raise StoreError(
                f"the server knows no site '{self._name}'; start its daemon (nightbank monitor) or its"
                " mirror, or look at the name"
            )
        site: dict[str, str] = json.loads(document)
        return site

    @understands
    def site_document(self) -> str | None:
        """The document of the site's record, None where there is none."""
        return self._present("site").get(("site", "-"))

    def present(self) -> list[Point]:
        """All that has a present state, as records. Notes of single days are not among it."""
        statement = f'SELECT "kind", "key", "number", "document" {self._where} AND time = 0'
        return [
            record(kind, "" if key == "-" else key, document, number)
            for rows in self._asker.ask(statement)
            for _, kind, key, number, document in rows.values
            if document
        ]

    def notices(self) -> list[Notice]:
        """All notices that were not forgotten, finished or not."""
        return [notice_of(each.document, each.number) for each in self.numbered("notice")]

    def requests(self) -> list[Request]:
        """All requests that were not forgotten, done or not."""
        return [request_of(each.document, each.number) for each in self.numbered("request")]

    def mark(self) -> str | None:
        """The mark of the computer that writes the site."""
        return self._ask_present(["writer"]).get(("writer", "-"))

    def of(self, kind: str) -> list[str]:
        """The documents of all that has a present state of a kind."""
        return [document for (of, _), document in self._present(kind).items() if of == kind]

    def note(self, key: str) -> str | None:
        """The text of a note."""
        if self._hold_s and key in NOTES:
            held = self._present("note").get(("note", key))
            return None if held is None else str(json.loads(held))
        place, day = note_place(key)
        where = f'"kind" = \'note\' AND "key" = {quoted(tag_text(place) or "-")}'
        at = date_ns(day) if day else 0
        statement = f'SELECT "document" {self._where} AND {where} AND time = {at}'
        found = self._hold(key, lambda: [*self._numbered(statement)])
        return str(json.loads(found[0].document)) if found else None

    def numbered(self, kind: str, *, only: str = "", limit: int | None = None) -> list[Numbered]:
        """The records of a numbered kind that were not forgotten, the highest number first; only is what
        their documents must hold (a regular expression)."""
        of = f'"kind" = {quoted(kind)} AND "document" != \'\''
        more = f' AND "document" =~ /{only}/' if only else ""
        end = "" if limit is None else f" LIMIT {limit}"
        statement = f'SELECT "number", "document" {self._where} AND {of}{more} ORDER BY time DESC{end}'
        return [*self._numbered(statement)]

    def one(self, kind: str, number: int) -> str | None:
        """The document of one numbered record."""
        of = f'"kind" = {quoted(kind)} AND time = {number}'
        found = [*self._numbered(f'SELECT "number", "document" {self._where} AND {of}')]
        return found[0].document if found else None

    def happened(self, kind: str, start_ms: int, end_ms: int, limit: int) -> list[Numbered]:
        """What happened in [start, end), newest first."""
        start, end = (min(max(0, at_ms), LATEST_MS) * NS for at_ms in (start_ms, end_ms))
        if end <= start or limit < 1:
            return []
        of = f'"kind" = {quoted(kind)} AND time >= {start} AND time < {end}'
        statement = f'SELECT "number", "document" {self._where} AND {of} ORDER BY time DESC LIMIT {limit}'
        return [*self._numbered(statement)]

    def _present(self, *kinds: str) -> Mapping[tuple[str, str], str]:
        """The documents of kinds by kind and key."""
        if self._hold_s:
            return self._hold("", lambda: self._ask_present(PRESENT))
        return self._ask_present(kinds)

    def _ask_present(self, kinds: Sequence[str]) -> dict[tuple[str, str], str]:
        of = " OR ".join(f'"kind" = {quoted(kind)}' for kind in kinds)
        if self._hold_s:
            keys = " OR ".join(f'"key" = {quoted(key)}' for key in NOTES)
            of += f" OR (\"kind\" = 'note' AND ({keys}))"
        statement = f'SELECT "kind", "key", "document" {self._where} AND ({of}) AND time = 0'
        return {
            (kind, key): document
            for rows in self._asker.ask(statement)
            for _, kind, key, document in rows.values
            if document
        }

    def _numbered(self, statement: str) -> Iterator[Numbered]:
        for rows in self._asker.ask(statement):
            number, document = (
                rows.columns.index(name) if name in rows.columns else 0 for name in ("number", "document")
            )
            for values in rows.values:
                if values[document]:
                    found = Numbered(values[number] if number else 0, values[document])
                    if type(found.number) is not int or not isinstance(found.document, str):
                        raise TypeError(f"record {str(found)[:80]}")
                    yield found

    def _hold(self, key: str, ask: Callable[[], T]) -> T:
        """What was asked a moment ago, or else is asked now."""
        if not self._hold_s:
            return ask()
        now_s = time.monotonic()
        self._held = {each: held for each, held in self._held.items() if now_s - held[0] < self._hold_s}
        if key not in self._held:
            self._held[key] = now_s, ask()
        held: T = self._held[key][1]
        return held
