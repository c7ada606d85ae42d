"""A notice's words: two short lines for a lock screen, in local time. Pure.

The title says what, how bad and since when; the text what was measured, what to do first and the caution
that belongs to it. Where not all of it fits, the measured part is shortened, then the caution's explanation:
what to do stays whole.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import NamedTuple

from monitor.records import MINUTE_MS, Notice, to_datetime

TITLE_MOST = 50
TEXT_MOST = 140
"""Characters of the two lines (our choice: what a phone's lock screen usually shows without a touch)."""

MAYBE_TWICE = "(This may have reached you already.)"
"""Behind the text of a notice whose earlier try may have arrived; where a screen cuts it off, no harm."""

SHORTEST = 12
"""A measured part that would be cut shorter than this says nothing and is left out (our choice)."""

NOTHING_ELSE = "Nothing else that you were told of stands."

_SINCE = re.compile(r" \(since [^()]*\)( \(after “[^”]*”\))?$")
"""The end of what the alarm engine says of a coming alarm: since when, and after which other one."""

_CLAUSE = re.compile(r"[;:]|\. ")
"""Where a caution's first half ends, which can stand alone."""

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


class Words(NamedTuple):
    """The two lines."""

    title: str
    text: str


@dataclass(frozen=True, slots=True)
class Told:
    """What is said of one alarm: its name, priority, time, measured part, what to do first, caution."""

    alarm: str
    priority: str
    time_ms: int
    text: str
    do_first: str = ""
    caution: str = ""

    @property
    def measured(self) -> str:
        """The text without the alarm's name and since when, which the title has."""
        text = _SINCE.sub("", self.text.removeprefix(f"{self.alarm}:").strip())
        return text[:1].upper() + text[1:]


def local_time(time_ms: int, zone: tzinfo) -> str:
    """'Tue 02:10': a notice may arrive days late, so the day is always said."""
    local = to_datetime(time_ms).astimezone(zone)
    return f"{WEEKDAYS[local.weekday()]} {local:%H:%M}"


def duration(span_ms: int) -> str:
    """'35 min', '3 h 5 min', '2 days 4 h', 'less than a minute'."""
    minutes = max(0, round(span_ms / MINUTE_MS))
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    if days:
        return f"{days} day{'s' if days > 1 else ''} {hours} h"
    if hours:
        return f"{hours} h {minutes} min"
    return f"{minutes} min" if minutes else "less than a minute"


def raised(told: Told, site: str, zone: tzinfo) -> Words:
    """An alarm has come."""
    return Words(_headed(told, zone, site), _advised(told, told.measured))


def again(told: Told, count: int, zone: tzinfo) -> Words:
    """An urgent alarm stands and nobody has acknowledged it."""
    return Words(_headed(told, zone, f"told {count} times"), _advised(told, "Not acknowledged yet."))


def returned(told: Told, stood_ms: int, site: str, zone: tzinfo) -> Words:
    """An alarm that was told is over."""
    how = told.measured or f"back to normal after {duration(stood_ms)}"
    text = f"Since {local_time(told.time_ms, zone)}: {how[:1].lower()}{how[1:]}"
    return Words(_titled("Over: ", told.alarm, f" ({site})"), _cut(_sentence(text)))


def all_clear(told: Told, site: str, zone: tzinfo) -> Words:
    """The last of the alarms that were told is over."""
    return Words(
        _titled("All clear: ", site, ""),
        _cut(f"{told.alarm} is over since {local_time(told.time_ms, zone)}. {NOTHING_ELSE}"),
    )


def no_longer_clear(notice: Notice) -> Words:
    """The words of an 'all clear' that waits, where another alarm has come meanwhile."""
    return Words(_titled("Over: ", notice.about, ""), notice.text.removesuffix(NOTHING_ELSE).rstrip())


def came_and_went(alarm: str, raised_ms: int, over_ms: int, zone: tzinfo) -> Words:
    """An alarm was over before its notice could go out."""
    span = f"It stood from {local_time(raised_ms, zone)} to {local_time(over_ms, zone)} and is over."
    return Words(_titled("Came and went: ", alarm, ""), _cut(f"{alarm}: {span}"))


def store_fails(why: str, site: str) -> Words:
    """The store cannot be written, so that nothing else can be told either."""
    return Words(_titled("Nothing is kept: ", site, ""), _cut(f"The store cannot be written. {why}"))


def digest(items: Sequence[Notice], site: str, zone: tzinfo) -> tuple[Words, int]:
    """As many of the notices as one text holds, at least one; and how many those are."""
    said: list[str] = []
    for item in items:
        entry = _entry(item, zone)
        if said and len("; ".join([*said, entry])) > TEXT_MOST:
            break
        said.append(entry)
    what = "message" if len(said) == 1 else "messages"
    return Words(_titled(f"{len(said)} {what}: ", site, ""), _cut("; ".join(said))), len(said)


def test(site: str, channel: str, time_ms: int, zone: tzinfo) -> Words:
    """A test that a person asked for."""
    asked = f"Asked for on {local_time(time_ms, zone)} for the channel {channel}."
    return Words(_titled("Test: ", site, ""), _cut(f"{asked} Nothing is wrong, nothing is to be done."))


def marked(notice: Notice) -> str:
    """The text as it is handed over."""
    return f"{notice.text} {MAYBE_TWICE}" if notice.maybe_twice else notice.text


def cut(text: str, most: int) -> str:
    """A text of at most so many characters, cut between words."""
    if len(text) <= most:
        return text
    kept = text[: most - 1]
    if " " in kept and text[most - 1] != " ":
        kept = kept.rsplit(" ", 1)[0]
    return kept.rstrip(" ,;.:") + "…"


def _headed(told: Told, zone: tzinfo, more: str) -> str:
    """'Low voltage, urgent, since Tue 02:10 (Marsh hide)', with as much of it as there is room for."""
    since = f", {told.priority}, since {local_time(told.time_ms, zone)}"
    title = cut(told.alarm, TITLE_MOST - len(since)) + since
    return f"{title} ({more})" if len(title) + len(more) + 3 <= TITLE_MOST else title


def _advised(told: Told, first: str) -> str:
    """What was measured, what to do first, and its caution, within TEXT_MOST."""
    advice = _sentences(told.do_first)
    for caution in (told.caution, _CLAUSE.split(told.caution)[0]):
        if len(longer := _sentences(told.do_first, caution)) <= TEXT_MOST:
            advice = longer
            break
    room = TEXT_MOST - len(advice) - 1
    first = _shortened(first, room)
    return _cut(_sentences(first, advice))


def _shortened(text: str, room: int) -> str:
    """As much of a sentence as there is room for: whole, else up to a comma, else cut between words."""
    if len(_sentence(text)) <= room:
        return _sentence(text)
    clauses = _sentence(text[: room - 1].rpartition(", ")[0]) if room > 0 else ""
    if len(clauses) >= SHORTEST:
        return clauses
    return cut(text, room) if room >= SHORTEST else ""


def _titled(before: str, name: str, after: str) -> str:
    title = before + cut(name, TITLE_MOST - len(before))
    return title + after if len(title) + len(after) <= TITLE_MOST else title


def _entry(notice: Notice, zone: tzinfo) -> str:
    when = local_time(notice.created_ms, zone)
    return {
        "alarm": f"{notice.about} {when}",
        "returned": f"{notice.about} over {when}",
        "came and went": f"{notice.about} came and went {when}",
    }[notice.kind]


def _sentence(text: str) -> str:
    text = text.strip()
    return text if not text or text[-1] in ".!?…" else f"{text}."


def _sentences(*texts: str) -> str:
    return " ".join(_sentence(text) for text in texts if text.strip())


def _cut(text: str) -> str:
    return cut(text, TEXT_MOST)
