"""What a page is to the app."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from dash import Dash
from dash.development.base_component import Component

from monitor.site.model import Site
from monitor.store.base import StoreReader

ReaderFactory = Callable[[], StoreReader]
"""Opens the store for reading; raises StoreError where it cannot. Opened for each answer and closed after
it, so that a store that appears late or was replaced is simply there at the next refresh."""


@dataclass(frozen=True, slots=True)
class Page:
    """One page: its address, its name, its content when opened, and the callbacks that keep it fresh."""

    path: str
    name: str
    layout: Callable[[ReaderFactory, Site], Component]
    register: Callable[[Dash, ReaderFactory, Site], None]
