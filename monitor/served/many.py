"""All sites on one server at a look: a handful of questions for all of them, none for each.

The present state of a site stands in its records stamped 0 (`lines.Record`); a question for one kind of them
brings those of all sites. What changes rarely is asked for rarely, and what is kept between is small, so that
a thousand sites cost little to look at again. Of a site that sends readings alone there are no records: only
its name and its devices' newest readings are known.
"""

from __future__ import annotations

import threading
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from monitor.clock import CLOCK_NOTE
from monitor.outlook import OUTLOOK_NOTE
from monitor.served.lines import DAYS, MEASUREMENT, RECORDS
from monitor.served.query import Asker, quoted, understands
from monitor.served.site_state import SiteState, state_of
from monitor.store.heartbeat import NOTE as HEARTBEAT_NOTE

PRESENT_S = 15.0
"""How long readings, alarms and heartbeats of all sites are kept (our choice: a copy is minutes late)."""

OUTLOOKS_S = 120.0
"""How long outlooks are kept: the largest records, made anew every quarter of an hour (our choice)."""

FILES_S = 600.0
"""How long names and site files are kept (our choice); a site that is new says so by its other records."""

NAMES_AT_ONCE = 100
"""So many sites without records are named in one question (our choice: an address of a few kilobytes)."""

DOCUMENTS_AT_ONCE = 250
"""Documents of an answer in memory at once (our choice: outlooks of some kilobytes each make a megabyte)."""

NOT_NORMAL = '"kind" = \'alarm\' AND "document" !~ /"state": "normal"/'
"""Most alarms of most sites are normal: the server leaves them out."""

_Found = dict[str, Any]


@dataclass(slots=True)
class _Kept:
    """What a question brought, by the site's name, and when."""

    ask: Callable[[], _Found]
    every_s: float
    asked_s: float | None = None
    found: _Found = field(default_factory=dict)

    def renew(self, now_s: float) -> bool:
        """Ask again what was asked too long ago; whether it was."""
        if self.asked_s is not None and now_s - self.asked_s < self.every_s:
            return False
        self.found = self.ask()
        self.asked_s = now_s
        return True


class Sites:
    """The sites of one server. Threads may share it: one asks, the others wait for its answers."""

    def __init__(self, asker: Asker, elapsed_s: Callable[[], float]) -> None:
        """elapsed_s counts seconds and never jumps."""
        self._asker, self._elapsed_s = asker, elapsed_s
        self._lock = threading.Lock()
        self._names = _Kept(self._ask_names, FILES_S)
        self._about = _Kept(lambda: self._documents("\"kind\" = 'site' OR \"kind\" = 'rank'"), FILES_S)
        self._outlooks = _Kept(self._ask_outlooks, OUTLOOKS_S)
        self._present = _Kept(self._ask_present, PRESENT_S)
        self._states: dict[str, SiteState] = {}
        self._made_of: dict[str, tuple[Any, ...]] = {}

    @property
    def last(self) -> Mapping[str, SiteState]:
        """The sites as they were when the server was last asked."""
        return self._states

    @understands
    def look(self) -> Mapping[str, SiteState]:
        """The sites by their names, as of PRESENT_S ago at most. Raises ServerError."""
        with self._lock:
            self._renew()
            return self._states

    def _renew(self) -> None:
        now_s = self._elapsed_s()
        fresh = self._present.renew(now_s)
        if fresh and not self._present.found.keys() <= self._about.found.keys():
            self._about.asked_s = None
        for kept in (self._names, self._about, self._outlooks):
            fresh = kept.renew(now_s) or fresh
        if fresh:
            known = self._about.found.keys() | self._present.found.keys()
            alone = sorted(self._names.found.keys() - known)
            heard = self._ask_heard(alone)
            states = {name: SiteState(name, heard=heard.get(name, {})) for name in alone}
            self._states = states | {name: self._state(name) for name in sorted(known)}

    def _state(self, name: str) -> SiteState:
        """A site with records; the former state where they are the same."""
        made_of = tuple(kept.found.get(name) for kept in (self._about, self._present, self._outlooks))
        if self._made_of.get(name) == made_of and name in self._states:
            return self._states[name]
        self._made_of[name] = made_of
        about, present, outlook = made_of
        return state_of(name, about or {}, present or {}, outlook)

    def _ask_names(self) -> _Found:
        """All names under which anything was sent."""
        of = ", ".join(f'"{name}"' for name in (MEASUREMENT, DAYS, RECORDS))
        asked = self._asker.ask(f'SHOW TAG VALUES FROM {of} WITH KEY = "site"')
        return {str(values[-1]): None for rows in asked for values in rows.values}

    def _ask_present(self) -> _Found:
        """Ends of channels, heartbeats, clocks, and the alarms that are not normal."""
        notes = " OR ".join(f'"key" = {quoted(name)}' for name in (HEARTBEAT_NOTE, CLOCK_NOTE))
        found = self._documents(f"\"kind\" = 'channel' OR (\"kind\" = 'note' AND ({notes}))")
        for name, documents in self._documents(NOT_NORMAL).items():
            found.setdefault(name, {}).update(documents)
        return found

    def _ask_outlooks(self) -> _Found:
        where = f'"kind" = \'note\' AND "key" = {quoted(OUTLOOK_NOTE)}'
        return {name: zlib.compress(text.encode(), 1) for name, _, _, text in self._records(where)}

    def _ask_heard(self, names: Sequence[str]) -> dict[str, dict[str, int]]:
        """When each device of some sites was last read, from the readings themselves."""
        found: dict[str, dict[str, int]] = {}
        for first in range(0, len(names), NAMES_AT_ONCE):
            which = " OR ".join(f'"site" = {quoted(name)}' for name in names[first : first + NAMES_AT_ONCE])
            newest = 'GROUP BY "site", "device" ORDER BY time DESC LIMIT 1'
            for rows in self._asker.ask(f'SELECT * FROM "{MEASUREMENT}" WHERE {which} {newest}'):
                at = rows.columns.index("time")
                for values in rows.values:
                    found.setdefault(rows.tags["site"], {})[rows.tags["device"]] = values[at]
        return found

    def _documents(self, where: str) -> _Found:
        """Documents by site, and there by kind and key."""
        found: _Found = {}
        for name, kind, key, document in self._records(where):
            found.setdefault(name, {})[kind, key] = document
        return found

    def _records(self, where: str) -> Iterator[tuple[str, str, str, str]]:
        """Site, kind, key and document of records that were not emptied."""
        columns = '"site", "kind", "key", "document"'
        statement = f'SELECT {columns} FROM "{RECORDS}" WHERE ({where}) AND time = 0'
        for rows in self._asker.ask(statement, DOCUMENTS_AT_ONCE):
            for _, name, kind, key, document in rows.values:
                if document:
                    yield name, kind, key, document
