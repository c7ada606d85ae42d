"""The page 'Days': harvest against the sky, the bank's lowest points, the hours of the sun, as far back as
the store goes. It needs no script; its address holds what is shown, to be kept and gone back to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import closing
from datetime import date, timedelta

from dash.development.base_component import Component

from dashboard import local
from dashboard.csv_files import DAYS, HOURS, days_address
from dashboard.dark_times import dark_times, take_dark_times
from dashboard.day_pictures import LETTERS, MOST_LETTERS, energy_unit, harvest_picture, lowest_picture
from dashboard.days import PERIODS, Span, asked_span, energy, sentences, take_days
from dashboard.notices import unreadable
from dashboard.pages.base import Page, ReaderFactory, extra, file_link
from dashboard.picture import Picture
from dashboard.strips import choices as choices_of
from dashboard.sun_pictures import Course, hour_map, laid_over, take_courses
from dashboard.tags import Tag, html
from dashboard.time_marks import days_text
from dashboard.view import PATH as CLOSER_PATH
from dashboard.words import number, percent, unbroken
from monitor.day_rows import SKY_WORDS, DayRow
from monitor.errors import StoreError
from monitor.present import now_of
from monitor.records import to_datetime
from monitor.site.model import Site

PATH, REPORT_PATH = "/days", "/days/report"
HARVESTED = ("array_power_W", "charge_power_W", "charge_current_A")
HEADS = ("Day", "Sky", "Came", "Clear sky", "Unused", "Used", "Lowest", "Full")


def layout(open_reader: ReaderFactory, site: Site, query: Mapping[str, str]) -> Tag:
    """The page for the span that its address names."""
    header = html.Header([html.H1(site.site.name), html.P("Days", className="quiet")])
    try:
        with closing(open_reader()) as reader:
            today = to_datetime(now_of(reader).time_ms).astimezone(site.site.zone).date()
            span = asked_span(query, today)
            rows = take_days(reader, site, span)
            there = choices_of(reader.latest())
            skies = {row.first: row.sky for row in rows}
            courses = take_courses(reader, site, span, skies) if site.array is not None else ()
            dark = take_dark_times(reader, site, span)
    except StoreError as error:
        trouble = unreadable(error, site)
        return html.Main([header, html.Section(trouble, id="lead")])
    return html.Main(
        [
            header,
            html.Section(told(rows), id="lead"),
            choices(span, today),
            html.Div(
                [*harvest_section(rows, span, there), *lowest_section(rows, span, site)], className="column"
            ),
            html.Div(
                [*hours_section(courses, span, site), *dark_times(dark), table_section(rows, span, there)],
                className="column",
            ),
        ]
    )


def closer(first: date, end: date, quantity: str | None) -> str:
    """The address of a closer look at the days before `end`."""
    named = "" if quantity is None else f"quantity={quantity}&"
    return f"{CLOSER_PATH}?{named}from={first.isoformat()}&to={end.isoformat()}"


def harvested(there: Sequence[str]) -> str | None:
    """What shows best how a harvest came, of what is read here."""
    return next((name for name in HARVESTED if name in there), None)


def told(rows: Sequence[DayRow]) -> Tag:
    """What the days say together, the first sentence in large."""
    first, *others = sentences(rows)
    return html.Div(
        [html.P(unbroken(first), className="told"), *(html.P(unbroken(text)) for text in others)],
        id="days-told",
    )


def choices(span: Span, today: date) -> Tag:
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
    return html.Section(
        [
            html.H2(days_text(span.first, span.last)),
            html.P(moves, className="moves"),
            html.P(lengths, className="moves lengths"),
            html.P(
                html.A(
                    "On one sheet, to print",
                    href=f"{REPORT_PATH}?to={span.last.isoformat()}&days={span.days}",
                ),
                className="file",
            ),
        ],
        **extra(aria_label="Which days"),
    )


def link(text: str, span: Span) -> Tag:
    return html.A(text, href=f"{PATH}?to={span.last.isoformat()}&days={span.days}")


def harvest_section(rows: Sequence[DayRow], span: Span, there: Sequence[str]) -> list[Tag | Component]:
    kinds = [kind for kind in LETTERS if any(row.sky == kind for row in rows)]
    legend = ", ".join(f"{LETTERS[kind]} {SKY_WORDS[kind]}" for kind in kinds)
    if len(rows) > MOST_LETTERS:
        legend += " (a letter holds until the next)"
    each, (unit, _), quantity = "week" if span.by_week else "day", energy_unit(rows), harvested(there)
    drawn = harvest_picture(rows, lambda row: closer(row.first, span.end_of(row), quantity))
    return [
        html.Section(
            [
                html.H2(f"What the array gave by {each}, in {unit}"),
                html.Div(Picture(drawn), role="group", **extra(aria_labelledby="days-told")),
                html.P(
                    f"Bars: what came, pale what the full bank left. Frames: a clear sky. {legend}."
                    f" A tap on a {each} looks closer.",
                    className="quiet",
                ),
                file_link(days_address(DAYS, span)),
            ]
        )
    ]


def lowest_section(rows: Sequence[DayRow], span: Span, site: Site) -> list[Tag]:
    if all(row.soc_min is None for row in rows):
        return []
    reserve = site.bank.reserve_soc
    drawn = lowest_picture(rows, reserve, lambda row: closer(row.first, span.end_of(row), "state_of_charge"))
    return [
        html.Section(
            [
                html.H2("The bank's lowest charge"),
                html.Div(Picture(drawn), role="group", **extra(aria_labelledby="days-told")),
                html.P(
                    "The pale bars: where it lies 19 times in 20. A filled dot: the bank got full. The dashed"
                    f" line: the reserve of {percent(reserve)}.",
                    className="quiet",
                ),
            ]
        )
    ]


def hours_section(courses: Sequence[Course], span: Span, site: Site) -> list[Tag | Component]:
    if not courses or site.array is None:
        return []
    rated_W = site.array.power_W
    drawn = hour_map(
        courses, span, rated_W, lambda day: closer(day, day + timedelta(days=1), "array_power_W")
    )
    parts: list[Tag | Component] = [
        html.H2("The hours of the sun"),
        html.Div(Picture(drawn), role="group", **extra(aria_labelledby="map-told")),
        html.P(
            f"Each row is a day; the stronger, the nearer to the array's {number(rated_W, 0)} W.",
            className="quiet",
            id="map-told",
        ),
        file_link(days_address(HOURS, span)),
    ]
    curves = laid_over(courses)
    if curves:
        parts += [
            html.H2("The last days laid over each other"),
            html.Div(Picture(curves), role="group", **extra(aria_labelledby="curves-told")),
            html.P(
                "By the sun's own time; the newest day is the strong line, dashed is a clear sky. A dent "
                "that comes back at the same hour is a shade.",
                className="quiet",
                id="curves-told",
            ),
        ]
    return [html.Section(parts)]


def table_section(rows: Sequence[DayRow], span: Span, there: Sequence[str]) -> Tag:
    """The same as a table, newest first; each row leads to a closer look."""
    quantity = harvested(there)
    heads = html.Thead(html.Tr([html.Th(text, scope="col") for text in HEADS]))
    body = [
        html.Tr(
            [
                html.Th(
                    html.A(day_text(row, span), href=closer(row.first, span.end_of(row), quantity)),
                    scope="row",
                ),
                *cells(row),
            ]
        )
        for row in reversed(rows)
    ]
    table = html.Table([heads, html.Tbody(body)], className="plain linked")
    return html.Section(html.Details([html.Summary("As a table"), html.Div(table, className="wide")]))


def day_text(row: DayRow, span: Span) -> str:
    if span.by_week:
        return f"{local.day_text(row.first, year=True)} on"
    return local.day_text(row.first, weekday=True)


def cells(row: DayRow) -> list[Tag]:
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
    return [html.Td(unbroken(text)) for text in (*texts, lowest, full)]


PAGE = Page(PATH, "Days", layout)
