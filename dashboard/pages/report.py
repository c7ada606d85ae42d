"""A period on one printed A4 sheet, as a part of 'Days'. The style sheet's part for print makes it black on
white and leaves out what a sheet of paper cannot use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import closing
from typing import TYPE_CHECKING

from dashboard.day_pictures import LETTERS, MOST_LETTERS, energy_unit, harvest_picture
from dashboard.days import PERIODS, Span, asked_span
from dashboard.local import clock, day_text
from dashboard.notices import unreadable
from dashboard.pages.base import Page, ReaderFactory, extra
from dashboard.pages.days import PATH as DAYS_PATH
from dashboard.pages.days import REPORT_PATH as PATH
from dashboard.picture import Picture
from dashboard.tags import Tag, html
from dashboard.time_marks import days_text
from dashboard.words import nominal, number, unbroken
from monitor.day_rows import SKY_WORDS
from monitor.errors import StoreError
from monitor.present import now_of
from monitor.records import to_datetime
from monitor.site.model import Site

if TYPE_CHECKING:
    from dashboard.report import Report


def address(span: Span) -> str:
    """The address of a span's sheet."""
    return f"{PATH}?to={span.last.isoformat()}&days={span.days}"


def layout(open_reader: ReaderFactory, site: Site, query: Mapping[str, str]) -> Tag:
    """The sheet for the span that its address names."""
    from dashboard.report import take_report  # not at the start of a process that may never be asked

    try:
        with closing(open_reader()) as reader:
            now = to_datetime(now_of(reader).time_ms).astimezone(site.site.zone)
            report = take_report(reader, site, asked_span(query, now.date()))
    except StoreError as error:
        trouble = unreadable(error, site)
        return html.Main([html.H1(site.site.name), html.Section(trouble, id="lead")])
    bank = site.bank
    rating = f"{nominal(bank.voltage_V)}, {number(bank.capacity_Ah, 0)} Ah"
    made = f"Made on {day_text(now, year=True)} at {clock(now)}"
    return html.Main(
        [
            html.Header([html.H1(site.site.name), html.P(f"Bank: {rating}", className="quiet")]),
            lead(report),
            html.Section(
                [
                    html.P(
                        "Print it with the browser’s own menu: it fits on one A4 sheet.", className="quiet"
                    ),
                    html.P(links(report.span), className="moves"),
                ],
                className="screen-only",
                **extra(aria_label="Which days"),
            ),
            harvest(report),
            figures(report),
            html.Div(
                [
                    listed("What was raised", report.alarms),
                    html.Div(
                        [
                            listed("What was done", report.done),
                            listed(f"What is due, as of {day_text(now)}", report.due),
                        ]
                    ),
                ],
                className="two",
            ),
            html.P(f"{made} from the readings of this site by Nightbank.", className="quiet", id="made"),
        ],
        className="report",
    )


def lead(report: Report) -> Tag:
    first, *others = report.told
    span = report.span
    return html.Section(
        [
            html.H2(days_text(span.first, span.last)),
            html.P(unbroken(first), className="told"),
            html.P(unbroken(" ".join(others))),
        ],
        id="lead",
    )


def links(span: Span) -> list[Tag]:
    """The same sheet for other lengths, and the way back."""
    found = [
        html.Strong(name) if days == span.days else html.A(name, href=address(span.of_length(days)))
        for days, name in PERIODS.items()
    ]
    back = f"{DAYS_PATH}?to={span.last.isoformat()}&days={span.days}"
    return [html.A("← Days", href=back), html.A("Earlier", href=address(span.beside(-1))), *found]


def harvest(report: Report) -> Tag:
    rows = report.rows
    each, (unit, _) = "week" if report.span.by_week else "day", energy_unit(rows)
    kinds = [kind for kind in LETTERS if any(row.sky == kind for row in rows)]
    legend = ", ".join(f"{LETTERS[kind]} {SKY_WORDS[kind]}" for kind in kinds)
    if len(rows) > MOST_LETTERS:
        legend += " (a letter holds until the next)"
    return html.Section(
        [
            html.H2(f"What the array gave by {each}, in {unit}"),
            html.Div(Picture(harvest_picture(rows)), role="img", **extra(aria_labelledby="lead")),
            html.P(
                f"Bars: what came, pale what the full bank left. Frames: a clear sky. {legend}.",
                className="quiet",
            ),
        ]
    )


def figures(report: Report) -> Tag:
    rows = [
        html.Tr([html.Th(label, scope="row"), html.Td(unbroken(value))]) for label, value in report.figures
    ]
    content = [html.H2("Figures"), html.Table(html.Tbody(rows), className="sheet")]
    if report.unknown:
        content.append(html.P(f"Not known: {', '.join(report.unknown)}.", className="quiet"))
    return html.Section(content)


def listed(title: str, lines: Sequence[str]) -> Tag:
    items = [html.Li(unbroken(line)) for line in lines]
    return html.Section([html.H2(title), html.Ul(items, className="basis")])


PAGE = Page(PATH, "Report", layout, under="Days")
