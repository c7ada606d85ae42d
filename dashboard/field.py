"""A Dash component for an HTML input: Dash itself brings one only with scripts."""

from __future__ import annotations

from typing import Any, ClassVar

from dash.development.base_component import Component


class Field(Component):
    """An HTML input, for pages without scripts: `markup` knows it, Dash's renderer does not."""

    _namespace = "nightbank"
    _type = "Field"
    _children_props: ClassVar[list[str]] = []
    _base_nodes: ClassVar[list[str]] = []
    _prop_names: ClassVar[list[str]] = [
        "id", "type", "name", "value", "required", "checked", "autoComplete", "autoFocus", "inputMode",
        "maxLength", "min", "max", "step", "placeholder", "className",
    ]  # fmt: skip
    _valid_wildcard_attributes: ClassVar[list[str]] = ["aria-"]
    available_properties = _prop_names
    available_wildcard_properties = _valid_wildcard_attributes

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
