"""The evening's and the morning's summary: when they are due, and what they say from what the store has.

Nothing is worked out here: the evening says the outlook's own sentence, the morning what was stored in the
night.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date, time, tzinfo

from monitor.errors import ServerError
from monitor.notices.words import TEXT_MOST, TITLE_MOST, Words, cut, local_time
from monitor.outlook import OUTLOOK_NOTE
from monitor.records import HOUR_MS, MINUTE_MS, AlarmState, parse_iso, to_datetime
from monitor.site.hours import Hours, at_ms, parse_hours, parse_time
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.sun.expected import note_key
from monitor.sun.table import unpacked

OUTLOOK_OLD_MS = 2 * HOUR_MS
"""An older outlook is not told as if it were of now (our choice; one is made every quarter of an hour)."""

CHARGE_OLD_MS = HOUR_MS
"""An older charge is not told as if it were of now (our choice)."""

LATE_MS = 2 * HOUR_MS
"""A summary that is later than this, since the monitor did not run, is left out (our choice)."""

WORTHLESS_MS = 6 * HOUR_MS
"""So long after its time a summary that did not arrive is worthless (our choice)."""

BEFORE_SUNSET_MS = HOUR_MS
"""There is light for an hour to do something (our choice)."""

BEFORE_QUIET_MS = 15 * MINUTE_MS
"""Where sunset falls into the quiet hours or close to them, the summary comes so long before (our choice)."""

WITHOUT_SUN = time(18)
MORNING = time(7)
"""The local hours where there is no table of the sun, and no quiet hours' end (our choice)."""


@dataclass(frozen=True, slots=True)
class Due:
    """A summary that is due: of which local day, since when, and from when on it is worthless."""

    day: date
    at_ms: int

    @property
    def worthless_ms(self) -> int:
        return self.at_ms + WORTHLESS_MS


class Summaries:
    """The summaries of one site."""

    def __init__(self, site: Site, store: StoreReader, zone: tzinfo) -> None:
        self._site, self._store, self._zone = site, store, zone
        entry = site.notices
        self._quiet: Hours | None = parse_hours(entry.quiet_hours) if entry.quiet_hours else None
        self._evening_at = parse_time(entry.evening_at) if entry.evening_at else None
        self._planned: Due | None = None

    def evening_due(self, now_ms: int, done: str) -> Due | None:
        """The evening's summary, if it is due and that day's (ISO date `done`) was not made."""
        today = self._day(now_ms)
        planned = self._planned
        if planned is None or planned.day != today:
            sunset_ms = self._sunset_ms(today) if self._evening_at is None else None
            planned = Due(today, self._evening_ms(today, sunset_ms))
            if sunset_ms is not None or self._evening_at is not None:  # else the table may still come
                self._planned = planned
        return _if_due(planned, now_ms, done)

    def morning_due(self, now_ms: int, done: str) -> Due | None:
        """The morning's, likewise: when the quiet hours end."""
        today = self._day(now_ms)
        at = self._quiet.end if self._quiet else MORNING
        return _if_due(Due(today, at_ms(today, at, self._zone)), now_ms, done)

    def evening(self, now_ms: int) -> Words:
        """What the coming night will bring, and what stands."""
        charge = self._charge(now_ms)
        title = f"This evening: {charge}" if charge else "This evening"
        text = f"{self._outlook(now_ms)} {_standing(self._store.alarms())}"
        return Words(cut(f"{title} ({self._site.site.name})", TITLE_MOST), cut(text, TEXT_MOST))

    def morning(self, now_ms: int) -> Words:
        """How the night went: lowest voltage, alarms, and what stands."""
        since_ms = now_ms - 12 * HOUR_MS
        said = self._lowest(since_ms, now_ms)
        raised = {each.alarm for each in self._store.transitions(since_ms, now_ms) if each.cause == "raised"}
        alarms = f"Alarms: {', '.join(sorted(raised))}." if raised else "No alarm came."
        charge = self._charge(now_ms)
        title = f"This morning: {charge}" if charge else "This morning"
        text = f"{said} {alarms} {_standing(self._store.alarms())}"
        return Words(cut(f"{title} ({self._site.site.name})", TITLE_MOST), cut(text, TEXT_MOST))

    def _lowest(self, since_ms: int, now_ms: int) -> str:
        try:
            course = self._store.series("battery_voltage_V", since_ms, now_ms, 144)
        except ServerError:
            return "The server with the night's readings does not answer."
        lowest = min(course.buckets, key=lambda bucket: bucket.minimum, default=None)
        if lowest is None:
            return "No voltage was read in the night."
        said = f"Lowest {lowest.minimum:.2f} V about {local_time(lowest.start_ms, self._zone)}."
        return f"{said} Readings have gaps." if course.gaps else said

    def _evening_ms(self, day: date, sunset_ms: int | None) -> int:
        if self._evening_at is not None:
            return at_ms(day, self._evening_at, self._zone)
        wanted = at_ms(day, WITHOUT_SUN, self._zone) if sunset_ms is None else sunset_ms - BEFORE_SUNSET_MS
        if self._quiet is None:
            return wanted
        begin_ms = at_ms(day, self._quiet.begin, self._zone)
        before_ms = begin_ms - BEFORE_QUIET_MS
        return before_ms if self._quiet.hold(wanted, self._zone) or before_ms < wanted < begin_ms else wanted

    def _sunset_ms(self, day: date) -> int | None:
        """The end of the day's last step with the sun up, by the store's table; None without one."""
        text = self._store.note(note_key(day))
        try:
            steps = unpacked(text).steps if text else ()
        except ValueError:
            return None
        lit = [step.start_ms for step in steps if step.elevation_deg > 0]
        return lit[-1] + (steps[1].start_ms - steps[0].start_ms) if len(lit) > 1 else None

    def _outlook(self, now_ms: int) -> str:
        try:
            document = json.loads(self._store.note(OUTLOOK_NOTE) or "")
            sentence, at = str(document["sentence"]), parse_iso(document["at"])
        except (ValueError, KeyError, TypeError, AttributeError):
            return "There is no outlook for the night."
        if abs(now_ms - at) > OUTLOOK_OLD_MS:
            return f"The last outlook is of {local_time(at, self._zone)}."
        return sentence if sentence.endswith((".", "!", "?")) else f"{sentence}."

    def _charge(self, now_ms: int) -> str:
        """'charge 71 %', '' where none was estimated of late."""
        reading = self._store.latest_good("state_of_charge")
        if reading is None or reading.value is None or abs(now_ms - reading.time_ms) > CHARGE_OLD_MS:
            return ""
        return f"charge {100 * reading.value:.0f} %"

    def _day(self, now_ms: int) -> date:
        return to_datetime(now_ms).astimezone(self._zone).date()


def _if_due(due: Due, now_ms: int, done: str) -> Due | None:
    late_ms = now_ms - due.at_ms
    return due if 0 <= late_ms < LATE_MS and done != due.day.isoformat() else None


def _standing(alarms: list[AlarmState]) -> str:
    names = [f"{state.name} (over)" if state.is_over else state.name for state in alarms if state.stands]
    if not names:
        return "No alarm stands."
    return f"Standing: {', '.join(names)}."
