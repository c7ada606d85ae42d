"""The days as pictures: harvest against a clear sky's, and the bank's lowest charge. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from dashboard.day_line import grid
from dashboard.local import day_text
from dashboard.svg import Plot, inset, picture, words
from dashboard.words import number, percent
from monitor.day_rows import DayRow

LETTERS = {"clear": "c", "broken": "b", "overcast": "o", "dark": "d", "snow": "s", "none": "–"}
"""A kind of day in one letter, under its bar: colour is never the only sign."""

MOST_LABELS = 5
"""So many dates stand beside each other on a phone (our choice)."""

BAR = 0.76
"""Share of a day's width that its bar takes (our choice)."""

NOTHING_Wh = 100.0
"""The least that the picture reaches up to (our choice)."""

KWH_FROM_Wh = 1000.0

SCALE_WIDTH = 13.0
"""Percent of the width for the scale: bars need more room than a curve (our choice)."""

MOST_LETTERS = 16
"""So many letters stand beside each other on a phone (our choice)."""

Address = Callable[[DayRow], str]
"""Where a tap on a day or week leads."""


def energy_unit(rows: Sequence[DayRow]) -> tuple[str, float]:
    """The unit of the harvest's scale and its size in Wh."""
    return ("kWh", 1000.0) if _top(rows) >= KWH_FROM_Wh else ("Wh", 1.0)


def harvest_picture(rows: Sequence[DayRow], address: Address | None = None) -> str:
    """A bar a day: what came, above it pale what was left unused, framed by what a clear sky gives."""
    top, (_, size_Wh) = _top(rows), energy_unit(rows)
    plot = Plot(0, len(rows), 0, 1.05 * top, top=4, bottom=74)
    lines = grid(0, top)
    bars = []
    for place, row in enumerate(rows):
        left, right = place + (1 - BAR) / 2, place + (1 + BAR) / 2
        came = row.harvest_Wh or 0.0
        if row.clear_sky_Wh is not None:
            bars.append(plot.bar(left, right, 0, row.clear_sky_Wh, "clear-sky"))
        bars.append(plot.bar(left, right, 0, came, f"sky-{row.sky}"))
        if row.unused_Wh:
            bars.append(plot.bar(left, right, came, came + row.unused_Wh, f"unused sky-{row.sky}"))
    decimals = 0 if all(at % size_Wh == 0 for at in lines) else 1
    return picture(
        "days",
        *(plot.across(at, "grid") for at in lines),
        *(words(number(at / size_Wh, decimals), 0, plot.y(at), "scale", rise=0.25) for at in lines if at),
        inset(
            *bars,
            *_letters(rows, plot),
            *_dates(rows, plot, 98.0),
            *(_taps(rows, plot, address) if address is not None else ()),
            left=SCALE_WIDTH,
        ),
    )


def _letters(rows: Sequence[DayRow], plot: Plot) -> Iterator[str]:
    """The kind of each day; of many days only where it changes, since letters need their room."""
    before = ""
    for place, row in enumerate(rows):
        if len(rows) <= MOST_LETTERS or row.sky != before:
            yield words(LETTERS[row.sky], plot.x(place + 0.5), 85.0, "letter", edge=0.0)
        before = row.sky


def lowest_picture(rows: Sequence[DayRow], reserve: float, address: Address) -> str:
    """The lowest charge of each day with its band over the reserve; a filled dot where the bank got full."""
    plot = Plot(0, len(rows), 0, 1, top=4, bottom=84)
    known = [(place + 0.5, row) for place, row in enumerate(rows) if row.soc_min is not None]
    bands = [
        plot.bar(x - BAND_HALF, x + BAND_HALF, *row.soc_band, "soc-band")
        for x, row in known
        if row.soc_band is not None
    ]
    marks = [plot.mark(x, row.soc_min or 0, "day-full" if row.full_days else "day-low") for x, row in known]
    return picture(
        "days",
        *(plot.across(at, "grid") for at in (0, 0.5, 1.0)),
        plot.across(reserve, "reserve"),
        *(words(percent(at), 0, plot.y(at), "scale", rise=0.25) for at in (0, 0.5, 1.0)),
        inset(
            plot.curves(plot.line([(x, row.soc_min or 0) for x, row in known], "lowest-line")),
            *bands,
            *marks,
            *_dates(rows, plot, 98.0),
            *_taps(rows, plot, address),
            left=SCALE_WIDTH,
        ),
    )


BAND_HALF = 0.2
"""Half the width of a band, in days (our choice: apart from its neighbours, wider than a line)."""


def _taps(rows: Sequence[DayRow], plot: Plot, address: Address) -> Iterator[str]:
    for place, row in enumerate(rows):
        yield plot.tap(place, place + 1, address(row))


def _top(rows: Sequence[DayRow]) -> float:
    """What the harvest's picture reaches up to."""
    return max([NOTHING_Wh, *(_height(row) for row in rows)])


def _height(row: DayRow) -> float:
    return max((row.harvest_Wh or 0.0) + (row.unused_Wh or 0.0), row.clear_sky_Wh or 0.0)


def _dates(rows: Sequence[DayRow], plot: Plot, y: float) -> Iterator[str]:
    """Some dates under the days; a month's name stands where it is new."""
    every = max(1, -(-len(rows) // MOST_LABELS))
    month = 0
    for place in range(every // 2, len(rows), every):
        day = rows[place].first
        text = day_text(day) if day.month != month else f"{day.day}"
        month = day.month
        yield words(text, plot.x(place + 0.5), y, "scale")
