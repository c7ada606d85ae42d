"""The page 'Days': harvest against the sky, the bank's lowest points, the hours of the sun, as far back as
the store goes. It needs no script; its address holds what is shown, to be kept and gone back to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import closing
from datetime import date
from zoneinfo import ZoneInfo

from dash import html
from dash.development.base_component import Component

from dashboard import local
from dashboard.day_pictures import LETTERS, harvest_picture, lowest_picture
from dashboard.days import PERIODS, SKY_WORDS, DayRow, Span, asked_span, energy, sentences, take_days
from dashboard.pages.base import Page, ReaderFactory, extra
from dashboard.picture import Picture
from dashboard.sun_pictures import Course, hour_map, laid_over, take_courses
from dashboard.words import number, percent, unbroken
from monitor.errors import StoreError
from monitor.present import now_of
from monitor.records import to_datetime
from monitor.site.model import Site

PATH = "/days"
HEADS = ("Day", "Sky", "Came", "Clear sky", "Unused", "Used", "Lowest", "Full")


def layout(open_reader: ReaderFactory, site: Site, query: Mapping[str, str]) -> Component:
    """The page for the span that its address names."""
    header = html.Header([html.H1(site.site.name), html.P("Days", className="quiet")])
    try:
        with closing(open_reader()) as reader:
            today = to_datetime(now_of(reader).time_ms).astimezone(ZoneInfo(site.site.time_zone)).date()
            span = asked_span(query, today)
            rows = take_days(reader, site, span)
            skies = {row.first: row.sky for row in rows}
            courses = take_courses(reader, site, span, skies) if site.array is not None else ()
    except StoreError as error:
        trouble = [html.P("The store cannot be read.", className="sentence"), html.P(str(error))]
        return html.Main([header, html.Section(trouble, id="lead")])
    return html.Main(
        [
            header,
            html.Section(told(rows), id="lead"),
            choices(span, today),
            html.Div([*harvest_section(rows), *lowest_section(rows, site)], className="column"),
            html.Div([*hours_section(courses, span, site), table_section(rows, span)], className="column"),
        ]
    )


def told(rows: Sequence[DayRow]) -> Component:
    """What the days say together, the first sentence in large."""
    first, *others = sentences(rows)
    return html.Div(
        [html.P(unbroken(first), className="told"), *(html.P(unbroken(text)) for text in others)],
        id="days-told",
    )


def choices(span: Span, today: date) -> Component:
    """Earlier, later, and other lengths, all as plain links."""
    moves = [link("← Earlier", span.beside(-1))]
    if span.last < today:
        later = span.beside(1)
        moves.append(
            link("Later →", later if later.last < today else Span(today, today).of_length(span.days))
        )
    lengths = [
        html.Strong(name) if days == span.days else link(name, span.of_length(days))
        for days, name in PERIODS.items()
    ]
    told = f"{local.day_text(span.first, whole=True)} to {local.day_text(span.last, year=True, whole=True)}"
    return html.Section(
        [html.H2(told), html.P(moves, className="moves"), html.P(lengths, className="moves lengths")],
        **extra(aria_label="Which days"),
    )


def link(text: str, span: Span) -> Component:
    return html.A(text, href=f"{PATH}?to={span.last.isoformat()}&days={span.days}")


def harvest_section(rows: Sequence[DayRow]) -> list[Component]:
    kinds = [kind for kind in LETTERS if any(row.sky == kind for row in rows)]
    legend = ", ".join(f"{LETTERS[kind]} {SKY_WORDS[kind]}" for kind in kinds)
    unit = "week" if any(row.days > 1 for row in rows) else "day"
    return [
        html.Section(
            [
                html.H2(f"What the array gave, by {unit}"),
                html.Div(Picture(harvest_picture(rows)), role="img", **extra(aria_labelledby="days-told")),
                html.P(
                    f"Bars: what came, pale what the full bank left. Frames: a clear sky. {legend}.",
                    className="quiet",
                ),
            ]
        )
    ]


def lowest_section(rows: Sequence[DayRow], site: Site) -> list[Component]:
    if all(row.soc_min is None for row in rows):
        return []
    reserve = site.bank.reserve_soc
    return [
        html.Section(
            [
                html.H2("The bank's lowest charge"),
                html.Div(
                    Picture(lowest_picture(rows, reserve)), role="img", **extra(aria_labelledby="days-told")
                ),
                html.P(
                    f"A filled dot: the bank got full. The dashed line: the reserve of {percent(reserve)}.",
                    className="quiet",
                ),
            ]
        )
    ]


def hours_section(courses: Sequence[Course], span: Span, site: Site) -> list[Component]:
    if not courses or site.array is None:
        return []
    rated_W = site.array.power_W
    parts: list[Component] = [
        html.H2("The hours of the sun"),
        html.Div(Picture(hour_map(courses, span, rated_W)), role="img", **extra(aria_labelledby="map-told")),
        html.P(
            f"Each row is a day; the stronger, the nearer to the array's {number(rated_W, 0)} W.",
            className="quiet",
            id="map-told",
        ),
    ]
    curves = laid_over(courses)
    if curves:
        parts += [
            html.H2("The last days laid over each other"),
            html.Div(Picture(curves), role="img", **extra(aria_labelledby="curves-told")),
            html.P(
                "By the sun's own time; the newest day is the strong line, dashed is a clear sky. A dent "
                "that comes back at the same hour is a shade.",
                className="quiet",
                id="curves-told",
            ),
        ]
    return [html.Section(parts)]


def table_section(rows: Sequence[DayRow], span: Span) -> Component:
    """The same as a table, newest first."""
    heads = html.Thead(html.Tr([html.Th(text, scope="col") for text in HEADS]))
    body = [html.Tr([html.Th(day_text(row, span), scope="row"), *cells(row)]) for row in reversed(rows)]
    table = html.Table([heads, html.Tbody(body)], className="plain")
    return html.Section(html.Details([html.Summary("As a table"), html.Div(table, className="wide")]))


def day_text(row: DayRow, span: Span) -> str:
    if span.by_week:
        return f"{local.day_text(row.first, year=True)} on"
    return local.day_text(row.first, weekday=True)


def cells(row: DayRow) -> list[Component]:
    lowest = "—" if row.voltage_min_V is None else f"{number(row.voltage_min_V, 1)} V"
    full = (
        "—"
        if row.full_days is None
        else "yes"
        if row.full_days == row.days == 1
        else str(row.full_days or "no")
    )
    texts = [SKY_WORDS[row.sky]]
    texts += [
        "—" if value is None else energy(value)
        for value in (row.harvest_Wh, row.clear_sky_Wh, row.unused_Wh, row.used_Wh)
    ]
    return [html.Td(text) for text in (*texts, lowest, full)]


PAGE = Page(PATH, "Days", layout)
