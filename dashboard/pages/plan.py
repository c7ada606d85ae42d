"""The page 'Plan': what the site file declares the loads to take, beside what was used. No script.

How long the bank lasts stands between them; sizing and 'what if' are the command's, and belong here too.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing

from dash import html
from dash.development.base_component import Component

from dashboard.days import energy
from dashboard.notices import unreadable
from dashboard.pages.base import Page, ReaderFactory
from dashboard.plan_rows import Plan, take_plan
from dashboard.words import number, unbroken
from monitor.errors import StoreError
from monitor.plan.whole import Lasting
from monitor.plan_known import USED_DAYS
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
    sections = [*lasting_section(plan), *loads_section(plan), use_section(plan)]
    return html.Main([header, html.Section(lead, id="lead"), *sections])


def lasting_section(plan: Plan) -> list[Component]:
    """How long the bank lasts down to its reserve: without sun, worn out, with the next days' sun."""
    if not plan.lasting:
        return []
    rows = [
        html.Tr([html.Th(each.title, scope="row"), html.Td(unbroken(nights_text(each)))])
        for each in plan.lasting
    ]
    more = "Sizes of bank and array, step by step, and what if: “nightbank plan” and the site file tell them."
    content = [html.Table(html.Tbody(rows), className="figures"), html.P(more, className="quiet")]
    return [html.Section([html.H2("How long the bank lasts"), *content])]


def nights_text(lasting: Lasting) -> str:
    """'3.4 nights', or that the array keeps up, or that it is not known."""
    if lasting.keeps_up:
        return "the array keeps up"
    return "not known" if lasting.nights is None else f"{number(lasting.nights, 1)}\N{NO-BREAK SPACE}nights"


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
