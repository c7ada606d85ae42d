"""The present state of a site as its writer holds it in memory, and what of it the server is to be given.

So the daemon knows its alarms, notices and notes without asking, also while the server is away.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from monitor.records import (
    AlarmState,
    DeviceHealth,
    Event,
    LogEntry,
    Notice,
    Request,
    Transition,
)
from monitor.served.lines import note_place, tag_text
from monitor.store.documents import (
    Kept,
    alarm_of,
    document_of,
    event_of,
    health_of,
    log_entry_of,
    notice_of,
    transition_of,
)
from monitor.store.mirrored_place import Point
from monitor.store.mirrored_records import Identity, identity_of, record

LASTING = ("alarm", "channel", "health", "note", "notice", "numbers", "rank", "site", "writer")
"""The kinds of which the shelf keeps the present state; of notes of single days only what waits."""

NUMBERED = ("event", "log", "notice", "transition")
"""The kinds whose records the writer gives numbers."""

HIGHEST = 2**53
"""No number is higher (our choice: a thousandth of what a server and SQLite can hold)."""

RECENT = 1000
"""So many transitions are held in memory (our choice: as many as a question asks for)."""

DATED_KEPT = 200
"""So many notes of single days are held in memory (our choice: weeks of what the daemon asks for)."""


class State:
    """Present state and what is due to the server. Not for several threads at a time."""

    def __init__(self) -> None:
        self.alarms: dict[str, AlarmState] = {}
        self.health: dict[str, DeviceHealth] = {}
        self.notices: dict[int, Notice] = {}
        self.ranks: dict[str, int] = {}
        self.recent: list[Transition] = []
        self.due: dict[Identity, Point] = {}
        self._notes: dict[str, str | None] = {}
        self._dated: dict[str, str | None] = {}
        self._numbers = dict.fromkeys(NUMBERED, 0)
        self._unkept: dict[Identity, Point] = {}
        self._fresh: dict[Identity, Point] = {}

    # --- what is known ----------------------------------------------------------------------------------

    def know(self, points: Iterable[Point]) -> None:
        """Take records as the present state, but nothing of what has changed since."""
        for point in points:
            kind, key, number = identity_of(point)
            text = str(point.values["document"])
            if (kind, key, number) in self.due or not text:
                continue
            if kind == "numbers":
                known = json.loads(text)
                if not all(0 <= int(number) <= HIGHEST for number in known.values()):
                    raise ValueError(f"numbers {text[:80]}")
                for of in NUMBERED:
                    self._numbers[of] = max(self._numbers[of], int(known.get(of, 0)))
            else:
                self._take(kind, key, number, text)

    def take_due(self, points: Iterable[Point]) -> None:
        """Take records that the server was not given before the last stop."""
        for point in points:
            kind, key, number = identity_of(point)
            self.know([point])
            self.due[kind, key, number] = point
            if kind == "transition":
                self._remember(transition_of(str(point.values["document"]), number))

    def know_recent(self, transitions: Iterable[Transition]) -> None:
        """Take transitions that the server has."""
        known = {each.id for each in self.recent}
        self.recent += [each for each in transitions if each.id not in known]
        self.recent.sort(key=lambda each: (each.time_ms, each.id))
        del self.recent[:-RECENT]

    def note(self, key: str) -> tuple[bool, str | None]:
        """Whether it is known what stands under a key, and that."""
        held, key = self._dated if note_place(key)[1] else self._notes, tag_text(key)
        return key in held, held.get(key)

    def know_note(self, key: str, text: str | None) -> None:
        """What the server has under a key."""
        if not note_place(key)[1]:
            self._notes[tag_text(key)] = text
            return
        self._dated[tag_text(key)] = text
        if len(self._dated) > DATED_KEPT:
            del self._dated[next(iter(self._dated))]

    # --- what changes -----------------------------------------------------------------------------------

    def put_alarm(self, state: AlarmState) -> None:
        self.alarms[state.name] = state
        self._put("alarm", state.name, document_of(state))

    def put_health(self, health: DeviceHealth) -> None:
        self.health[health.device] = health
        self._put("health", health.device, document_of(health))

    def put_note(self, key: str, text: str) -> None:
        self.know_note(key, text)
        self._put("note", key, json.dumps(text, ensure_ascii=False))

    def put_rank(self, devices: Sequence[str]) -> None:
        self.ranks = {device: rank for rank, device in enumerate(devices)}
        self._put("rank", "", json.dumps([*devices], ensure_ascii=False))

    def put_notice(self, notice: Notice) -> None:
        if notice.finished_ms is None:
            self.notices[notice.id] = notice
        else:
            self.notices.pop(notice.id, None)
        self._put("notice", "", document_of(notice), notice.id)

    def put_request(self, request: Request) -> None:
        self._put("request", "", document_of(request), request.id)

    def put_log_entry(self, entry: LogEntry) -> None:
        self._put("log", "", document_of(entry), entry.id)

    def put(self, point: Point) -> None:
        """Any other record."""
        self._fresh[identity_of(point)] = self.due[identity_of(point)] = point

    def add(self, records: Iterable[Event | LogEntry | Notice | Transition], first: int) -> None:
        """Give new records their numbers, which no other ever has; first is the least that the first of all
        may have."""
        for each in records:
            kind = _KIND_OF[type(each)]
            number = self._numbers[kind] = max(self._numbers[kind] + 1, first)
            if isinstance(each, Transition):
                self._remember(replace(each, id=number))
            if isinstance(each, Notice):
                self.put_notice(replace(each, id=number))
                continue
            time_ms = each.time_ms if isinstance(each, Event | Transition) else 0
            self._put(kind, "", document_of(each), number, time_ms)
        self._put("numbers", "", json.dumps(self._numbers))

    def log_entry(self, number: int) -> LogEntry | None:
        """An entry that the server was not given yet."""
        point = self.due.get(("log", "", number))
        return None if point is None else log_entry_of(str(point.values["document"]), number)

    def due_of(self, kind: str) -> Iterable[Point]:
        """The records of a kind that the server was not given yet, the newest last."""
        return [point for (of, _, _), point in self.due.items() if of == kind]

    # --- what is given ----------------------------------------------------------------------------------

    def to_give(self) -> list[Point]:
        """What the server is to be given; the numbers first, so that none is ever given twice."""
        return sorted(self.due.values(), key=lambda point: (point.device != "numbers", point.time_ms))

    def given(self, points: Iterable[Point]) -> None:
        """The server has these now."""
        for point in points:
            identity = identity_of(point)
            if self.due.get(identity) is point:
                del self.due[identity]
                self._fresh.pop(identity, None)
            if point.device in LASTING and not note_place(point.of)[1]:
                self._unkept[identity] = point

    def unkept(self) -> list[Point]:
        """What the server has and the shelf may not have yet."""
        return [*self._unkept.values()]

    def fresh(self) -> list[Point]:
        """What is due to the server and not on the shelf yet as it is now."""
        return [*self._fresh.values()]

    def kept(self) -> None:
        """The shelf has all that."""
        self._unkept.clear()
        self._fresh.clear()

    def _put(self, kind: str, key: str, document: str, number: int = 0, time_ms: int = 0) -> None:
        self.put(record(kind, key, document, number, time_ms))

    def _take(self, kind: str, key: str, number: int, text: str) -> None:
        if kind == "alarm":
            alarm = alarm_of(text)
            self.alarms[alarm.name] = alarm
        elif kind == "health":
            health = health_of(text)
            self.health[health.device] = health
        elif kind == "note":
            self.know_note(key, str(json.loads(text)))
        elif kind == "rank":
            self.ranks = {name: rank for rank, name in enumerate(json.loads(text))}
        elif kind == "notice":
            notice = notice_of(text, number)
            if notice.finished_ms is None:
                self.notices[number] = notice

    def _remember(self, transition: Transition) -> None:
        self.recent.append(transition)
        del self.recent[:-RECENT]


_KIND_OF: Mapping[type[Kept], str] = {
    Event: "event",
    LogEntry: "log",
    Notice: "notice",
    Transition: "transition",
}


def events_of(points: Iterable[Point]) -> list[Event]:
    """Records of events."""
    return [event_of(str(point.values["document"])) for point in points]
