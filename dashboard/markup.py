"""A Dash component tree as the HTML text that a browser shows without any script. Pure.

The first answer of the page and what Dash draws later come from the same tree, so that they cannot differ.
Charts that only a script can draw are left as an empty frame of their size.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import escape
from typing import Any

from dash.development.base_component import Component

from dashboard.field import Field
from dashboard.picture import Picture

VOID = {"br", "hr", "img", "input"}
"""Elements without an end tag (HTML Living Standard, 'void elements')."""

NAMES = {"className": "class", "htmlFor": "for"}
"""Attributes whose name in Dash is not the one in HTML with its capitals dropped."""

SCRIPTED = {"Graph", "Interval", "Store", "Location"}
"""Components of the core library that need scripts. Only a Graph takes room."""


def html_text(node: Any) -> str:
    """The HTML of a component, of a list of them, or of plain text. Raises ValueError for a component that
    HTML alone cannot show and that is not in SCRIPTED."""
    return "".join(_parts(node))


def _parts(node: Any) -> Iterator[str]:
    if node is None:
        return
    if isinstance(node, list | tuple):
        for each in node:
            yield from _parts(each)
    elif isinstance(node, Component):
        yield from _component(node)
    else:
        yield escape(str(node), quote=False)


def _component(node: Component) -> Iterator[str]:
    described = node.to_plotly_json()
    kind, props = described["type"], described["props"]
    if isinstance(node, Picture):
        named = f' id="{escape(props["id"])}"' if "id" in props else ""
        yield f'<div{named} class="frame">{props["svg"]}</div>'
        return
    if isinstance(node, Field):
        yield f"<input{''.join(_attributes(props))}>"
        return
    if described["namespace"] != "dash_html_components":
        if kind not in SCRIPTED:
            raise ValueError(f"{kind} cannot be shown without scripts: give it a form in plain HTML")
        if kind == "Graph":
            yield f'<div class="{escape(props.get("className", ""))}"></div>'
        return
    tag = kind.lower()
    yield f"<{tag}{''.join(_attributes(props))}>"
    if tag not in VOID:
        yield from _parts(props.get("children"))
        yield f"</{tag}>"


def _attributes(props: dict[str, Any]) -> Iterator[str]:
    for name, value in props.items():
        if name in ("children", "key") or value is None or value is False:
            continue
        if name == "style":
            value = ";".join(f"{_hyphened(key)}:{text}" for key, text in value.items())
        written = NAMES.get(name, name.lower())
        yield f" {written}" if value is True else f' {written}="{escape(str(value))}"'


def _hyphened(name: str) -> str:
    return re.sub("[A-Z]", lambda found: f"-{found[0].lower()}", name)
