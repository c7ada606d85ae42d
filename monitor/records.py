"""The frozen values that travel between the rooms: readings, series, day statistics, events, health.

Times are UTC milliseconds since 1970 (`time_ms`): integers compare, subtract and store without loss.
Imports only quantities and errors.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from enum import IntEnum, StrEnum
from typing import overload

SECOND_MS, MINUTE_MS, HOUR_MS, DAY_MS = 1000, 60_000, 3_600_000, 86_400_000

LATEST_MS = 7_258_118_400_000
"""2200-01-01T00:00:00Z: a later stamp is a broken clock (our choice)."""


class Quality(IntEnum):
    """How far a reading can be trusted."""

    GOOD = 0
    SUSPECT = 1  # a value came, but `reason` says why not to build on it
    MISSING = 2  # no value: the device said 'not available' or gave no usable answer


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one quantity from one source at one time.

    value is in the quantity's unit and None exactly when quality is MISSING; reason is '' exactly when
    quality is GOOD. device is the site file's device name, 'derived', 'estimate' or 'import'.
    """

    time_ms: int
    device: str
    quantity: str
    value: float | None
    quality: Quality = Quality.GOOD
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Bucket:
    """One point of a reduced series: minimum, mean and maximum of the good readings in [start, end)."""

    start_ms: int
    end_ms: int
    count: int
    minimum: float
    mean: float
    maximum: float


@dataclass(frozen=True, slots=True)
class Series:
    """A quantity over time in at most the asked number of buckets, in order of time.

    A bucket without good readings is left out; `gaps` lists the spans [start, end) in ms in which no
    reading came for longer than three usual intervals (a chart breaks its line there).
    """

    quantity: str
    buckets: tuple[Bucket, ...]
    gaps: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class DayStat:
    """What one quantity did in one local day, from good readings only.

    integral_h is the trapezoid integral over time in unit·hours (W -> Wh, A -> Ah) without gaps,
    positive_h and negative_h its parts above and below zero (negative_h <= 0); covered_s is the time
    the integral covers, so that a day with gaps shows as one. min_ms is when the minimum was.
    """

    day: date
    device: str
    quantity: str
    count: int
    minimum: float
    min_ms: int
    mean: float
    maximum: float
    first: float
    last: float
    integral_h: float
    positive_h: float
    negative_h: float
    covered_s: float


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened and is kept: a start, a silence, an alarm's transition, a full bank.

    kind is a short word ('start', 'stop', 'device', 'alarm', 'full', ...), subject what it is about (a
    device or alarm name, or ''), text one plain sentence.
    """

    time_ms: int
    kind: str
    subject: str
    text: str


class Condition(StrEnum):
    """The states of an alarm after ISA-18.2 / IEC 62682 (their names from memory)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned to normal unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


STANDING = frozenset(
    {
        Condition.UNACKNOWLEDGED,
        Condition.ACKNOWLEDGED,
        Condition.RETURNED,
        Condition.LATCHED_UNACKNOWLEDGED,
        Condition.LATCHED,
    }
)
"""States of which a person is told."""

OVER = frozenset({Condition.RETURNED, Condition.LATCHED_UNACKNOWLEDGED, Condition.LATCHED})
"""Those of them in which the value is back to normal."""


@dataclass(frozen=True, slots=True)
class AlarmState:
    """The present state of one alarm; state is a value of Condition.

    since_ms is when the state was entered; value is the value that last decided, None if none came.
    raised_ms is when the value went beyond its limit, None while it is not beyond and nobody is still to be
    told that it was. beyond_ms is when the on-delay began to run, back_ms the off-delay, None where it does
    not run. shelved_until_ms is the end of a shelving. standing tells of a shelved, suppressed or out of
    service alarm whether its value is beyond its limit all the same; first_out that it was the first of
    several raised together. reason is why the design suppresses it, '' in every other state.
    """

    name: str
    state: str
    since_ms: int
    priority: str
    value: float | None
    text: str
    raised_ms: int | None = None
    beyond_ms: int | None = None
    back_ms: int | None = None
    shelved_until_ms: int | None = None
    standing: bool = False
    first_out: bool = False
    reason: str = ""

    @property
    def stands(self) -> bool:
        """Whether a person is told that the value is beyond its limit, or has been and waits for them."""
        return self.state in STANDING

    @property
    def is_over(self) -> bool:
        """Whether it stands only because a person has not answered it: its value is back to normal."""
        return self.state in OVER


@dataclass(frozen=True, slots=True)
class Transition:
    """One step of an alarm from one state to another, with the values behind it.

    before and after are values of Condition; cause is 'raised', 'returned', 'acknowledged', 'reset',
    'shelved', 'unshelved', 'suppressed', 'unsuppressed', 'out of service' or 'in service'. values are the
    quantities that decided. by is who asked for it, '' where the values did. worthless_ms is after when
    nobody needs to hear of it any more (None: never). id is the store's number, 0 before it is stored.
    """

    time_ms: int
    alarm: str
    before: str
    after: str
    cause: str
    priority: str
    text: str
    values: Mapping[str, float | None] = field(default_factory=dict)
    by: str = ""
    worthless_ms: int | None = None
    id: int = 0


@dataclass(frozen=True, slots=True)
class Request:
    """What a person asks of the daemon through page or command line: it stands in the store until done.

    kind is 'acknowledge', 'shelve', 'unshelve', 'reset', 'test notice', 'log', 'edit log' ...; subject the
    alarm's or channel's name, the kind of a log entry, or the id of the one to change. details are what else
    belongs to it (a shelving's length). outcome is one sentence on what became of it, '' while done_ms is
    None. id is the store's number, 0 before it is stored.
    """

    time_ms: int
    kind: str
    subject: str
    details: Mapping[str, str | float | None] = field(default_factory=dict)
    by: str = ""
    done_ms: int | None = None
    outcome: str = ""
    id: int = 0


class LogKind(StrEnum):
    """What an entry of the hand-written log tells of."""

    HYDROMETER = "hydrometer"
    WATER = "water"
    VOLTAGES = "voltages"
    EQUALIZATION = "equalization"
    TERMINALS = "terminals"
    CLEANING = "cleaning"
    CAPACITY = "capacity"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One entry of the hand-written log: what a person did or measured at the bank or the array.

    time_ms is when it was done, written_ms when this wording was written and by who wrote it. kind is a value
    of LogKind. details are the numbers that belong to it, units in their names: gravity_1, gravity_2 ... as
    read from the hydrometer, electrolyte_temperature_C, water_L, unit_1_V, unit_2_V ... of each battery by
    itself, capacity_Ah at the 20-hour rate and capacity_band_Ah, how far it may be off to either side. former
    are the earlier wordings of an entry that was changed, oldest first, each with no former of its own. id is
    the store's number, the same for all wordings, 0 before it is stored.
    """

    time_ms: int
    kind: str
    text: str
    details: Mapping[str, float] = field(default_factory=dict)
    by: str = ""
    written_ms: int = 0
    former: tuple[LogEntry, ...] = ()
    id: int = 0


@dataclass(frozen=True, slots=True)
class Notice:
    """One message for one channel in the outbox.

    kind is 'alarm', 'returned', 'digest', 'evening', 'morning', 'all clear', 'test' ...; about the alarm's
    name or ''. title and text are the two short lines of a lock screen. state is 'due', 'trying' (handed to
    the channel, its answer unknown), 'delivered', 'expired' or 'withdrawn'; attempts counts the tries,
    next_ms is when the next may begin, expires_ms after what it is worthless (None: never). maybe_twice says
    that an earlier try may have arrived. id is the store's number, 0 before it is stored.
    """

    created_ms: int
    kind: str
    about: str
    priority: str
    channel: str
    title: str
    text: str
    state: str
    next_ms: int
    expires_ms: int | None = None
    attempts: int = 0
    maybe_twice: bool = False
    finished_ms: int | None = None
    last_error: str = ""
    id: int = 0


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """When the daemon last committed and started, and when it stopped, None while it runs."""

    time_ms: int
    started_ms: int
    stopped_ms: int | None


@dataclass(frozen=True, slots=True)
class DeviceHealth:
    """How a device has been answering. state: 'answering', 'silent', 'never answered'.

    errors counts by kind since the daemon first knew the device; round_trip_ms is the last good poll's
    duration; next_try_ms tells when a silent device is asked again; remark says what a person should know
    of its line though it works.
    """

    device: str
    connection: str
    state: str
    since_ms: int
    last_good_ms: int | None
    round_trip_ms: float | None
    polls: int
    errors: Mapping[str, int] = field(default_factory=dict)
    last_error: str = ""
    next_try_ms: int | None = None
    remark: str = ""

    def moved(self, from_ms: int, by_ms: int) -> DeviceHealth:
        """The same for a clock that was off from from_ms on: what it has stamped since is later by by_ms."""
        return replace(
            self,
            since_ms=moved_ms(self.since_ms, from_ms, by_ms),
            last_good_ms=moved_ms(self.last_good_ms, from_ms, by_ms),
            next_try_ms=moved_ms(self.next_try_ms, from_ms, by_ms),
        )


@overload
def moved_ms(time_ms: int, from_ms: int, by_ms: int) -> int: ...
@overload
def moved_ms(time_ms: int | None, from_ms: int, by_ms: int) -> int | None: ...
def moved_ms(time_ms: int | None, from_ms: int, by_ms: int) -> int | None:
    """The right stamp for one of a clock that was off from from_ms on: what it has stamped since is later by
    by_ms."""
    return time_ms if time_ms is None or time_ms < from_ms else time_ms + by_ms


def to_ms(moment: datetime) -> int:
    """UTC milliseconds of an aware datetime. Raises ValueError for a naive one."""
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()} has no time zone")
    return round(moment.timestamp() * 1000)


def to_datetime(time_ms: int) -> datetime:
    """The aware UTC datetime of a millisecond stamp."""
    return datetime.fromtimestamp(time_ms / 1000, UTC)


def iso_utc(time_ms: int) -> str:
    """'2026-11-25T10:30:00Z' (with '.250' only where a stamp has milliseconds)."""
    moment = to_datetime(time_ms)
    spec = "seconds" if time_ms % 1000 == 0 else "milliseconds"
    return moment.isoformat(timespec=spec).replace("+00:00", "Z")


def parse_iso(text: str) -> int:
    """UTC milliseconds of an ISO 8601 time that names its zone ('Z' or an offset). Raises ValueError."""
    return to_ms(datetime.fromisoformat(text.strip()))
