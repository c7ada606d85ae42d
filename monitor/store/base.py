"""What a store answers: the interface that daemon, page, command line and exports are written against.

One writer, any number of readers. Readers never see a half-written batch. All times are UTC ms.

Where several devices give the same quantity, the devices' rank decides (the order of the site file, then
'import', then 'derived', 'estimate'): a call that names no device gets, bucket by bucket or day by day,
the best-ranked device that has good readings there.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Protocol

from monitor.records import (
    AlarmState,
    DayStat,
    DeviceHealth,
    Event,
    LogEntry,
    Notice,
    Quality,
    Reading,
    Request,
    Series,
    Transition,
)


class StoreReader(Protocol):
    """The public read side: everything pages, exports and commands may ask."""

    @property
    def lag_s(self) -> float | None:
        """How much later than at the site itself things may stand here, where this is a copy of a site's
        store; None where it is the store itself. Nobody may leave requests in a copy."""

    def latest(self) -> list[Reading]:
        """The newest reading of each (device, quantity), missing and suspect ones too, ranked by device."""

    def latest_good(self, quantity: str) -> Reading | None:
        """The newest good reading of a quantity over all devices (the best rank wins a tie)."""

    def series(
        self, quantity: str, start_ms: int, end_ms: int, points: int, device: str | None = None
    ) -> Series:
        """A quantity in [start, end) reduced to at most `points` buckets, which do not overlap.

        Up to 26 hours the buckets are of equal width, counted from start. Of longer spans they may be cut at
        whole five minutes, hours or local days instead, all but the first and last of the same number of
        them and none more than half as wide again as equal ones; the first begins at start and the last
        ends at end. Count, minimum, mean and maximum are those of the readings inside in either case. Where
        they are cut so, also where a day's equal buckets are such by themselves, a gap is what the day's
        statistics do not join: readings further apart than five minutes and three times the usual interval of
        that day.
        """

    def days(self, first: date, last: date) -> list[DayStat]:
        """Statistics of every quantity for the local days first..last (both included), in order."""

    def rows(
        self, quantities: Sequence[str], start_ms: int, end_ms: int, every_s: float | None = None
    ) -> Iterator[tuple[int, dict[str, float]]]:
        """Good readings merged by time in [start, end): (time_ms, {quantity: value}), streamed in order.

        every_s averages into steps of that many seconds, stamped at the step's start; codes (charge_stage,
        fault_bits) have no mean and give the step's highest.
        """

    def readings(
        self, start_ms: int, end_ms: int, devices: Collection[str] | None = None
    ) -> Iterator[Reading]:
        """Every reading in [start, end) of all or some devices, suspect and missing ones too, streamed.

        In order of time; at one time by the devices' rank, then as `quantities.py` lists the quantities.
        """

    def flawed(self, quantity: str, start_ms: int, end_ms: int) -> list[Reading]:
        """A quantity's suspect and missing readings in [start, end) of all devices, in order of time."""

    def span(self) -> tuple[int, int] | None:
        """First and last reading's time, None where the store is empty."""

    def events(self, start_ms: int, end_ms: int, limit: int = 1000) -> list[Event]:
        """Events in [start, end), newest first."""

    def alarms(self) -> list[AlarmState]:
        """The present state of every alarm the daemon knows."""

    def transitions(self, start_ms: int, end_ms: int, limit: int = 1000) -> list[Transition]:
        """Alarms' transitions in [start, end), newest first."""

    def log(self, start_ms: int, end_ms: int, limit: int = 1000) -> list[LogEntry]:
        """The hand-written log: entries of what was done in [start, end), newest first."""

    def log_entry(self, number: int) -> LogEntry | None:
        """One entry of the hand-written log by its id, None where there is none."""

    def open_requests(self) -> list[Request]:
        """What people have asked of the daemon and is not done yet, oldest first."""

    def request(self, number: int) -> Request | None:
        """One request by its id, None where there is none."""

    def open_notices(self) -> list[Notice]:
        """The notices that are not finished, oldest first."""

    def notices(self, limit: int = 100) -> list[Notice]:
        """The newest notices, finished or not, newest first."""

    def health(self) -> list[DeviceHealth]:
        """How each device has been answering, in the site file's order."""

    def note(self, key: str) -> str | None:
        """A small document kept under a key (the estimator's state, a clock note), None if absent."""

    def close(self) -> None:
        """Release the store; may be called twice."""


class StoreWriter(StoreReader, Protocol):
    """The daemon's side. Nothing is durable before `commit`."""

    def rank_devices(self, devices: Sequence[str]) -> None:
        """Tell the devices in the site file's order, best first."""

    def append(self, readings: Iterable[Reading]) -> None:
        """Add readings. The same (time, device, quantity) again changes nothing; late ones are welcome."""

    def add_event(self, event: Event) -> None:
        """Keep an event."""

    def put_alarm(self, state: AlarmState) -> None:
        """Replace the present state of one alarm."""

    def add_transition(self, transition: Transition) -> None:
        """Keep an alarm's transition."""

    def add_log_entry(self, entry: LogEntry) -> None:
        """Keep a new entry of the hand-written log; it has its id after the next commit."""

    def put_log_entry(self, entry: LogEntry) -> None:
        """Replace an entry of the hand-written log (its id says which); its `former` holds what it said."""

    def put_request(self, request: Request) -> None:
        """Replace a request that is done (its id says which)."""

    def add_notice(self, notice: Notice) -> None:
        """Put a notice into the outbox; it has its id after the next commit."""

    def put_notice(self, notice: Notice) -> None:
        """Replace a notice (its id says which)."""

    def forget_notices(self, before_ms: int) -> None:
        """Drop notices and requests that were finished before a time."""

    def put_health(self, health: DeviceHealth) -> None:
        """Replace one device's health."""

    def put_note(self, key: str, text: str) -> None:
        """Keep a small document under a key, replacing the former."""

    def replace(self, device: str, start_ms: int, end_ms: int, readings: Iterable[Reading]) -> None:
        """Put readings of a device in the place of all that it has in [start, end), and commit.

        All or nothing: an error while they come leaves the store as it was. What is pending, and what is
        put or added while they come, is written with them.
        """

    def commit(self) -> None:
        """Make all since the last commit durable and bring the day statistics up to date."""


@dataclass(slots=True)
class Landed:
    """What became of a commit's readings: new (and of these suspect), already there, or in conflict.

    conflicts pairs a reading that was left out with the other one that stands under its time; latest_ms is
    the time of the newest reading that came.
    """

    new: int = 0
    suspect: int = 0
    known: int = 0
    conflicts: list[tuple[Reading, Reading]] = field(default_factory=list)
    latest_ms: int | None = None

    def count(self, reading: Reading) -> None:
        """One more new reading."""
        self.new += 1
        self.suspect += reading.quality is Quality.SUSPECT

    def add(self, later: Landed) -> None:
        """What became of later ones, too."""
        self.new += later.new
        self.suspect += later.suspect
        self.known += later.known
        self.conflicts += later.conflicts
        self.latest_ms = self.latest_ms if later.latest_ms is None else later.latest_ms


class StoreImporter(StoreWriter, Protocol):
    """An import's side: a writer that can tell what became of its readings."""

    last_commit: Landed
