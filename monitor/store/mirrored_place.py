"""What travels to a mirror, and how far one has come: the frozen values."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from monitor.store.queries import ChannelRow


class What(StrEnum):
    """What a `Point` is; a reading with `of` is a day's statistics."""

    READING = ""
    HOUR = "hour"
    FLAWED = "flawed"
    RECORD = "record"


Wanted = Callable[[str], bool]
"""Whether a mirror takes a device's readings."""

Channel = tuple[str, str]
"""Device and quantity."""


@dataclass(frozen=True, slots=True)
class Point:
    """What one device gave at one time: values by quantity, a code as an int.

    Of a day's statistics: of is the quantity, time_ms when the day began, values are named as in
    `mirrored_days.FIELDS`; of an HOUR four of these. FLAWED is a reading of the quantity `of` that is not
    good: 'quality', 'reason' and, where there is one, 'value'. A RECORD is no reading: device is its kind,
    of its key, values are its 'number' (0 for none) and its 'document' ('' where it was forgotten).
    """

    time_ms: int
    device: str
    values: Mapping[str, float | str]
    of: str = ""
    what: What = What.READING


@dataclass(frozen=True, slots=True)
class Place:
    """How far a mirror has come.

    key is the one under which the store knows the mirror: with another key the store may have forgotten
    notes, and all is given anew. heard is the last note of late readings that is finished; of the next one
    all up to within_ms was given. given is the time up to which a channel's good readings were given, by
    (device, quantity); flawed the same of those that are not good, for channels where it is another time,
    None where these are not wanted. due are the days whose statistics are to be given, hours the hours (since
    1970) that changed in days that still go on, cut by the time zone and in the form that cut names ('' where
    no statistics are wanted). events are the number of the last one that was given and what it said, by kind.
    """

    key: int
    heard: int = 0
    within_ms: int = -1
    given: Mapping[Channel, int] = field(default_factory=dict)
    cut: str = ""
    due: tuple[int, ...] = ()
    hours: tuple[int, ...] = ()
    flawed: Mapping[Channel, int] | None = None
    events: Mapping[str, tuple[int, str]] = field(default_factory=dict)

    def of(self, channel: ChannelRow) -> int:
        """The time up to which a channel's good readings were given, -1 where none was."""
        return self.given.get((channel.device, channel.quantity), -1)

    def flawed_of(self, channel: ChannelRow) -> int:
        """The time up to which a channel's readings that are not good were given."""
        return (self.flawed or {}).get((channel.device, channel.quantity), self.of(channel))


def going_back(place: Place, from_ms: int) -> Place:
    """The place from which all from a time on is given once more. Statistics and events all come again."""
    given = {channel: min(time_ms, from_ms - 1) for channel, time_ms in place.given.items()}
    flawed = None
    if place.flawed is not None:
        flawed = {channel: min(time_ms, from_ms - 1) for channel, time_ms in place.flawed.items()}
    return replace(place, given=given, flawed=flawed, cut="", events={})


@dataclass(frozen=True, slots=True)
class Gone:
    """What was taken out of the store, to have others in its place: a device's readings in [start, end), and
    its statistics of the local days in [days_start, days_end)."""

    device: str
    start_ms: int
    end_ms: int
    days_start_ms: int
    days_end_ms: int


@dataclass(frozen=True, slots=True)
class Batch:
    """Points to give, the place that is reached with them, and whether that is all there was.

    gone is to be taken out of the copy before.
    """

    points: list[Point]
    place: Place
    is_all: bool
    gone: tuple[Gone, ...] = ()
