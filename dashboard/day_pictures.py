"""The days as pictures: harvest against a clear sky's, and the bank's lowest charge. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from dashboard.day_line import grid
from dashboard.days import DayRow, energy
from dashboard.local import day_text
from dashboard.svg import Plot, picture, words
from dashboard.words import percent

LETTERS = {"clear": "c", "broken": "b", "overcast": "o", "dark": "d", "snow": "s", "none": "–"}
"""A kind of day in one letter, under its bar: colour is never the only sign."""

MOST_LABELS = 6
BAR = 0.76
"""Share of a day's width that its bar takes (our choice)."""

NOTHING_Wh = 100.0
"""The least that the picture reaches up to (our choice)."""


def harvest_picture(rows: Sequence[DayRow]) -> str:
    """A bar a day: what came, above it pale what was left unused, framed by what a clear sky gives."""
    top = max([NOTHING_Wh, *(_height(row) for row in rows)])
    plot = Plot(0, len(rows), 0, 1.05 * top, top=4, bottom=74)
    parts = [plot.across(at, "grid") for at in grid(0, top)]
    for place, row in enumerate(rows):
        left, right = place + (1 - BAR) / 2, place + (1 + BAR) / 2
        came = row.harvest_Wh or 0.0
        if row.clear_sky_Wh is not None:
            parts.append(plot.bar(left, right, 0, row.clear_sky_Wh, "clear-sky"))
        parts.append(plot.bar(left, right, 0, came, f"sky-{row.sky}"))
        if row.unused_Wh:
            parts.append(plot.bar(left, right, came, came + row.unused_Wh, f"unused sky-{row.sky}"))
        if len(rows) <= 31:
            parts.append(words(LETTERS[row.sky], plot.x(place + 0.5), 85.0, "letter"))
    parts += [words(energy(at), 0, plot.y(at), "scale", rise=0.25) for at in grid(0, top) if at > 0]
    return picture("days", *parts, *_dates(rows, plot, 98.5))


def lowest_picture(rows: Sequence[DayRow], reserve: float) -> str:
    """The lowest charge of each day over the reserve; a filled dot where the bank got full that day."""
    plot = Plot(0, len(rows), 0, 1, top=4, bottom=84)
    known = [(place + 0.5, row) for place, row in enumerate(rows) if row.soc_min is not None]
    parts = [plot.across(at, "grid") for at in (0, 0.5, 1.0)]
    parts.append(plot.across(reserve, "reserve"))
    parts.append(plot.curves(plot.line([(x, row.soc_min or 0) for x, row in known], "lowest-line")))
    for x, row in known:
        parts.append(plot.mark(x, row.soc_min or 0, "day-full" if row.full_days else "day-low"))
    parts += [words(percent(at), 0, plot.y(at), "scale", rise=0.25) for at in (0.5, 1.0)]
    return picture("days", *parts, *_dates(rows, plot, 98.5))


def _height(row: DayRow) -> float:
    return max((row.harvest_Wh or 0.0) + (row.unused_Wh or 0.0), row.clear_sky_Wh or 0.0)


def _dates(rows: Sequence[DayRow], plot: Plot, y: float) -> Iterator[str]:
    """Some dates under the days; a month's name stands where it is new."""
    every = max(1, -(-len(rows) // MOST_LABELS))
    month = 0
    for place in range(0, len(rows), every):
        day = rows[place].first
        text = day_text(day) if day.month != month else f"{day.day}"
        month = day.month
        yield words(text, plot.x(place + 0.5), y, "scale")
