"""A framed line before all else on a page: its mark's shape, its frame and its words tell the kind."""

from __future__ import annotations

from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboard.daemon import MARKS, Notice
from dashboard.words import unbroken
from monitor.errors import StoreError
from monitor.site.model import Site

UNSPOKEN: dict[str, Any] = {"aria-hidden": "true"}

UNREADABLE = "The store cannot be read, so there is nothing to show yet."

SERVER_AWAY = (
    "The server that keeps the readings does not answer as it should, so there is nothing to show now. The"
    " monitor goes on meanwhile and keeps what it reads."
)


def notice(item: Notice, *, aloud: bool = True) -> Component:
    """The line of a notice; aloud: an alarm is told at once by a screen reader, anything else when it is at
    rest."""
    role: dict[str, Any] = {"role": "alert" if item.kind == "alarm" else "status"} if aloud else {}
    return html.P(
        [
            html.Span(MARKS[item.kind], className="mark", **UNSPOKEN),
            unbroken(item.text),
            *([html.Span(f" ({item.age})", **UNSPOKEN)] if item.age else []),
        ],
        className=f"notice {item.kind}",
        **role,
    )


def unreadable(error: StoreError, site: Site) -> list[Component]:
    """What a page says that finds no store it can read: why, and what to do."""
    return [
        notice(Notice("store", UNREADABLE if site.store.server is None else SERVER_AWAY)),
        html.P(str(error), className="trouble"),
    ]
