"""The array's power through the days: a map of hours by days, and chosen days laid over each other by the
sun's own time. Pure but for `take_courses`, which asks the store."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

from dashboard.days import Span
from dashboard.local import day_text, full_hour
from dashboard.svg import Plot, picture, words
from dashboard.words import number
from monitor.errors import StoreError
from monitor.local_days import local_day
from monitor.records import HOUR_MS
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.sun.expected import note_key
from monitor.sun.table import unpacked

STEPS = 48
"""Half hours of a day: the finest that a month's map shows on a phone (our choice)."""

SHADES, FAINTEST = 5, 0.05
"""Steps of darkness of the map, each a fifth of the array's rated power; a hundredth of it is no light (our
choice)."""

WIDEST_H = 9.0
"""Hours from the sun's noon to the edges: the longest day of most inhabited places (our choice)."""

OVERLAID = 7
"""So many days are told apart when laid over each other (our choice)."""

LONGEST_MAP_DAYS = 31


@dataclass(frozen=True, slots=True)
class Course:
    """One day's array power: (hours since midnight, W) in order; noon_h is the sun's noon, None unknown.

    clear is what a clear sky would have given, in the same form, empty where no table of the sun is stored.
    By day the site's clock shows set_h more than the hours since midnight: 1 or -1 where it was set in the
    night.
    """

    day: date
    sky: str
    power_W: tuple[tuple[float, float], ...]
    noon_h: float | None
    clear_W: tuple[tuple[float, float], ...]
    set_h: float = 0.0


def take_courses(reader: StoreReader, site: Site, span: Span, skies: dict[date, str]) -> tuple[Course, ...]:
    """The courses of a span's days in which the array was read; none for a long span. Raises StoreError."""
    if span.days > LONGEST_MAP_DAYS:
        return ()
    zone = site.site.zone
    found = []
    for at in range(span.days):
        local = local_day(zone, date.fromordinal(span.first.toordinal() + at))
        series = reader.series("array_power_W", local.start_ms, local.end_ms, STEPS)
        power = tuple(
            (((bucket.start_ms + bucket.end_ms) / 2 - local.start_ms) / HOUR_MS, bucket.mean)
            for bucket in series.buckets
        )
        if not power:
            continue
        noon_h, clear = _clear(reader, local.day, local.start_ms)
        set_h = 24 - (local.end_ms - local.start_ms) / HOUR_MS
        found.append(Course(local.day, skies.get(local.day, "none"), power, noon_h, clear, set_h))
    return tuple(found)


def _clear(
    reader: StoreReader, day: date, start_ms: int
) -> tuple[float | None, tuple[tuple[float, float], ...]]:
    """The sun's noon and the clear sky's course from the day's table in the store."""
    text = reader.note(note_key(day))
    if text is None:
        return None, ()
    try:
        steps = unpacked(text).steps
    except ValueError as error:
        raise StoreError(f"the store's table of the sun for {day} is damaged ({error})") from error
    lit = [step for step in steps if step.elevation_deg > 0]
    if not lit:
        return None, ()
    hours = [(step.start_ms - start_ms) / HOUR_MS for step in lit]
    return (hours[0] + hours[-1]) / 2, tuple(zip(hours, (step.passed_W for step in lit), strict=True))


def hour_map(courses: Sequence[Course], span: Span, rated_W: float, address: Callable[[date], str]) -> str:
    """Days from top to bottom, hours from left to right; the stronger the more the array gave. Each day leads
    to its address."""
    plot = Plot(0, 24, 0, span.days, top=2, bottom=88)
    parts = []
    for course in courses:
        row = span.days - (course.day - span.first).days
        for since_midnight_h, power_W in course.power_W:
            hour = since_midnight_h + course.set_h
            shade = min(SHADES, math.ceil(SHADES * power_W / rated_W - FAINTEST))
            if shade > 0:
                half = 12 / STEPS
                parts.append(plot.bar(hour - half, hour + half, row - 0.94, row - 0.06, f"shade-{shade}"))
    edges = (span.first, span.last) if span.days > 1 else (span.first,)
    for day in edges:
        row = span.days - (day - span.first).days
        parts.append(words(day_text(day), 0, plot.y(row - 0.5), "scale", rise=-0.3))
    for course in courses:
        row = span.days - (course.day - span.first).days
        parts.append(plot.tap(0, 24, address(course.day), y_from=row - 1, y_to=row))
    parts += [words(full_hour(hour), plot.x(hour), 98.5, "scale") for hour in (6, 12, 18)]
    return picture("hour-map", *parts)


def laid_over(courses: Sequence[Course]) -> str:
    """The last days' charging over solar time, the newest in ink, the clearest sky's course dashed."""
    known = [course for course in courses if course.noon_h is not None][-OVERLAID:]
    if not known:
        return ""
    top = max(max(power for _, power in course.power_W) for course in known)
    clear = known[-1]
    top = max(10.0, top, max((power for _, power in clear.clear_W), default=0.0))
    plot = Plot(-WIDEST_H, WIDEST_H, 0, 1.05 * top, top=3, bottom=86)
    paths = [_over(plot, clear.clear_W, clear.noon_h or 0.0, "clear-course")]
    for course in known:
        kind = "newest" if course is known[-1] else f"course course-{course.sky}"
        paths.append(_over(plot, course.power_W, course.noon_h or 0.0, kind))
    return picture(
        "laid-over",
        plot.upright(0, "grid"),
        plot.across(0, "grid"),
        plot.curves(*paths),
        words(f"{number(top, 0)} W", 0, plot.y(top), "scale", rise=-0.6),
        *(
            words(f"{hour:+} h".replace("-", "−") if hour else "the sun’s noon", plot.x(hour), 98.0, "scale")
            for hour in (-6, 0, 6)
        ),
    )


def _over(plot: Plot, points: Sequence[tuple[float, float]], noon_h: float, kind: str) -> str:
    shifted = [(hour - noon_h, power) for hour, power in points]
    return plot.line([(hour, power) for hour, power in shifted if abs(hour) <= WIDEST_H], kind)
