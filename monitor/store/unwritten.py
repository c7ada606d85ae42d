"""What came besides readings and is not in the file yet: events, alarms, notices, notes.

`writer.EmbeddedWriter` notes here what comes, answers from it, and has it written with its next commit. Not
for several threads at a time.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from operator import attrgetter

from monitor.records import AlarmState, DeviceHealth, Event, LogEntry, Notice, Request, Transition
from monitor.store.documents import document_of
from monitor.store.log_table import write_log
from monitor.store.schema import EACH_COMMIT, HEALTH, NOTE
from monitor.store.waiting import MOST_TOLD, Untold, newest_of_each


@dataclass(slots=True)
class Unwritten:
    """New ones in the order in which they came, and changed ones by their number or name.

    ranks are the devices in their new order, None where it stays; what was finished before forget_before_ms
    is to be forgotten. untold is what had to be let go since the last commit.
    """

    events: list[Event] = field(default_factory=list)
    alarms: dict[str, AlarmState] = field(default_factory=dict)
    transitions: list[Transition] = field(default_factory=list)
    new_log: list[LogEntry] = field(default_factory=list)
    log: dict[int, LogEntry] = field(default_factory=dict)
    requests: dict[int, Request] = field(default_factory=dict)
    new_notices: list[Notice] = field(default_factory=list)
    notices: dict[int, Notice] = field(default_factory=dict)
    health: dict[str, DeviceHealth] = field(default_factory=dict)
    notes: dict[str, str] = field(default_factory=dict)
    ranks: dict[str, int] | None = None
    forget_before_ms: int | None = None
    untold: Untold | None = None

    def __bool__(self) -> bool:
        """Whether there is anything to write."""
        return bool(
            self.events
            or self.alarms
            or self.transitions
            or self.new_log
            or self.log
            or self.requests
            or self.new_notices
            or self.notices
            or self.health
            or self.notes
            or self.ranks is not None
            or self.forget_before_ms is not None
        )

    def let_go(self) -> None:
        """Bound what waits for a card that stays full: of too many events or transitions the rare ones
        stay."""
        waiting: list[Event | Transition] = [*self.events, *self.transitions]
        self.events = newest_of_each(self.events, MOST_TOLD, attrgetter("kind", "subject"))
        self.transitions = newest_of_each(self.transitions, MOST_TOLD, attrgetter("alarm"))
        if gone := len(waiting) - len(self.events) - len(self.transitions):
            before = 0 if self.untold is None else self.untold.count
            self.untold = Untold(before + gone, max(each.time_ms for each in waiting))

    def write(self, into: sqlite3.Connection, events: list[Event]) -> None:
        """Write all of it, inside a transaction; events are those of here and what is told besides."""
        if self.ranks is not None:
            into.execute("DELETE FROM device")
            into.executemany("INSERT INTO device VALUES (?, ?)", self.ranks.items())
        into.executemany(
            "INSERT INTO event (time_ms, kind, subject, text) VALUES (?, ?, ?, ?)",
            ((event.time_ms, event.kind, event.subject, event.text) for event in events),
        )
        into.executemany(
            "INSERT OR REPLACE INTO alarm VALUES (?, ?)",
            ((alarm.name, document_of(alarm)) for alarm in self.alarms.values()),
        )
        into.executemany(
            "INSERT INTO transition (time_ms, alarm, document) VALUES (?, ?, ?)",
            ((each.time_ms, each.alarm, document_of(each)) for each in self.transitions),
        )
        write_log(into, self.new_log, self.log)
        into.executemany(
            "UPDATE request SET done_ms = ?, document = ? WHERE id = ?",
            ((request.done_ms, document_of(request), number) for number, request in self.requests.items()),
        )
        into.executemany(
            "INSERT INTO notice (finished_ms, document) VALUES (?, ?)",
            ((notice.finished_ms, document_of(notice)) for notice in self.new_notices),
        )
        into.executemany(
            "UPDATE notice SET finished_ms = ?, document = ? WHERE id = ?",
            ((notice.finished_ms, document_of(notice), number) for number, notice in self.notices.items()),
        )
        if self.forget_before_ms is not None:
            into.execute("DELETE FROM notice WHERE finished_ms < ?", (self.forget_before_ms,))
            into.execute("DELETE FROM request WHERE done_ms < ?", (self.forget_before_ms,))
        into.executemany(
            "INSERT OR REPLACE INTO now (kind, name, document) VALUES (?, ?, ?)",
            [(HEALTH, health.device, document_of(health)) for health in self.health.values()]
            + [(NOTE, key, text) for key, text in self.notes.items() if key in EACH_COMMIT],
        )
        into.executemany(
            "INSERT OR REPLACE INTO note VALUES (?, ?)",
            ((key, text) for key, text in self.notes.items() if key not in EACH_COMMIT),
        )
