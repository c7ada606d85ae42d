"""The alarms that call for an answer, for the browser: it covers the page with the urgent ones and sounds for
these and those of high priority (assets/call.js)."""

from __future__ import annotations

from collections.abc import Sequence

from dashboard.pages.base import extra
from dashboard.summary import AlarmRow
from dashboard.tags import Node, html
from dashboard.words import unbroken
from monitor.alarms.standing import WORST_FIRST


def call_content(alarms: Sequence[AlarmRow]) -> list[Node | str]:
    """What covers the page: the urgent alarms with what to do first; and the names of all that call, not for
    the eye. Empty where nothing calls."""
    calling = [row for row in alarms if row.calls]
    if not calling:
        return []
    urgent = [row for row in calling if row.priority == WORST_FIRST[0]]
    return [*(cover(urgent) if urgent else []), names(calling)]


def cover(urgent: Sequence[AlarmRow]) -> list[Node]:
    title = "Urgent alarm" if len(urgent) == 1 else f"{len(urgent)} urgent alarms"
    answers = [
        html.A("Answer it" if len(urgent) == 1 else "Answer them", href="/alarms", className="button"),
        html.Button("Put aside", id="call-aside", type="button"),
        html.Button("Be quiet", id="call-quiet", type="button"),
    ]
    return [
        html.H2([html.Span("▲ ", **extra(aria_hidden="true")), title], id="call-title"),
        *(html.Div(told(row)) for row in urgent),
        html.P(answers, className="moves"),
    ]


def told(row: AlarmRow) -> list[Node]:
    """What, since when, what to do first."""
    return [
        html.P(unbroken(row.text), className="told"),
        html.P(f"{row.state[0].upper()}{row.state[1:]} ({row.lasting})."),
        *([html.P([html.Strong("First: "), row.do_first])] if row.do_first else []),
    ]


def names(calling: Sequence[AlarmRow]) -> Node:
    """One raising of one alarm has one key, so that what a person put aside comes back when it comes anew."""
    rows = [
        html.Li(row.name, **extra(data_call=f"{row.name} {row.raised_ms}", data_priority=row.priority))
        for row in calling
    ]
    return html.Ul(rows, id="calling", hidden=True)
