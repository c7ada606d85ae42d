"""The page 'Tonight': the sentence, the night line, the charge, live values with their ages, the last day.

The frame is laid out once; every refresh changes only what is new in its sections (`fresh`), so that nothing
jumps, no chart is built anew and what a person opened stays open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field, fields
from typing import Any

from dash import Dash, Input, Output, dcc
from dash import html as dash_html
from dash.development.base_component import Component

from dashboard.calls import call_content
from dashboard.csv_files import LAST_DAY
from dashboard.day_line import day_line, day_title
from dashboard.figures import day_figure, history_sentence
from dashboard.fresh import RENDERINGS, html_of
from dashboard.into import Into
from dashboard.notices import unreadable
from dashboard.pages.base import Page, ReaderFactory, extra, file_link
from dashboard.picture import Picture
from dashboard.snapshot import take_history, take_snapshot
from dashboard.summary import summarize
from dashboard.tags import Node, html
from dashboard.tonight_parts import (
    Content,
    alarms_part,
    answered_part,
    charge_part,
    devices_part,
    hours_part,
    lead_part,
    night_part,
    table_rows,
    today_part,
    value_rows,
)
from dashboard.view import PATH as CLOSER_PATH
from dashboard.words import clock_text, nominal, number, unbroken
from monitor.clock import SystemClock
from monitor.errors import StoreError
from monitor.site.model import Site

CHART_CONFIG: Any = {"displayModeBar": False, "scrollZoom": False, "doubleClick": False, "showTips": False}

NIGHT_HEADS = ("Time", "Likely charge", "8 in 10")

HISTORY_HEADS = ("Time", "Mean", "Range, V", "Current")

CLOSER_PLACE = "history-closer-place"
"""Where Dash draws."""


@dataclass(frozen=True, slots=True)
class Parts:
    """The content of the sections that every refresh renews; a part's name is the id of its section."""

    lead: Content
    answered: Content
    call: Content = field(default_factory=list)
    night: Content = field(default_factory=list)
    hours: Content = field(default_factory=list)
    ground: Content = field(default_factory=list)
    charge: Content = field(default_factory=list)
    main: Content = field(default_factory=list)
    more: Content = field(default_factory=list)
    today: Content = field(default_factory=list)
    alarms: Content = field(default_factory=list)
    devices: Content = field(default_factory=list)


def layout(open_reader: ReaderFactory, site: Site, query: Mapping[str, str]) -> Node:
    """The whole page with its present content, so that it is complete before the first refresh."""
    return tree(open_reader, site)


def tree(
    open_reader: ReaderFactory,
    site: Site,
    *,
    alone: bool = False,
    beside: Sequence[Node] = (),
    fresh_from: str = "/fresh?",
) -> Node:
    """The page; alone: without what leads to a site's other pages or needs its own scripts. beside comes
    last; fresh_from is where assets/fresh.js asks for newer sections. What begins at #below a browser lays
    out when the answer above it is on the screen (style sheet)."""
    parts = present_parts(open_reader, site, alone=alone)
    plots, told, rows = present_history(open_reader, site)
    now, day = by_section(parts), day_sections(plots, told, rows)
    bank = site.bank
    rating = f"{nominal(bank.voltage_V)}, {number(bank.capacity_Ah, 0)} Ah"
    return html.Main(
        [
            html.Header([html.H1(site.site.name), html.P(f"Bank: {rating}", className="quiet")]),
            html.Section(parts.lead, id="lead", **extra(aria_label="State of the bank")),
            night_section(parts),
            html.Section(parts.charge, id="charge", **extra(aria_label="Charge")),
            html.Div(
                [now_section(parts), section("Today", parts.today, "today")], id="below", className="column"
            ),
            html.Div(
                [
                    history_section(plots, told, rows, alone=alone),
                    alarms_section(parts, alone=alone),
                    section("Devices", parts.devices, "devices"),
                ],
                className="column",
            ),
            *beside,
            html.Footer(html.P(parts.answered, id="answered", className="quiet")),
            *([] if alone else [call_dialog(parts)]),
        ],
        **extra(
            data_fresh=fresh_from,
            data_now=RENDERINGS.keep(html_of(now)),
            data_day=RENDERINGS.keep(html_of(day)),
        ),
    )


def call_dialog(parts: Parts) -> Node:
    """What covers the screen while an alarm calls."""
    return html.Dialog(parts.call, id="call", **extra(aria_labelledby="call-title", aria_modal="true"))


def section(title: str, content: Content, name: str) -> Node:
    """A titled part of the page; a refresh renews what stands under the id `name`."""
    return html.Section([html.H2(title), html.Div(content, id=name)])


def night_section(parts: Parts) -> Node:
    """The night ahead; the style sheet hides it where nothing is known of it."""
    heads = html.Thead(html.Tr([html.Th(text, scope="col") for text in NIGHT_HEADS]))
    return html.Section(
        [
            html.Div(parts.night, id="night"),
            html.Details(
                [
                    html.Summary("Hour by hour, and what it rests on"),
                    html.Table([heads, html.Tbody(parts.hours, id="hours")], className="plain"),
                    html.Ul(parts.ground, id="ground", className="basis"),
                ]
            ),
        ],
        id="night-ahead",
        **extra(aria_label="The night ahead"),
    )


def now_section(parts: Parts) -> Node:
    """The live values: those looked at first, the others folded away."""
    return html.Section(
        [
            html.H2("Now"),
            html.Table(html.Tbody(parts.main, id="main"), className="values"),
            html.Details(
                [
                    html.Summary("All values"),
                    html.Table(html.Tbody(parts.more, id="more"), className="values"),
                ]
            ),
        ]
    )


def alarms_section(parts: Parts, *, alone: bool) -> Node:
    """The alarms, and the button that lets the page sound: a browser wants a tap for it."""
    sound = [
        html.Button("Let this page sound", id="sound", type="button"),
        html.P(
            "For alarms of urgent or high priority, while this page is open and the screen is on.",
            className="quiet",
        ),
    ]
    return html.Section(
        [
            html.H2("Alarms"),
            html.Div(parts.alarms, id="alarms"),
            *([] if alone else [html.Div(sound, className="needs-scripts")]),
        ]
    )


def history_section(plots: Content, told: str, rows: Content, *, alone: bool) -> Node:
    """The last day as two plots with a sentence, as a table for who cannot see them, and on a tap as a chart
    that tells each value: its library is fetched only then."""
    heads = html.Thead(html.Tr([html.Th(text, scope="col") for text in HISTORY_HEADS]))
    closer = [
        file_link(LAST_DAY),
        html.Div(closer_moves(), id=CLOSER_PLACE),
    ]
    return html.Section(
        [
            html.H2("Last 24 hours"),
            html.Div(plots, id="history-image", role="img", **extra(aria_labelledby="history-told")),
            html.P(unbroken(told), id="history-told"),
            *([] if alone else closer),
            html.Details(
                [
                    html.Summary("As a table"),
                    html.Table([heads, html.Tbody(rows, id="history-rows")], className="plain"),
                ]
            ),
        ]
    )


def closer_moves() -> Component:
    """The button that brings the chart, and the way to other times."""
    return dash_html.P(
        [
            dash_html.Button("Look closer", id="history-closer", type="button"),
            dash_html.A("Any other time", href=CLOSER_PATH),
        ],
        className="moves",
    )


def fresh(
    open_reader: ReaderFactory, site: Site, of: str, *, alone: bool = False
) -> dict[str, Content] | None:
    """The sections as of now by their ids: the values ('now') or the last day ('day'), else None."""
    if of == "now":
        return by_section(present_parts(open_reader, site, alone=alone))
    return day_sections(*present_history(open_reader, site)) if of == "day" else None


def by_section(parts: Parts) -> dict[str, Content]:
    """The parts by the ids of their sections."""
    return {part.name: getattr(parts, part.name) for part in fields(parts)}


def day_sections(plots: Content, told: str, rows: Content) -> dict[str, Content]:
    """The last day's parts by the ids of their sections."""
    return {"history-image": plots, "history-told": [unbroken(told)], "history-rows": rows}


def register(app: Dash, open_reader: ReaderFactory, site: Site) -> None:
    """What Dash draws on this page: the chart of the last day, on a tap."""
    app.layout = Into([closer_moves(), dash_html.Div(id="history-chart-place")], CLOSER_PLACE)

    @app.callback(
        Output("history-chart-place", "children"),
        Output("history-closer", "children"),
        Input("history-closer", "n_clicks"),
        prevent_initial_call=True,
    )
    def look_closer(taps: int) -> tuple[Content, str]:
        if taps % 2 == 0:
            return [], "Look closer"
        figure = closer_figure(open_reader, site)
        chart = dcc.Graph(id="history-chart", figure=figure, config=CHART_CONFIG, className="chart")
        return [chart], "Put the chart away"


def present_parts(open_reader: ReaderFactory, site: Site, *, alone: bool = False) -> Parts:
    """The sections as of now; without a store, what to do about it."""
    try:
        with closing(open_reader()) as reader:
            tonight = summarize(take_snapshot(reader, site), site)
    except StoreError as error:
        return trouble_parts(error, site)
    night = tonight.night
    return Parts(
        lead=lead_part(tonight),
        answered=answered_part(tonight.as_of, tonight.turns),
        call=[] if alone else call_content(tonight.alarms),
        night=night_part(tonight, alone=alone),
        hours=hours_part(tonight),
        ground=[] if night is None else [html.Li(words) for words in night.basis],
        charge=charge_part(tonight),
        main=value_rows(tonight.main),
        more=value_rows(tonight.more),
        today=today_part(tonight),
        alarms=alarms_part(tonight, alone=alone),
        devices=devices_part(tonight),
    )


def present_history(open_reader: ReaderFactory, site: Site) -> tuple[Content, str, Content]:
    """The plots of the last day, their sentence and their table; nothing without a store."""
    zone = site.site.zone
    try:
        with closing(open_reader()) as reader:
            history = take_history(reader, site)
    except StoreError:
        return [], "", []
    plots: Content = []
    for series, kind in ((history.voltage, "voltage"), (history.current, "current")):
        plots += [
            html.P(day_title(series), className="quiet plot-title"),
            Picture(day_line(history, series, kind, zone)),
        ]
    return plots, history_sentence(history, zone), table_rows(history, zone)


def closer_figure(open_reader: ReaderFactory, site: Site) -> dict[str, Any]:
    """The last day as a chart; an empty one without a store."""
    try:
        with closing(open_reader()) as reader:
            return day_figure(take_history(reader, site), site.site.zone)
    except StoreError:
        return {"data": [], "layout": {"xaxis": {"visible": False}, "yaxis": {"visible": False}}}


def trouble_parts(error: StoreError, site: Site) -> Parts:
    """What the page says while the store cannot be read; the style sheet hides the empty sections."""
    now_ms = SystemClock().now_ms()
    start = "If the monitor was never started here, start it with “nightbank monitor” and the site file. "
    more = f"{start if site.store.server is None else ''}This page looks again every five seconds."
    lead: Content = [*unreadable(error, site), html.P(more, className="quiet")]
    at = clock_text(now_ms, now_ms, site.site.zone)
    return Parts(lead, answered_part(at))


PAGE = Page("/", "Tonight", layout, register, fresh=fresh)
