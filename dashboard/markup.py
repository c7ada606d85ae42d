"""A tree of Dash's components, or of our own `tags`, as the HTML that a browser shows without a script. Pure.

The first answer of the page and what Dash draws later come from the same tree, so that they cannot differ.
Charts that only a script can draw are left as an empty frame of their size.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from html import escape
from typing import Any

from dash.development.base_component import Component

from dashboard.field import Field
from dashboard.picture import Picture
from dashboard.tags import Tag

VOID = {"br", "hr", "img", "input"}
"""Elements without an end tag (HTML Living Standard, 'void elements')."""

NAMES = {"className": "class", "htmlFor": "for"}
"""Attributes whose name in Dash is not the one in HTML with its capitals dropped."""

UNWRITTEN = {"children", "key"}
"""What a component has beside its attributes."""

SCRIPTED = {"Graph", "Interval", "Store", "Location"}
"""Components of the core library that need scripts. Only a Graph takes room."""


def html_text(node: Any) -> str:
    """The HTML of a component, of a list of them, or of plain text. Raises ValueError for a component that
    HTML alone cannot show and that is not in SCRIPTED."""
    parts: list[str] = []
    _write(node, parts)
    return "".join(parts)


def _write(node: Any, parts: list[str]) -> None:
    kind = type(node)
    if kind is str:
        parts.append(escape(node, quote=False))
    elif kind is Tag:
        _write_tag(node.name, node.children, node.props, parts)
    elif node is None:
        return
    elif kind is list or kind is tuple:
        for each in node:
            _write(each, parts)
    elif isinstance(node, Component):
        _write_component(node, parts)
    else:
        parts.append(escape(str(node), quote=False))


def _write_component(node: Component, parts: list[str]) -> None:
    kind, props = node._type, _props(node)
    if isinstance(node, Picture):
        named = f' id="{escape(props["id"])}"' if "id" in props else ""
        parts.append(f'<div{named} class="frame">{props["svg"]}</div>')
    elif isinstance(node, Field):
        parts.append(f"<input{_attributes(props)}>")
    elif node._namespace != "dash_html_components":
        if kind not in SCRIPTED:
            raise ValueError(f"{kind} cannot be shown without scripts: give it a form in plain HTML")
        if kind == "Graph":
            parts.append(f'<div class="{escape(props.get("className", ""))}"></div>')
    else:
        _write_tag(kind.lower(), props.get("children"), props, parts)


def _props(node: Component) -> dict[str, Any]:
    """What a component was given, in the library's order; in a third of the time of its own way to JSON."""
    given = vars(node)
    props = {name: given[name] for name in node._prop_names if name in given}
    return props | {name: value for name, value in given.items() if name[:5] in ("data-", "aria-")}


def _write_tag(name: str, children: Any, props: Mapping[str, Any], parts: list[str]) -> None:
    parts.append(f"<{name}{_attributes(props)}>")
    if name not in VOID:
        _write(children, parts)
        parts.append(f"</{name}>")


def _attributes(props: Mapping[str, Any]) -> str:
    text = ""
    for name, value in props.items():
        if value is None or value is False or name in UNWRITTEN:
            continue
        if name == "style":
            value = ";".join(f"{_hyphened(key)}:{each}" for key, each in value.items())
        written = NAMES.get(name) or name.lower()
        text += f" {written}" if value is True else f' {written}="{escape(str(value))}"'
    return text


def _hyphened(name: str) -> str:
    return re.sub("[A-Z]", lambda found: f"-{found[0].lower()}", name)
