"""The night line: the bank's expected course from sunset until the array helps again, and the same in words.

From the newest outlook in the store (`nightbank outlook --json` prints the same document). Pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from dashboard.local import full_hour, in_form
from dashboard.svg import EDGE, Plot, picture, words
from dashboard.time_marks import on_the_wall
from dashboard.words import age_text, clock_text, number, percent
from monitor.records import HOUR_MS, MINUTE_MS, Series, parse_iso, to_datetime

OLD_MS = HOUR_MS
"""The daemon looks ahead every quarter of an hour; an older outlook is told with its age (our choice)."""

WORTHLESS_MS = 24 * HOUR_MS
"""An outlook so old tells nothing of the coming night (our choice); nor does an old one whose own night is
over."""

EARLIEST_MS = 14 * HOUR_MS
"""So much of the past is shown at most (our choice: the evening before a winter's morning)."""

DRAWN_EVERY_MS = 5 * MINUTE_MS
"""The picture stands for so long: a finer step could not be seen, and each new picture is a kilobyte to the
phone (our choice)."""

AIR = 0.06
"""Free charge above and below what is drawn (our choice)."""

MARKED_EVERY_MS = 3 * HOUR_MS

MOST_HOURS_TOLD, MOST_DAYS_TOLD = 120, 14
"""What lies farther off is no news for tonight (our choice)."""

SPOKEN = frozenset({"at", "sentence", "array_helps_from", "course"})
"""What of an outlook its sentence needs."""

NEEDED = SPOKEN | {
    "sunrise", "reserve_soc", "soc_min", "low_at", "hours_left", "wet_days_left", "basis", "switch_off",
}  # fmt: skip
"""What of it all needs that is told of a night."""

NEEDED_POINT = frozenset({"time", "soc"})
NEEDED_RELIEF = frozenset({"branch", "loads", "power_W", "lasts"})
"""What of each point of its course and of each relief."""


@dataclass(frozen=True, slots=True)
class Point:
    """The expected charge at a time: 0..1."""

    time_ms: int
    p10: float
    p50: float
    p90: float


@dataclass(frozen=True, slots=True)
class Night:
    """What the page tells of the night ahead.

    fresh is whether the outlook speaks of now; told says the picture in words; rows are its table: local
    time, likely charge, range. reliefs say what switching a branch off would bring; basis what it rests on.
    """

    sentence: str
    fresh: bool
    picture: str
    told: str
    rows: tuple[tuple[str, str, str], ...]
    reliefs: tuple[str, ...]
    basis: tuple[str, ...]


def is_whole(document: object, needed: Set[str] = NEEDED) -> bool:
    """Whether a document is an outlook that can be told: one of another version may lack what is needed."""
    if not isinstance(document, Mapping) or not document.keys() >= needed:
        return False
    return _all_have(document["course"], NEEDED_POINT) and _all_have(
        document.get("switch_off", []), NEEDED_RELIEF
    )


def _all_have(some: object, keys: Set[str]) -> bool:
    return isinstance(some, list) and all(isinstance(each, dict) and each.keys() >= keys for each in some)


def drawn_ms(now_ms: int) -> int:
    """The moment for which the picture stands."""
    return now_ms - now_ms % DRAWN_EVERY_MS


def begin_ms(document: Mapping[str, Any], now_ms: int) -> int:
    """From when on the past belongs to the picture: the last sunset, else the moment of the outlook."""
    given = document.get("sunset")
    sunset_ms = parse_iso(given if given is not None else document["at"])
    return max(min(sunset_ms, now_ms), now_ms - EARLIEST_MS)


def night_of(document: Mapping[str, Any], past: Series | None, now_ms: int, zone: ZoneInfo) -> Night | None:
    """The night ahead, None where the outlook is too old to tell of it: its own night is over.

    past is the estimated charge since `begin_ms`.
    """
    spoken = sentence_of(document, now_ms, zone)
    if spoken is None:
        return None
    sentence, fresh = spoken
    course = _until_morning(document)
    return Night(
        sentence=sentence,
        fresh=fresh,
        picture=night_line(document, course, past, drawn_ms(now_ms), zone),
        told=_told(document, now_ms, zone, fresh=fresh),
        rows=tuple(
            (
                clock_text(point.time_ms, point.time_ms, zone),
                percent(point.p50),
                f"{percent(point.p10)} to {percent(point.p90)}",
            )
            for point in course
        ),
        reliefs=tuple(_relief(each) for each in document["switch_off"]) if fresh else (),
        basis=tuple(in_form(words) for words in document["basis"]),
    )


def sentence_of(document: Mapping[str, Any], now_ms: int, zone: ZoneInfo) -> tuple[str, bool] | None:
    """The sentence on the night ahead, and whether it speaks of now; None like `night_of`, and for an outlook
    that is not whole."""
    if not is_whole(document, SPOKEN):
        return None
    at_ms = parse_iso(document["at"])
    if now_ms - at_ms > WORTHLESS_MS:
        return None
    sentence = in_form(str(document["sentence"]))
    if -OLD_MS <= now_ms - at_ms <= OLD_MS:
        return sentence, True
    course = _until_morning(document)
    if not course or course[-1].time_ms <= now_ms:
        return None
    return f"As of {clock_text(at_ms, now_ms, zone)} ({age_text(now_ms - at_ms)}): {sentence}", False


def night_line(
    document: Mapping[str, Any], course: list[Point], past: Series | None, now_ms: int, zone: ZoneInfo
) -> str:
    """The strip as SVG: dark hours, reserve, the charge until now as a line, then its band and middle."""
    if not course:
        return ""
    reserve = float(document["reserve_soc"])
    buckets = () if past is None else past.buckets
    gone = [((bucket.start_ms + bucket.end_ms) / 2, bucket.mean) for bucket in buckets]
    ahead = [point for point in course if point.time_ms >= now_ms - HOUR_MS // 4]
    if not ahead:
        return ""
    first_ms = min([point.time_ms for point in course] + [round(time_ms) for time_ms, _ in gone])
    last_ms = course[-1].time_ms
    if last_ms <= first_ms:
        return ""
    values = [reserve, *(value for _, value in gone)]
    values += [value for point in ahead for value in (point.p10, point.p90)]
    plot = Plot(first_ms, last_ms, max(0.0, min(values) - AIR), min(1.0, max(values) + AIR))
    sunset, sunrise = document.get("sunset"), document["sunrise"]
    dark = ""
    if sunrise is not None:
        from_ms = first_ms if sunset is None else parse_iso(sunset)
        dark = plot.field(from_ms, parse_iso(sunrise), "dark")
    low_ms, low = parse_iso(document["low_at"]), float(document["soc_min"]["p50"])
    return picture(
        "night-line",
        dark,
        plot.across(reserve, "reserve"),
        plot.curves(
            plot.band([(p.time_ms, p.p10) for p in ahead], [(p.time_ms, p.p90) for p in ahead], "ahead-band"),
            plot.line([(p.time_ms, p.p50) for p in ahead], "ahead-mean"),
            plot.line(gone, "gone"),
        ),
        plot.upright(now_ms, "now") if first_ms < now_ms < last_ms else "",
        plot.mark(low_ms, low, "lowest") if now_ms < low_ms <= last_ms else "",
        words(f"reserve {percent(reserve)}", 0, plot.y(reserve), "scale", rise=0.3),
        *_hours(first_ms, last_ms, plot, zone),
    )


def _until_morning(document: Mapping[str, Any]) -> list[Point]:
    """The course until an hour after the array helps again; the whole of it where that is not known."""
    helps = document["array_helps_from"]
    last_ms = None if helps is None else parse_iso(helps) + HOUR_MS
    return [
        Point(parse_iso(each["time"]), each["soc"]["p10"], each["soc"]["p50"], each["soc"]["p90"])
        for each in document["course"]
        if last_ms is None or parse_iso(each["time"]) <= last_ms
    ]


def _hours(first_ms: int, last_ms: int, plot: Plot, zone: ZoneInfo) -> list[str]:
    """The hours under the strip, every third one that the site's clock strikes."""
    return [
        words(full_hour(to_datetime(at_ms).astimezone(zone).hour), plot.x(at_ms), 98.0, "scale")
        for at_ms in on_the_wall(first_ms, last_ms + 1, MARKED_EVERY_MS, zone)
        if EDGE < plot.x(at_ms) < 100 - EDGE
    ]


def _told(document: Mapping[str, Any], now_ms: int, zone: ZoneInfo, *, fresh: bool) -> str:
    """The picture in words, for who cannot see it and for who wants the figures. What counts from the present
    load and hour is told only where the outlook is fresh."""
    low = document["soc_min"]
    at_ms = parse_iso(document["low_at"])
    day = clock_text(at_ms, at_ms, zone)
    comes, is_, goes = (
        ("comes", "is", "goes") if at_ms > now_ms else ("was expected", "was", "was expected to go")
    )
    text = (
        f"The lowest point {comes} at about {day}: {percent(low['p50'])} of charge {is_} likely, "
        f"{percent(low['p10'])} to {percent(low['p90'])} in 8 nights of 10."
    )
    volts = document.get("battery_voltage_min_V")
    if volts is not None:
        text += (
            f" The voltage {goes} down to {number(volts['p50'], 1)} V "
            f"({number(volts['p10'], 1)} to {number(volts['p90'], 1)} V)."
        )
    if not fresh:
        return text
    hours, days = document["hours_left"], document["wet_days_left"]
    if hours is not None and 0 < hours <= MOST_HOURS_TOLD:  # 0: it is below already, as the sentence says
        when = "within an hour" if hours < 1 else f"in {hours:.0f} h"
        text += f" At the present load the bank reaches its reserve {when}."
    if days == 0:
        text += " From here it cannot stand one wet day."
    elif days is not None and days <= MOST_DAYS_TOLD:
        text += f" From here it can stand {days} wet {'day' if days == 1 else 'days'} in a row."
    return text


def _relief(each: Mapping[str, Any]) -> str:
    """What switching one branch off would bring."""
    loads = " and ".join(each["loads"])
    answer = "it lasts" if each["lasts"] else "it is still not enough"
    return f"With {loads} off now (branch {each['branch']}, {number(each['power_W'], 0)} W): {answer}."
