"""Line protocol from what a store holds, and the form that it has on a server. Pure.

    nightbank,site=Marsh\\ hide,device=shunt battery_voltage_V=12.31,battery_current_A=-2.1 1764028800000

One line is what one device gave at one time; a field is named as the quantity, unit included, and is a float
in that unit, so that whoever charts it needs no factor; codes are integers. The statistics of a local day and
of an hour (UTC), stamped with the time at which it began, are

    nightbank_day,site=Marsh\\ hide,device=shunt,quantity=battery_current_A count=9i,mean=-0.4 1764028800000
    nightbank_hour,site=Marsh\\ hide,device=shunt,quantity=battery_current_A count=9i,mean=-0.4 1764028800000

a reading that is not good

    nightbank_flawed,site=Marsh\\ hide,device=shunt,quantity=battery_current_A quality=2i,reason="jump" 17...

and everything else is a `Record` (see there), with its time in ns

    nightbank_record,site=Marsh\\ hide,kind=alarm,key=low\\ voltage document="{...}" 0

Syntax: the line protocol of InfluxDB 1.x and 2.x, from memory; `tests/interop` has two servers read it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from monitor.records import Reading
from monitor.store.mirrored_place import Point, What

MEASUREMENT = "nightbank"
DAYS = "nightbank_day"
HOURS = "nightbank_hour"
FLAWED = "nightbank_flawed"
RECORDS = "nightbank_record"

_FORMS = {What.HOUR: HOURS, What.FLAWED: FLAWED}
_EPOCH = date(1970, 1, 1)
_BLANKS = re.compile(r"\s+")
_LOST = re.compile(r"\\+(?=[,= ])")
_REQUEST = re.compile(RECORDS + r",site=(?:[^\\, =]|\\.)*,kind=request,")
_SPECIAL = re.compile(r"([,= ])")
_DATED = re.compile(r"(.*)/(\d{4}-\d{2}-\d{2})")


@dataclass(frozen=True, slots=True)
class Record:
    """What is kept besides readings, as a JSON document.

    kind says what it is and how it is found again:

    - 'alarm', 'health', 'note', 'channel', 'rank', 'site': the present state under a key (the alarm's,
      device's or note's name), always stamped 0, so that it takes the place of the former one. A note whose
      key ends in a date (`note_place`) is stamped with that date instead.
    - 'request', 'notice', 'log': numbered, stamped with the number, which no change of its time can move.
    - 'event', 'transition': never changed, stamped with their time in ns (`event_ns`).

    number is the id, 0 for what has none. An empty document is a record that was forgotten: a server of the
    3 line cannot delete.
    """

    kind: str
    key: str
    time_ns: int
    document: str
    number: int = 0


def event_ns(time_ms: int, number: int) -> int:
    """The stamp of an event or transition."""
    return time_ms * 1_000_000 + number % 1_000_000


def note_place(key: str) -> tuple[str, str]:
    """A note's key without the date that ends it, and the date ('' where there is none): a key of its own for
    every day would make every day a series of its own on the server."""
    dated = _DATED.fullmatch(key)
    return (dated[1], dated[2]) if dated else (key, "")


def date_ns(day: str) -> int:
    """The stamp of a note whose key ends in a date: that date's midnight, UTC."""
    return (date.fromisoformat(day) - _EPOCH).days * 86_400 * 10**9


def tag_text(text: str) -> str:
    """A tag's value as the server has it: every run of blanks one space, no backslash at the end or before
    a comma, a space or = (there is no way to write one)."""
    return _LOST.sub("", _BLANKS.sub(" ", text).strip().rstrip("\\ "))


def tag_value(text: str) -> str:
    """A tag's value as it is written, special characters escaped."""
    return _SPECIAL.sub(r"\\\1", tag_text(text))


def text_field(text: str) -> str:
    """A field's text in quotes."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def is_request(line: str) -> bool:
    """Whether a line leaves a request, and is one line."""
    return "\n" not in line and _REQUEST.match(line) is not None


class Lines:
    """Writes the lines of one site."""

    def __init__(self, site: str) -> None:
        self._site = tag_value(site)
        self._heads: dict[tuple[str, str, str], str] = {}

    def of(self, points: Iterable[Point]) -> list[str]:
        """A line each, with its time in ms."""
        return [
            self._line(_FORMS.get(point.what) or (DAYS if point.of else MEASUREMENT), point)
            for point in points
        ]

    def hours(self, points: Iterable[Point]) -> list[str]:
        """Lines of hours' statistics, with their times in ms."""
        return [self._line(HOURS, point) for point in points]

    def flawed(self, readings: Iterable[Reading]) -> list[str]:
        """Lines of readings that are not good, with their times in ms."""
        return [
            f"{self._head(FLAWED, reading.device, reading.quantity)}quality={reading.quality.value}i,"
            f"{'' if reading.value is None else f'value={reading.value!r},'}"
            f"reason={text_field(reading.reason)} {reading.time_ms}"
            for reading in readings
        ]

    def records(self, records: Iterable[Record]) -> list[str]:
        """Lines of records, with their times in ns."""
        return [
            f"{RECORDS},site={self._site},kind={each.kind},key={tag_value(each.key) or '-'}"
            f" number={each.number}i,document={text_field(each.document)} {each.time_ns}"
            for each in records
        ]

    def _line(self, name: str, point: Point) -> str:
        return f"{self._head(name, point.device, point.of)}{_fields(point.values)} {point.time_ms}"

    def _head(self, name: str, device: str, of: str) -> str:
        head = self._heads.get((name, device, of))
        if head is None:
            quantity = f",quantity={of}" if of else ""
            head = f"{name},site={self._site},device={tag_value(device)}{quantity} "
            self._heads[name, device, of] = head
        return head


def _fields(values: Mapping[str, float | str]) -> str:
    return ",".join(
        f"{name}={value}i"
        if type(value) is int
        else f"{name}={text_field(value)}"
        if isinstance(value, str)
        else f"{name}={value!r}"
        for name, value in values.items()
    )
