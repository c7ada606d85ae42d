"""The page 'Plan': how long the bank lasts, dark nights by month, what is drawn and was used, what if.

It shows the document of `nightbank plan`, for what its address asks. No script: what if is a form whose
answer is the page itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import closing
from typing import Any

from dashboard.days import energy
from dashboard.field import Field
from dashboard.forms import Mistyped, labelled
from dashboard.local import in_form, marked
from dashboard.notices import unreadable
from dashboard.pages.base import Page, ReaderFactory, extra
from dashboard.plan_rows import (
    ADD,
    BATTERIES,
    LONGEST_ADD,
    MONTH,
    MOST_MORE,
    PANELS,
    Plan,
    question_of,
    take_plan,
    unknown_use,
)
from dashboard.tags import Tag, html
from dashboard.words import unbroken
from monitor.errors import StoreError
from monitor.plan_known import USED_DAYS
from monitor.plan_words import MONTHS, season_words
from monitor.site.model import Site

PATH = "/plan"
HEADS = ("Load", "Power", "Hours a day", "A day")

SHADES = (0.02, 0.1, 0.3, 0.6)
"""From these chances on a month is shaded more strongly (our choice)."""


def layout(open_reader: ReaderFactory, site: Site, query: Mapping[str, str]) -> Tag:
    """The page as of now, and as it would be with what the address asks."""
    header = html.Header([html.H1(site.site.name), html.P("Plan", className="quiet")])
    fault: Mistyped | None = None
    try:
        question = question_of(query)
    except Mistyped as error:
        fault, question = error, question_of({})
    try:
        with closing(open_reader()) as reader:
            plan = take_plan(reader, site, question)
    except StoreError as error:
        trouble = unreadable(error, site)
        return html.Main([header, html.Section(trouble, id="lead")])
    lead = []
    if fault is not None:
        lead.append(html.P(str(fault), className="notice alarm", role="alert", id="fault"))
    lead.append(html.P(unbroken(plan.sentence), className="told"))
    if plan.what_if:
        lead.append(html.P(unbroken(plan.what_if), className="told", id="what-if-told"))
    lead += [html.P(unbroken(text)) for text in plan.beside]
    return html.Main(
        [
            header,
            html.Section(lead, id="lead"),
            html.Div([*lasting_section(plan), *dark_section(plan)], className="column"),
            what_if_section(plan, site, query, fault),
            html.Div([*loads_section(plan), use_section(plan)], className="column"),
            *sizes_section(plan),
            mind_section(plan),
        ],
        className="plan",
    )


def lasting_section(plan: Plan) -> list[Tag]:
    """How long the bank lasts down to its reserve: without sun, worn out, with the sun of days and months."""
    if not plan.lasting:
        return []
    heads = html.Thead(html.Tr([html.Td(), html.Th("As it is", scope="col"), html.Th("Then", scope="col")]))
    rows = [
        html.Tr(
            [
                html.Th(each.title, scope="row"),
                html.Td(unbroken(each.now)),
                *([html.Td(unbroken(each.then))] if plan.what_if else []),
            ]
        )
        for each in plan.lasting
    ]
    table = html.Table([*([heads] if plan.what_if else []), html.Tbody(rows)], className="figures")
    return [html.Section([html.H2("How long the bank lasts"), table])]


def dark_section(plan: Plan) -> list[Tag]:
    """The chance of at least one night by month at which the bank comes down to its reserve."""
    if not plan.dark_told:
        return []
    cells = [
        html.Li(
            [
                html.Span(month, className="quiet"),
                html.Strong(unbroken(f"{now} → {then}" if then and then != now else now)),
            ],
            className=f"dark-{sum(chance >= least for least in SHADES)}",
        )
        for month, now, then, chance in plan.dark
    ]
    content: list[Tag] = [html.P(unbroken(plan.dark_told))]
    if cells:
        content.append(html.Ul(cells, className="months"))
    if any(month.endswith("*") for month, *_ in plan.dark):
        content.append(html.P("*: supposing the sky of other months.", className="quiet"))
    return [html.Section([html.H2("Nights down to the reserve"), *content], id="dark")]


def what_if_section(plan: Plan, site: Site, query: Mapping[str, str], fault: Mistyped | None) -> Tag:
    """The form that asks for the page as it would be."""
    wrong = "" if fault is None else fault.field
    months = [html.Option("the one with the least sun", value="")]
    months += [
        html.Option(name, value=str(number), selected=query.get(MONTH) == str(number))
        for number, name in enumerate(MONTHS[1:], 1)
    ]
    more = {"type": "number", "min": "0", "max": str(MOST_MORE), "inputMode": "numeric"}
    add = _field(ADD, query, wrong, type="text", maxLength=str(LONGEST_ADD))
    fields: list[Any] = [labelled("Another load", add, "such as 6 x 2 W lamps 4 h, or 60 W drill 0.5 h AC")]
    if site.array is not None:
        series = _in_series(site.array.panels_in_series, "panel", "panels")
        fields.append(labelled("More strings of panels", _field(PANELS, query, wrong, **more), series))
    volts = marked(f"{site.bank.unit_voltage_V:g}")
    batteries = _in_series(site.bank.units_in_series, f"battery of {volts} V", f"batteries of {volts} V each")
    fields.append(labelled("More strings of batteries", _field(BATTERIES, query, wrong, **more), batteries))
    if site.array is not None:
        fields.append(labelled("Month to plan for", html.Select(months, name=MONTH)))
    asked = any(query.get(name, "").strip() not in ("", "0") for name in (ADD, PANELS, BATTERIES, MONTH))
    form = html.Form([*fields, html.Button("Tell me", className="main")], action=PATH, method="get")
    again = [html.Div(html.A("As it is", href=PATH), className="moves")] if asked else []
    folded = html.Details([html.Summary("What if"), form], open=asked or fault is not None, id="what-if")
    return html.Section([folded, *again])


def _in_series(count: int, one: str, more: str) -> str:
    return f"a string is one {one}" if count == 1 else f"a string is {count} {more}"


def _field(name: str, query: Mapping[str, str], wrong: str, **attributes: Any) -> Field:
    """A field as it was typed; the one to be mended is marked."""
    marks = extra(aria_invalid="true") if name == wrong else {}
    return Field(name=name, value=query.get(name, "")[: LONGEST_ADD + 1], **attributes, **marks)


def loads_section(plan: Plan) -> list[Tag]:
    """The declared loads, branch by branch, and what is drawn beside them."""
    if not plan.branches:
        return []
    heads = html.Thead(html.Tr([html.Th(text, scope="col") for text in HEADS]))
    bodies = [
        html.Tbody(
            [
                html.Tr(
                    [
                        html.Th(
                            [
                                f"Branch {branch.name}",
                                html.Small(unbroken(branch.used)) if branch.used else "",
                            ],
                            scope="rowgroup",
                            colSpan=3,
                        ),
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
    sums = html.Tbody(
        [
            html.Tr([html.Th(name, scope="row", colSpan=3), html.Td(unbroken(energy(energy_Wh)))])
            for name, energy_Wh in plan.rows
        ]
    )
    table = html.Table([heads, *bodies, sums], className="figures")
    unknown = unknown_use(plan.told["branches"])
    beside = [html.P(unknown, className="quiet")] if unknown else []
    return [html.Section([html.H2("The loads as declared"), table, *beside])]


def use_section(plan: Plan) -> Tag:
    """The days on which the use is known, newest first."""
    if not plan.used:
        content = html.P(f"The use is not known for any of the last {USED_DAYS} days.")
    else:
        rows = [html.Tr([html.Th(day, scope="row"), html.Td(unbroken(used))]) for day, used in plan.used]
        told = "Day by day, and how many times what is declared"
        content = html.Details([html.Summary(told), html.Table(html.Tbody(rows), className="figures")])
    return html.Section([html.H2("What was used"), content])


def sizes_section(plan: Plan) -> list[Tag]:
    """What bank and array should be, step by step with sources, folded away."""
    sized = plan.told["what_if"] or plan.told["plan"]
    if sized is None:
        return []
    sources: Sequence[str] = list(dict.fromkeys(step["source"] for step in sized["steps"]))
    rows = [
        html.Tr(
            [
                html.Th(
                    [step["title"], html.Small(_words(step, sources.index(step["source"]) + 1))], scope="row"
                ),
                html.Td(unbroken(_value(step))),
            ]
        )
        for step in sized["steps"]
    ]
    seasons = [html.P(unbroken(in_form(text))) for text in season_words(plan.told)]
    listed = html.Ol([html.Li(in_form(source)) for source in sources], className="quiet sources")
    table = html.Table(html.Tbody(rows), className="figures")
    head = "Sizes step by step, with that" if plan.what_if else "Sizes step by step"
    folded = html.Details([html.Summary(head), *seasons, table, html.H2("Where this is from"), listed])
    return [html.Section(folded, id="sizes")]


def _value(step: Mapping[str, Any]) -> str:
    if step["value"] is None:
        return "–"  # its words tell why
    return in_form(f"{step['value']:.4g} {step['unit']}".rstrip())


def _words(step: Mapping[str, Any], source: int) -> str:
    return unbroken(f"{in_form(step['words'])} [{source}]")


def mind_section(plan: Plan) -> Tag:
    """What is to be minded, folded away."""
    texts = [html.Li(in_form(text)) for text in (*plan.told["notes"], *plan.told["cautions"])]
    return html.Section(html.Details([html.Summary("Mind"), html.Ul(texts)]))


PAGE = Page(PATH, "Plan", layout, questions=True)
