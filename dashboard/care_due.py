"""What is due at bank and array, as the page 'Care' tells it: soonest first, why, and folded away how."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from dashboard.local import day_text, in_form
from dashboard.tags import Tag, html
from dashboard.words import unbroken
from monitor.care_words import due_sentence, water_sentence
from monitor.records import LogKind

CAPACITY_PATH = "/care/capacity"
"""The page that guides through a capacity test."""

WRITE = "write"
"""The name under which the page's address says which form stands open."""


def lead_sentence(told: Mapping[str, Any], today: date) -> str:
    """The document of `care_report` in one sentence."""
    return due_sentence(told["tasks"], lambda day: _day(day, today))


def due_section(told: Mapping[str, Any], today: date, address: str, *, is_open: bool) -> Tag:
    """The acts of care, what is due first. address is the page's; is_open: it takes what is written down."""
    items = [_item(task, today, address if is_open else "") for task in told["tasks"]]
    content = [html.H2("What is due"), html.Ul(items, id="due"), *_looked(told, today)]
    return html.Section(content, className="long")


def _item(task: Mapping[str, Any], today: date, address: str) -> Tag:
    how = [html.P(task["how"]), *(html.P(["Mind: ", text], className="mind") for text in task["cautions"])]
    links = _links(task["kind"], address)
    moves = [html.Div(links, className="moves")] if links else []
    why, water = f"{task['why'][0].upper()}{task['why'][1:]}.", water_sentence(task)
    texts = [html.P(unbroken(in_form(text)), className="quiet") for text in (why, water) if text]
    folded = [html.Summary("How, and what to mind"), *how, *([] if task["is_due"] else moves)]
    title = [html.Strong(task["title"]), ": ", html.Span(_when(task, today), className=_mark(task))]
    parts = [html.P(title), *texts, html.Details(folded), *(moves if task["is_due"] else [])]
    return html.Li(parts, className="change", id=f"due-{task['kind']}")


def _links(kind: str, address: str) -> list[Tag]:
    """Where an act is done or written down; address is '' where nothing can be written."""
    links = [html.A("Step by step", href=CAPACITY_PATH)] if kind == LogKind.CAPACITY else []
    if address:
        links.append(html.A("Write down what was done", href=f"{address}?{WRITE}={kind}#write-{kind}"))
    return links


def _when(task: Mapping[str, Any], today: date) -> str:
    if task["due"] is None:
        return "not known when"
    return "due now" if task["is_due"] else f"by {_day(task['due'], today)}"


def _mark(task: Mapping[str, Any]) -> str:
    return "tag" if task["is_due"] else "quiet"


def _looked(told: Mapping[str, Any], today: date) -> Sequence[Tag]:
    """When the array's days were looked through for dirt on the glass."""
    if not any(task["kind"] == "cleaning" for task in told["tasks"]):
        return []
    if told["looked"] is None:
        return [
            html.P("The array's days were not looked through for dirt on the glass yet.", className="quiet")
        ]
    day = _day(told["looked"], today)
    return [
        html.P(f"The array's days were looked through for dirt on the glass on {day}.", className="quiet")
    ]


def _day(iso: str, today: date) -> str:
    day = date.fromisoformat(iso)
    return day_text(day, year=day.year != today.year)
