"""What a page is to the app."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from dash import Dash
from dash.development.base_component import Component

from monitor.site.model import Site
from monitor.store.base import StoreReader

ReaderFactory = Callable[[], StoreReader]
"""Opens the store for reading; raises StoreError where it cannot. Opened for each answer and closed after
it, so that a store that appears late or was replaced is simply there at the next refresh."""


@dataclass(frozen=True, slots=True)
class Page:
    """One page: its address, its name, its content when opened, and the callbacks that keep it fresh.

    layout gets the address's query ('?to=...') as well. A page without register stands still: it is plain
    HTML without a script, and a link or the browser's own button renews it. under is the name of the page
    that it is a part of and is found from; script a file in assets that such a still page can do without.
    """

    path: str
    name: str
    layout: Callable[[ReaderFactory, Site, Mapping[str, str]], Component]
    register: Callable[[Dash, ReaderFactory, Site], None] | None = None
    under: str = ""
    script: str = ""


def extra(**attributes: str) -> dict[str, Any]:
    """HTML attributes with a hyphen (data-, aria-) for a Dash component."""
    return {name.replace("_", "-"): text for name, text in attributes.items()}
