"""The page 'Alarms': what stands and what to do first, what has happened, how the alarms do. No script."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing

from dash import html
from dash.development.base_component import Component

from dashboard.alarm_rows import FIGURES_DAYS, Alarms, Standing, take_alarms
from dashboard.pages.base import Page, ReaderFactory, extra
from dashboard.words import unbroken
from monitor.errors import StoreError
from monitor.site.load import with_defaults
from monitor.site.model import Site

PATH = "/alarms"
FIGURE_HEADS = ("Figure", "Found", "Aim")


def layout(open_reader: ReaderFactory, site: Site, query: Mapping[str, str]) -> Component:
    """The page as of now."""
    header = html.Header([html.H1(site.site.name), html.P("Alarms", className="quiet")])
    try:
        with closing(open_reader()) as reader:
            alarms = take_alarms(reader, with_defaults(site)[0])
    except StoreError as error:
        trouble = [html.P("The store cannot be read.", className="sentence"), html.P(str(error))]
        return html.Main([header, html.Section(trouble, id="lead")])
    lead = [html.P(alarms.sentence, className="told"), *(html.P(unbroken(text)) for text in alarms.aside)]
    return html.Main(
        [
            header,
            html.Section(lead, id="lead"),
            html.Div([*standing_section(alarms), watched_section(alarms)], className="column"),
            html.Div([history_section(alarms), figures_section(alarms)], className="column"),
        ]
    )


def standing_section(alarms: Alarms) -> list[Component]:
    if not alarms.standing:
        return []
    return [html.Section([html.H2("Standing"), html.Ul([standing_item(each) for each in alarms.standing])])]


def standing_item(each: Standing) -> Component:
    """What stands, what to do first, what to mind."""
    parts: list[Component] = [
        html.Strong(unbroken(each.text)),
        html.Small(f"{each.priority} priority, {each.state} ({each.lasting})"),
    ]
    if each.do_first:
        parts.append(html.P(["First: ", each.do_first], className="first-thing"))
    if each.caution:
        parts.append(html.P(["Mind: ", each.caution], className="mind"))
    return html.Li(parts, className="alarm", **extra(data_alarm=each.name))


def history_section(alarms: Alarms) -> Component:
    if not alarms.history:
        content: Component = html.P(f"Nothing has changed in the last {FIGURES_DAYS} days.")
    else:
        content = html.Ul(
            [
                html.Li(
                    [
                        html.Span(f"{each.time}  ", className="quiet"),
                        html.Strong(each.cause),
                        html.Small([unbroken(each.text), f", by {each.by}" if each.by else ""]),
                    ],
                    className="change",
                )
                for each in alarms.history
            ],
            id="history",
        )
    return html.Section([html.H2("What has happened"), content])


def watched_section(alarms: Alarms) -> Component:
    names = html.Ul([html.Li(name) for name in alarms.quiet])
    return html.Section(html.Details([html.Summary(f"{len(alarms.quiet)} watched and quiet"), names]))


def figures_section(alarms: Alarms) -> Component:
    """How the alarms do, each figure beside what is aimed at."""
    heads = html.Thead(html.Tr([html.Th(text, scope="col") for text in FIGURE_HEADS]))
    body = html.Tbody(
        [
            html.Tr([html.Th(label, scope="row"), html.Td(value), html.Td(aim)])
            for label, value, aim in alarms.figures
        ]
    )
    return html.Section(
        [
            html.H2(f"How they do, {alarms.days} {'day' if alarms.days == 1 else 'days'}"),
            html.Table([heads, body], className="figures"),
        ]
    )


PAGE = Page(PATH, "Alarms", layout)
