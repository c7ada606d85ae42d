"""A strip of the closer look as SVG: minimum to maximum as a band, mean as a line, breaks in grey. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from zoneinfo import ZoneInfo

from dashboard.day_line import decimals_of, grid
from dashboard.figures import segments
from dashboard.strips import POINTS, Strip, scale_text
from dashboard.svg import EDGE, Plot, inset, picture, words
from dashboard.time_marks import clock_changes, time_marks
from dashboard.view import View, address
from monitor.quantities import Stage
from monitor.store.steps import CODES

MISSING_Y, TIMES_Y = 85.0, 97.0


def strip_picture(
    strip: Strip, view: View, kind: str, reserve_soc: float, now_ms: int, zone: ZoneInfo
) -> str:
    """One strip; kind is 'voltage' or 'current', the look of the first and of the second quantity.

    Each part of it leads to a closer look at that part. Doubtful readings are a question mark, missing ones a
    cross at the foot.
    """
    plot = Plot(view.start_ms, view.end_ms, *strip.edges)
    marks = _marks(view, plot, zone)
    changes = clock_changes(view.start_ms, view.end_ms, zone)
    return picture(
        f"strip {kind}",
        *_scale(strip, plot),
        plot.across(reserve_soc, "reserve") if strip.quantity == "state_of_charge" else "",
        inset(
            *(plot.field(start, end, "unread") for start, end in drawn_gaps(strip.unread, view.length_ms)),
            *(plot.upright(at_ms, "clock-change") for at_ms, _ in changes),
            plot.upright(now_ms, "now") if view.start_ms < now_ms < view.end_ms else "",
            plot.curves(
                *_curves(strip, plot, kind),
                plot.dots(strip.single, f"{kind}-dots"),
            ),
            *(words("?", plot.x(at_ms), plot.y(value), "flaw") for at_ms, value in strip.doubtful),
            *_missing(strip, plot),
            *(words(text, plot.x(at), TIMES_Y, "scale") for at, text in marks),
            *_taps(view, plot, zone),
        ),
    )


def _marks(view: View, plot: Plot, zone: ZoneInfo) -> list[tuple[int, str]]:
    """The times under the strip; one whose words an edge would push into the next is left out."""
    marks = time_marks(view.start_ms, view.end_ms, zone)
    return [mark for mark in marks if EDGE < plot.x(mark[0]) < 100 - EDGE] or marks


def drawn_gaps(unread: Sequence[tuple[int, int]], length_ms: int) -> list[tuple[int, int]]:
    """The spans without readings that are wide enough to be seen, those that touch each other as one."""
    least_ms = length_ms / POINTS
    found: list[tuple[int, int]] = []
    for start, end in unread:
        if end - start < least_ms:
            continue
        if found and start - found[-1][1] < least_ms:
            found[-1] = (found[-1][0], end)
        else:
            found.append((start, end))
    return found


def _lines(strip: Strip) -> list[float]:
    """Where grid lines cross the strip."""
    return [float(stage) for stage in Stage] if strip.quantity in CODES else grid(*strip.edges)


def _scale(strip: Strip, plot: Plot) -> Iterator[str]:
    decimals = decimals_of(*strip.edges)
    for at in _lines(strip):
        yield plot.across(at, "zero" if at == 0 and strip.quantity not in CODES else "grid")
        yield words(scale_text(at, strip.quantity, decimals), 0, plot.y(at), "scale", rise=0.25)


def _curves(strip: Strip, plot: Plot, kind: str) -> Iterator[str]:
    """Bands and lines of the pieces between the gaps; of codes, which have no mean, the highest."""
    codes = strip.quantity in CODES
    for piece in segments(strip.series):
        middles = [(bucket.start_ms + bucket.end_ms) / 2 for bucket in piece]
        if len(piece) == 1:  # else it would be a dot that nobody sees
            bucket = piece[0]
            piece, middles = [bucket, bucket], [float(bucket.start_ms), float(bucket.end_ms)]
        lows = [(x, bucket.minimum) for x, bucket in zip(middles, piece, strict=True)]
        highs = [(x, bucket.maximum) for x, bucket in zip(middles, piece, strict=True)]
        means = [
            (x, bucket.maximum if codes else bucket.mean) for x, bucket in zip(middles, piece, strict=True)
        ]
        if any(low < high for (_, low), (_, high) in zip(lows, highs, strict=True)):
            yield plot.band(lows, highs, f"{kind}-band")
        yield plot.line(means, f"{kind}-mean")


def _missing(strip: Strip, plot: Plot) -> Iterator[str]:
    for spell in strip.flawed:
        if spell.missing:
            for at_ms in dict.fromkeys((spell.first_ms, spell.last_ms)):
                yield words("×", plot.x(at_ms), MISSING_Y, "flaw")


def _taps(view: View, plot: Plot, zone: ZoneInfo) -> Iterator[str]:
    if view.closer(view.end_ms, zone) is None:
        return
    for start_ms, end_ms in view.parts(zone):
        yield plot.tap(start_ms, end_ms, address(view.over(start_ms, end_ms), zone))
