"""A Dash component for SVG text, for what the server draws itself: `markup` writes it as it is, and Dash's
renderer does not know it. Dash brings components for every HTML element and none for SVG's.
"""

from __future__ import annotations

from typing import Any, ClassVar

from dash.development.base_component import Component


class Picture(Component):
    """SVG text of our own making, put into the page as it stands: the maker escapes all words in it."""

    _namespace = "nightbank"
    _type = "Picture"
    _children_props: ClassVar[list[str]] = []
    _base_nodes: ClassVar[list[str]] = ["children"]
    _prop_names: ClassVar[list[str]] = ["id", "svg"]
    _valid_wildcard_attributes: ClassVar[list[str]] = []
    available_properties = _prop_names
    available_wildcard_properties = _valid_wildcard_attributes

    def __init__(self, svg: str, id: str | None = None) -> None:  # noqa: A002 - Dash's own name for it
        named: dict[str, Any] = {} if id is None else {"id": id}
        super().__init__(svg=svg, **named)
