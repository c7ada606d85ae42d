"""The last day as two small plots: bank voltage, and the current that tells most. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from zoneinfo import ZoneInfo

from dashboard.figures import hour_ticks, segments, unread_spans
from dashboard.snapshot import History
from dashboard.svg import Plot, picture, words
from dashboard.values import LABELS
from dashboard.words import number
from monitor.quantities import unit_of
from monitor.records import Series

LEAST_SPAN = {"V": 0.5, "A": 1.0}
"""A plot shows at least so much from bottom to top, so that a meter's step looks like one (our choice)."""

GRID_LINES = 4
"""At most so many lines and half as many at least cross a plot (our choice: it is six lines of text high)."""


def day_line(history: History, series: Series, kind: str, zone: ZoneInfo) -> str:
    """One plot of the last day as SVG: minimum to maximum as a band, the mean as a line, breaks in grey."""
    unit = unit_of(series.quantity)
    low, high = value_span(series)
    plot = Plot(history.start_ms, history.end_ms, low, high)
    paths: list[str] = []
    for piece in segments(series):
        middles = [(bucket.start_ms + bucket.end_ms) / 2 for bucket in piece]
        lows = [(x, bucket.minimum) for x, bucket in zip(middles, piece, strict=True)]
        highs = [(x, bucket.maximum) for x, bucket in zip(middles, piece, strict=True)]
        means = [(x, bucket.mean) for x, bucket in zip(middles, piece, strict=True)]
        paths += [plot.band(lows, highs, f"{kind}-band"), plot.line(means, f"{kind}-mean")]
    return picture(
        f"day-line {kind}",
        *(plot.field(first, last, "unread") for first, last in unread_spans(history)),
        *(plot.across(at, "zero" if at == 0 else "grid") for at in grid(low, high)),
        plot.curves(*paths),
        *(
            words(f"{number(at, decimals_of(low, high))} {unit}", 0, plot.y(at), "scale", rise=0.25)
            for at in grid(low, high)
        ),
        *hours(history.start_ms, history.end_ms, plot, zone),
    )


def day_title(series: Series) -> str:
    """What a plot shows: 'Bank voltage'."""
    return LABELS[series.quantity]


def hours(start_ms: int, end_ms: int, plot: Plot, zone: ZoneInfo) -> Iterator[str]:
    """The hours under a plot: 0, 6, 12 and 18 local time; midnight carries the new day's name."""
    for at_ms, text in hour_ticks(start_ms, end_ms, zone):
        yield words(text, plot.x(at_ms), 98.0, "scale")


def grid(low: float, high: float) -> list[float]:
    """Round values between low and high, about GRID_LINES: steps of 1, 2 or 5 times a power of ten."""
    step = _step(low, high)
    first = math.ceil(low / step - 1e-9)
    return [round(number_ * step, 6) for number_ in range(first, math.floor(high / step + 1e-9) + 1)]


def _step(low: float, high: float) -> float:
    rough = (high - low) / GRID_LINES
    power = 10.0 ** math.floor(math.log10(rough))
    return next(power * times for times in (1, 2, 5, 10) if power * times >= rough)


def decimals_of(low: float, high: float) -> int:
    """Digits after the point that tell the grid's values between low and high apart."""
    return max(0, -math.floor(math.log10(_step(low, high)) + 1e-9))


def value_span(series: Series) -> tuple[float, float]:
    """Lowest and highest value to show, with some air; any span where nothing was read."""
    least = LEAST_SPAN.get(unit_of(series.quantity), 1.0)
    if not series.buckets:
        return 0.0, least
    low = min(bucket.minimum for bucket in series.buckets)
    high = max(bucket.maximum for bucket in series.buckets)
    air = max(0.08 * (high - low), 0.5 * (least - (high - low)))
    return low - air, high + air
