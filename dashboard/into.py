"""A Dash component that draws its children into a place of the page that stands: `Into(children, place)`.
Its other half is assets/into.js.

Dash would draw a whole page of its own. Here the page is there before any script, so that only what needs
Dash is drawn by it, at the place where the page has left room.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from dash.development.base_component import Component


class Into(Component):
    """What Dash draws into the element whose id is `place`, in the stead of what stood in it."""

    _namespace = "nightbank"
    _type = "Into"
    _children_props: ClassVar[list[str]] = []
    _base_nodes: ClassVar[list[str]] = ["children"]
    _prop_names: ClassVar[list[str]] = ["children", "place"]
    _valid_wildcard_attributes: ClassVar[list[str]] = []
    available_properties = _prop_names
    available_wildcard_properties = _valid_wildcard_attributes

    def __init__(self, children: Sequence[Component], place: str) -> None:
        super().__init__(children=children, place=place)
