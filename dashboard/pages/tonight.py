"""The page 'Tonight': the sentence, the night line, the charge, live values with their ages, the last day.

The frame is laid out once; every refresh changes only what is new in its sections (`fresh`), so that nothing
jumps, no chart is built anew and what a person opened stays open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field, fields
from typing import Any
from zoneinfo import ZoneInfo

from dash import Dash, Input, Output, dcc, html
from dash.development.base_component import Component

from dashboard.calls import call_content
from dashboard.csv_files import LAST_DAY, NIGHT
from dashboard.day_line import day_line, day_title
from dashboard.figures import day_figure, history_rows, history_sentence
from dashboard.fresh import RENDERINGS, html_of
from dashboard.notices import notice, unreadable
from dashboard.pages.base import Page, ReaderFactory, extra, file_link
from dashboard.picture import Picture
from dashboard.snapshot import History, take_history, take_snapshot
from dashboard.summary import Tonight, summarize
from dashboard.values import Look, Value
from dashboard.view import PATH as CLOSER_PATH
from dashboard.words import clock_text, nominal, number, unbroken
from monitor.clock import SystemClock
from monitor.errors import StoreError
from monitor.site.model import Site

TAGS = {Look.LIVE: "", Look.STALE: "old", Look.SUSPECT: "doubtful", Look.MISSING: "missing"}
"""The word beside a value that is not simply live; the style sheet adds a shape, never colour alone."""

CHART_CONFIG: Any = {"displayModeBar": False, "scrollZoom": False, "doubleClick": False, "showTips": False}

NIGHT_HEADS = ("Time", "Likely charge", "8 in 10")

HISTORY_HEADS = ("Time", "Mean", "Range, V", "Current")

Content = list[Component | str]


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


def layout(open_reader: ReaderFactory, site: Site, query: Mapping[str, str]) -> Component:
    """The whole page with its present content, so that it is complete before the first refresh."""
    return tree(open_reader, site)


def tree(
    open_reader: ReaderFactory,
    site: Site,
    *,
    alone: bool = False,
    beside: Sequence[Component] = (),
    fresh_from: str = "/fresh?",
) -> Component:
    """The page; alone: without what leads to a site's other pages or needs its own scripts. beside comes
    last; fresh_from is where assets/fresh.js asks for newer sections."""
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
            html.Div([now_section(parts), section("Today", parts.today, "today")], className="column"),
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


def call_dialog(parts: Parts) -> Component:
    """What covers the screen while an alarm calls."""
    return html.Dialog(parts.call, id="call", **extra(aria_labelledby="call-title", aria_modal="true"))


def section(title: str, content: Content, name: str) -> Component:
    """A titled part of the page; a refresh renews what stands under the id `name`."""
    return html.Section([html.H2(title), html.Div(content, id=name)])


def night_section(parts: Parts) -> Component:
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


def now_section(parts: Parts) -> Component:
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


def alarms_section(parts: Parts, *, alone: bool) -> Component:
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


def history_section(plots: Content, told: str, rows: Content, *, alone: bool) -> Component:
    """The last day as two plots with a sentence, as a table for who cannot see them, and on a tap as a chart
    that tells each value: its library is fetched only then."""
    heads = html.Thead(html.Tr([html.Th(text, scope="col") for text in HISTORY_HEADS]))
    closer = [
        file_link(LAST_DAY),
        html.P(
            [
                html.Button("Look closer", id="history-closer", type="button"),
                html.A("Any other time", href=CLOSER_PATH),
            ],
            className="moves",
        ),
        html.Div(id="history-chart-place"),
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
    """What Dash does on this page: the chart of the last day, on a tap."""

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
    zone = ZoneInfo(site.site.time_zone)
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
            return day_figure(take_history(reader, site), ZoneInfo(site.site.time_zone))
    except StoreError:
        return {"data": [], "layout": {"xaxis": {"visible": False}, "yaxis": {"visible": False}}}


def trouble_parts(error: StoreError, site: Site) -> Parts:
    """What the page says while the store cannot be read; the style sheet hides the empty sections."""
    now_ms = SystemClock().now_ms()
    start = "If the monitor was never started here, start it with “nightbank monitor” and the site file. "
    more = f"{start if site.store.server is None else ''}This page looks again every five seconds."
    lead: Content = [*unreadable(error, site), html.P(more, className="quiet")]
    at = clock_text(now_ms, now_ms, ZoneInfo(site.site.time_zone))
    return Parts(lead, answered_part(at))


def lead_part(tonight: Tonight) -> Content:
    """The answer: whether the bank lasts where that is known, and in any case how it stands."""
    night = tonight.night
    answer = tonight.sentence if night is None else night.sentence
    beside = [] if night is None else [html.P(unbroken(tonight.sentence), id="bank-sentence")]
    kind = "sentence" if night is None or night.fresh else "sentence old"
    return [
        *(notice(item) for item in tonight.notices),
        html.P(unbroken(answer), className=kind, id="sentence"),
        *beside,
    ]


def night_part(tonight: Tonight, *, alone: bool) -> Content:
    """The night line with its words, and what switching off would bring."""
    night = tonight.night
    if night is None:
        return []
    return [
        html.Div(Picture(night.picture), role="img", **extra(aria_labelledby="night-told")),
        html.P(unbroken(night.told), id="night-told"),
        *([] if alone else [file_link(NIGHT)]),
        *([html.Ul([html.Li(each) for each in night.reliefs], id="reliefs")] if night.reliefs else []),
    ]


def hours_part(tonight: Tonight) -> Content:
    """The night line as rows of a table."""
    return [
        html.Tr([html.Th(time, scope="row"), html.Td(likely), html.Td(spread)])
        for time, likely, spread in (() if tonight.night is None else tonight.night.rows)
    ]


def charge_part(tonight: Tonight) -> Content:
    charge = tonight.charge.figure
    basis = html.Ul([html.Li(words) for words in tonight.charge.basis], className="basis", id="basis")
    return [
        html.P(
            [
                html.Span("Charge ", className="label"),
                html.Span(charge.text, **marks(charge)),
                html.Span(
                    [*tag(charge), html.Span(tonight.charge.beside, className="quiet")], className="beside"
                ),
            ],
            className="figure-line",
        ),
        *([basis] if tonight.charge.basis else []),
    ]


def value_rows(values: Sequence[Value]) -> Content:
    """A table row a quantity: label, value with its look, age; and under it what to know of it."""
    rows: Content = []
    for value in values:
        cells = [
            html.Th(value.label, scope="row"),
            html.Td(value.text, **marks(value)),
            html.Td([html.Span(value.age), *tag(value)], className="age"),
        ]
        rows += [html.Tr(cells, className=f"row {value.look}"), *note_row(value.note, f"under {value.look}")]
    return rows


def note_row(note: str, look: str) -> Content:
    """A row across the table that belongs to the row above, none where there is nothing to say."""
    return [html.Tr(html.Td(note, colSpan=3), className=look)] if note else []


def marks(value: Value) -> dict[str, Any]:
    """Class and data attributes of a shown value, for the style sheet and for programs that read the page."""
    known = {} if value.number is None else {"data-value": f"{value.number:g}"}
    return {"className": f"value {value.look}", "data-quantity": value.quantity, **known}


def tag(value: Value) -> list[Component]:
    return [html.Span(TAGS[value.look], className="tag")] if TAGS[value.look] else []


def today_part(tonight: Tonight) -> Content:
    rows: Content = []
    for total in tonight.totals:
        cells = [
            html.Th(total.label, scope="row"),
            html.Td(total.energy, **total_marks(f"{total.quantity}_Wh", total.energy_Wh)),
            html.Td(total.charge, **total_marks(f"{total.quantity}_Ah", total.charge_Ah)),
        ]
        rows += [html.Tr(cells), *note_row(total.note, "under")]
    table = html.Table(html.Tbody(rows), className="values")
    return [table, *([html.P(tonight.day_note, className="note")] if tonight.day_note else [])]


def total_marks(name: str, number_or_none: float | None) -> dict[str, Any]:
    known = {} if number_or_none is None else {"data-value": f"{number_or_none:.6g}"}
    look = Look.MISSING if number_or_none is None else Look.LIVE
    return {"className": f"value {look}", "data-total": name, **known}


def table_rows(history: History, zone: ZoneInfo) -> Content:
    """The chart's facts for those who cannot see it."""
    return [
        html.Tr(
            [
                html.Th(row.time, scope="row"),
                html.Td(row.voltage),
                html.Td(row.voltage_range),
                html.Td(row.current),
            ]
        )
        for row in history_rows(history, zone)
    ]


def alarms_part(tonight: Tonight, *, alone: bool) -> Content:
    rows = [
        html.Li(
            [
                html.Strong(unbroken(row.text)),
                html.Small(unbroken(f"{row.priority} priority, {row.state} ({row.lasting})")),
            ],
            className="alarm",
        )
        for row in tonight.alarms
    ]
    answer = [] if alone else [html.Div(html.A("Answer them", href="/alarms"), className="moves")]
    return [
        *([html.Ul(rows), *answer] if rows else []),
        *([html.P(tonight.alarm_note)] if tonight.alarm_note else []),
    ]


def devices_part(tonight: Tonight) -> Content:
    if not tonight.devices:
        return [html.P("No device has been asked yet.")]
    return [
        html.Ul(
            [
                html.Li(
                    [
                        html.Strong(row.name),
                        f" {row.headline}",
                        *(html.Small(detail) for detail in row.details),
                    ],
                    className=f"device {row.state.replace(' ', '-')}",
                    **extra(data_device=row.name),
                )
                for row in tonight.devices
            ]
        )
    ]


def answered_part(as_of: str, turns: str = "") -> Content:
    """When the page last heard from its server; turns tells the scripts the site's nights."""
    return [
        html.Span(f"As of {as_of}, local time of the site.", id="as-of", **extra(data_turns=turns)),
    ]


PAGE = Page("/", "Tonight", layout, register, fresh=fresh)
