"""The page 'Plan': what the site file declares the loads to take, beside what was used. No script.

Only what is declared and what was measured stands here so far; autonomy, sizing and 'what if' belong here.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing

from dash import html
from dash.development.base_component import Component

from dashboard.days import energy
from dashboard.notices import unreadable
from dashboard.pages.base import Page, ReaderFactory
from dashboard.plan_rows import USED_DAYS, Plan, take_plan
from dashboard.words import number, unbroken
from monitor.errors import StoreError
from monitor.site.model import Site

PATH = "/plan"
HEADS = ("Load", "Power", "Hours a day", "A day")


def layout(open_reader: ReaderFactory, site: Site, query: Mapping[str, str]) -> Component:
    """The page as of now."""
    header = html.Header([html.H1(site.site.name), html.P("Plan", className="quiet")])
    try:
        with closing(open_reader()) as reader:
            plan = take_plan(reader, site)
    except StoreError as error:
        trouble = unreadable(error, site)
        return html.Main([header, html.Section(trouble, id="lead")])
    lead = [html.P(unbroken(plan.sentence), className="told"), *(html.P(unbroken(t)) for t in plan.beside)]
    return html.Main([header, html.Section(lead, id="lead"), *loads_section(plan), use_section(plan)])


def loads_section(plan: Plan) -> list[Component]:
    """The declared loads, branch by branch."""
    if not plan.branches:
        return []
    heads = html.Thead(html.Tr([html.Th(text, scope="col") for text in HEADS]))
    bodies = [
        html.Tbody(
            [
                html.Tr(
                    [
                        html.Th(f"Branch {branch.name}", scope="rowgroup", colSpan=3),
                        html.Td(html.Strong(unbroken(energy(branch.energy_Wh)))),
                    ]
                ),
                *(
                    html.Tr(
                        [
                            html.Th(load.name, scope="row"),
                            html.Td(unbroken(load.power)),
                            html.Td(load.hours),
                            html.Td(unbroken(energy(load.energy_Wh))),
                        ]
                    )
                    for load in branch.loads
                ),
            ]
        )
        for branch in plan.branches
    ]
    return [
        html.Section([html.H2("The loads as declared"), html.Table([heads, *bodies], className="figures")])
    ]


def use_section(plan: Plan) -> Component:
    """The days on which the use is known, newest first."""
    if not plan.used:
        content: Component = html.P(f"The use is not known for any of the last {USED_DAYS} days.")
    else:
        rows = [
            html.Tr([html.Th(day, scope="row"), html.Td(unbroken(f"{number(used_Wh, 0)} Wh"))])
            for day, used_Wh in plan.used
        ]
        content = html.Details(
            [html.Summary("Day by day"), html.Table(html.Tbody(rows), className="figures")]
        )
    return html.Section([html.H2("What was used"), content])


PAGE = Page(PATH, "Plan", layout)
