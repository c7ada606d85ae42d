"""What was stored over time -> a chart as plain data, and the same facts in words and rows. Pure.

A figure is a plain dictionary in plotly's JSON form: building graph objects would cost memory and time.
Lists are rounded, since digits that no eye sees are bytes that a phone waits for. Colours are of the
Okabe-Ito set (Okabe and Ito, 'Color Universal Design', 2008) and set by the style sheet, which knows
whether the phone is light or dark; the trace names here (`uid`) are what it takes hold of.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from dashboard.local import clock, full_hour, present
from dashboard.snapshot import History
from dashboard.time_marks import on_the_wall
from dashboard.values import LABELS
from dashboard.words import clock_text, number, shown, span_text
from monitor.quantities import unit_of
from monitor.records import HOUR_MS, MINUTE_MS, Bucket, Series, to_datetime

BLUE, VERMILLION = "#0072B2", "#D55E00"
"""Okabe-Ito: voltage and current on a light ground."""

FONT_PX = 16
TICK_EVERY_MS = 6 * HOUR_MS
TABLE_STEP_MS = 3 * HOUR_MS
UNREAD_FROM_MS = 10 * MINUTE_MS
"""Shorter silences are not worth a grey field (our choice: two buckets of the chart)."""


@dataclass(frozen=True, slots=True)
class HistoryRow:
    """Three hours of the last day in words, for those who cannot see the chart."""

    time: str
    voltage: str
    voltage_range: str
    current: str


def segments(series: Series) -> list[list[Bucket]]:
    """The buckets between the gaps. A gap too short to be drawn, inside one bucket, breaks nothing."""
    pieces: list[list[Bucket]] = []
    gaps = iter(series.gaps)
    gap = next(gaps, None)
    before: Bucket | None = None
    for bucket in series.buckets:
        broken = before is None
        while before is not None and gap is not None and gap[0] < bucket.start_ms:
            width_ms = before.end_ms - before.start_ms
            broken |= gap[1] - gap[0] >= width_ms and gap[1] > before.end_ms
            if gap[1] > bucket.end_ms:
                break  # it reaches beyond: the next pair asks for it again
            gap = next(gaps, None)
        if broken:
            pieces.append([])
        pieces[-1].append(bucket)
        before = bucket
    return pieces


def day_figure(history: History, zone: ZoneInfo) -> dict[str, Any]:
    """Voltage over current for the last day as one plotly figure with two stacked plots.

    Each is the mean as a line and minimum to maximum as a band; x counts whole minutes from history.start_ms
    to the bucket's start.
    """
    begins = {bucket.start_ms for series in (history.voltage, history.current) for bucket in series.buckets}
    times = {start_ms: clock(to_datetime(start_ms).astimezone(zone)) for start_ms in begins}
    traces = [
        *plot_traces(history.voltage, history.start_ms, times, "voltage", "y", BLUE, 2),
        *plot_traces(history.current, history.start_ms, times, "current", "y2", VERMILLION, 1),
    ]
    ticks = hour_ticks(history.start_ms, history.end_ms, zone)
    minutes = (history.end_ms - history.start_ms) / MINUTE_MS
    axis = {"fixedrange": True, "zeroline": False, "nticks": 5}
    return {
        "data": traces,
        "layout": {
            "xaxis": {
                "fixedrange": True,
                "range": [0, minutes],
                "anchor": "y2",
                "zeroline": False,
                "tickvals": [round((at - history.start_ms) / MINUTE_MS, 1) for at, _ in ticks],
                "ticktext": [text for _, text in ticks],
            },
            "yaxis": {**axis, "domain": [0.56, 0.93]},
            "yaxis2": {**axis, "domain": [0.0, 0.37], "zeroline": True},
            "annotations": [
                heading(f"{LABELS[history.voltage.quantity]}, {unit_of(history.voltage.quantity)}", 1.0),
                heading(f"{LABELS[history.current.quantity]}, {unit_of(history.current.quantity)}", 0.44),
            ],
            "shapes": [gap_shape(span, history.start_ms) for span in unread_spans(history)],
            "margin": {"l": 48, "r": 10, "t": 4, "b": 32},
            "font": {"size": FONT_PX, "family": "system-ui, sans-serif"},
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "separators": f"{present().decimal}{present().group}",
            "showlegend": False,
            "hovermode": "x",
            "dragmode": False,
            "uirevision": "day",
        },
    }


def plot_traces(
    series: Series, start_ms: int, clocks: Mapping[int, str], name: str, axis: str, colour: str, decimals: int
) -> list[dict[str, Any]]:
    """One plot: the band from minimum to maximum, then the mean; None breaks the line at a gap. clocks are
    the buckets' local times in words."""
    line_x: list[float | None] = []
    line_y: list[float | None] = []
    times: list[str] = []
    band_x: list[float | None] = []
    band_y: list[float | None] = []
    for piece in segments(series):
        x = [round((bucket.start_ms - start_ms) / MINUTE_MS) for bucket in piece]
        if line_x:
            line_x.append(None)
            line_y.append(None)
            times.append("")
            band_x.append(None)
            band_y.append(None)
        line_x += x
        line_y += [round(bucket.mean, decimals) for bucket in piece]
        times += [clocks[bucket.start_ms] for bucket in piece]
        band_x += [*x, *reversed(x)]
        band_y += [round(bucket.maximum, decimals) for bucket in piece]
        band_y += [round(bucket.minimum, decimals) for bucket in reversed(piece)]
    unit = unit_of(series.quantity)
    return [
        {
            "type": "scatter",
            "uid": f"{name}-band",
            "x": band_x,
            "y": band_y,
            "yaxis": axis,
            "fill": "toself",
            "mode": "lines",
            "line": {"width": 0},
            "fillcolor": colour,
            "opacity": 0.3,
            "hoverinfo": "skip",
        },
        {
            "type": "scatter",
            "uid": f"{name}-mean",
            "x": line_x,
            "y": line_y,
            "yaxis": axis,
            "text": times,
            "mode": "lines",
            "line": {"width": 2, "color": colour},
            "connectgaps": False,
            "hovertemplate": f"%{{text}}  %{{y}} {unit}<extra></extra>",
        },
    ]


def heading(text: str, top: float) -> dict[str, Any]:
    """What a plot shows, on its left over the line."""
    return {
        "text": text,
        "x": 0,
        "y": top,
        "xref": "paper",
        "yref": "paper",
        "xanchor": "left",
        "yanchor": "top",
        "showarrow": False,
    }


def unread_spans(history: History) -> list[tuple[int, int]]:
    """The spans worth telling in which no bank voltage was read, the last day's head and tail included."""
    buckets, start, end = history.voltage.buckets, history.start_ms, history.now_ms
    if not buckets:
        return [(start, end)]
    spans = [(start, buckets[0].start_ms), *history.voltage.gaps, (buckets[-1].end_ms, end)]
    return [(first, last) for first, last in spans if last - first >= UNREAD_FROM_MS]


def gap_shape(span: tuple[int, int], start_ms: int) -> dict[str, Any]:
    """A grey field over both plots where nothing was read."""
    x0, x1 = (round((edge - start_ms) / MINUTE_MS, 1) for edge in span)
    return {
        "type": "rect",
        "xref": "x",
        "yref": "paper",
        "y0": 0,
        "y1": 0.93,
        "layer": "below",
        "x0": x0,
        "x1": x1,
        "line": {"width": 0},
        "fillcolor": "rgba(128,128,128,0.22)",
    }


def hour_ticks(start_ms: int, end_ms: int, zone: ZoneInfo) -> list[tuple[int, str]]:
    """(time, label) at the local hours 0, 6, 12 and 18 in the span; midnight carries the new day's name."""
    ticks = []
    for at_ms in on_the_wall(start_ms, end_ms, TICK_EVERY_MS, zone):
        local = to_datetime(at_ms).astimezone(zone)
        ticks.append((at_ms, f"{local:%a}" if local.hour == 0 else full_hour(local.hour)))
    return ticks


def history_sentence(history: History, zone: ZoneInfo) -> str:
    """The chart in one sentence or two: extremes with their times, and how much was not read."""
    voltage, now_ms = history.voltage, history.now_ms
    if not voltage.buckets:
        return "No bank voltage was read in the last 24 hours."
    lowest = min(voltage.buckets, key=lambda bucket: bucket.minimum)
    highest = max(voltage.buckets, key=lambda bucket: bucket.maximum)
    low, high = shown(lowest.minimum, voltage.quantity), shown(highest.maximum, voltage.quantity)
    low_at, high_at = (clock_text(bucket.start_ms, now_ms, zone) for bucket in (lowest, highest))
    text = (
        f"In the last 24 hours the bank's voltage was lowest at {low_at} with {low} and highest at "
        f"{high_at} with {high}."
    )
    current = history.current
    if current.buckets:
        most = max(current.buckets, key=lambda bucket: bucket.maximum)
        least = min(current.buckets, key=lambda bucket: bucket.minimum)
        text += (
            f" {LABELS[current.quantity]} went from {shown(least.minimum, current.quantity)} to "
            f"{shown(most.maximum, current.quantity)}."
        )
    unread_ms = sum(last - first for first, last in unread_spans(history))
    if unread_ms:
        text += f" For {span_text(unread_ms)} of them nothing was read (grey)."
    return text


def history_rows(history: History, zone: ZoneInfo) -> list[HistoryRow]:
    """The chart as a table of three-hour steps, oldest first; '—' where nothing was read."""
    rows = []
    for start_ms in range(history.start_ms, history.end_ms, TABLE_STEP_MS):
        end_ms = min(start_ms + TABLE_STEP_MS, history.end_ms)
        volts = [bucket for bucket in history.voltage.buckets if start_ms <= bucket.start_ms < end_ms]
        amperes = [bucket for bucket in history.current.buckets if start_ms <= bucket.start_ms < end_ms]
        first, last = (to_datetime(edge).astimezone(zone) for edge in (start_ms, end_ms))
        low, high = (min(b.minimum for b in volts), max(b.maximum for b in volts)) if volts else (None, None)
        rows.append(
            HistoryRow(
                f"{clock(first)}–{clock(last)}",
                shown(mean_of(volts), history.voltage.quantity) if volts else "—",
                f"{number(low, 1)} to {number(high, 1)}" if low is not None and high is not None else "—",
                shown(mean_of(amperes), history.current.quantity) if amperes else "—",
            )
        )
    return rows


def mean_of(buckets: Sequence[Bucket]) -> float:
    """The mean over buckets, weighted by their readings."""
    return sum(bucket.mean * bucket.count for bucket in buckets) / sum(bucket.count for bucket in buckets)
