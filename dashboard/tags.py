"""HTML elements for what Dash never draws: `html.Div(...)` as with `dash.html`, in a tenth of its time.

Dash's components check each attribute and carry the whole machinery of a live page; a page of links and
tables has some two hundred of them, which took longer to make than its figures. `markup` writes both. Pure.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from dash.development.base_component import Component


class Tag:
    """An element: its name, what stands in it, its attributes as `dash.html` names them."""

    __slots__ = ("children", "name", "props")

    def __init__(self, name: str, children: Any, props: dict[str, Any]) -> None:
        self.name, self.children, self.props = name, children, props


Node = Component | Tag
"""An element of either kind."""


class _Html:
    """`html.Th("x", scope="row")` makes a Tag of the name 'th'."""

    def __getattr__(self, name: str) -> Callable[..., Tag]:
        tag = name.lower()

        def make(children: Any = None, **props: Any) -> Tag:
            return Tag(tag, children, props)

        setattr(self, name, make)
        return make


html = _Html()
