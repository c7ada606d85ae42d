"""What a page is to the app."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from dash import Dash, html
from dash.development.base_component import Component

from dashboard.tags import Node
from monitor.records import Request
from monitor.site.model import Site
from monitor.store.base import StoreReader

ReaderFactory = Callable[[], StoreReader]
"""Opens the store for reading; raises StoreError where it cannot. Opened for each answer and closed after
it, so that a store that appears late or was replaced is simply there at the next refresh."""


@dataclass(frozen=True, slots=True)
class Asked:
    """When something is asked for: now, and the moment that the page with the form has shown."""

    now_ms: int
    seen_ms: int


@dataclass(frozen=True, slots=True)
class Ask:
    """Something that a page takes by a form and leaves for the daemon as a request.

    path is where the form is sent. form names the form that was sent, from what it holds: its token is good
    for that form only. request makes the request of what was typed; it raises `forms.Mistyped` for what
    cannot be taken as it is.
    """

    path: str
    form: Callable[[Mapping[str, str]], str]
    request: Callable[[Mapping[str, str], Site, Asked], Request]


@dataclass(frozen=True, slots=True)
class Page:
    """One page: its address, its name, its content when opened, and the callbacks that keep it fresh.

    layout gets the address's query ('?to=...') as well. A page without register stands still: it is plain
    HTML without a script, and a link or the browser's own button renews it. under is the name of the page
    that it is a part of and is found from; script a file in assets that such a still page can do without. The
    layout of a page that takes something (asks) also gets a `forms.Hand`: what its visitor may do now. A page
    with questions has a form that only asks: it leads to the page itself, with what was asked in the address.
    fresh gives the sections that an open page renews by their ids, None for a group that it does not have.
    """

    path: str
    name: str
    layout: Callable[..., Node]
    register: Callable[[Dash, ReaderFactory, Site], None] | None = None
    under: str = ""
    script: str = ""
    asks: tuple[Ask, ...] = ()
    questions: bool = False
    fresh: Callable[[ReaderFactory, Site, str], Mapping[str, Any] | None] | None = None


def extra(**attributes: str) -> dict[str, Any]:
    """HTML attributes with a hyphen (data-, aria-) for a Dash component."""
    return {name.replace("_", "-"): text for name, text in attributes.items()}


FILE_TEXT = "These figures as a file (CSV)"


def file_link(address: str) -> Component:
    """The link under a picture to its figures (`csv_files`)."""
    return html.P(html.A(FILE_TEXT, href=address), className="file")
