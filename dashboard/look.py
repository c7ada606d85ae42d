"""How the page is lit: light, dark, or at night a dim red that leaves the eyes used to the dark. Pure.

A phone's own choice of light or dark is followed; from sunset to sunrise the page goes to night by itself.
A person may choose otherwise at every page's foot. The choice lies in a cookie, which a link sets without a
script and assets/phone.js at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from urllib.parse import quote

from dash import html
from dash.development.base_component import Component

from dashboard.dusk import Turns
from dashboard.pages.base import extra

COOKIE = "look"
PATH = "/look"
"""The address of the links: it keeps a choice and leads back."""

CHOICES = {"hour": "by the hour", "phone": "as the phone", "night": "night", "day": "day"}
"""What a person may choose: the cookie's value, and the word for it. The first is the usual."""

NO_SUN = "Sunset and sunrise of the site are not known yet: by the hour, it is as the phone."
"""Told under the choices while no outlook and no table of the sun is stored."""

GROUNDS = {"light": "#fbfaf7", "dark": "#101417", "night": "#0c0303"}
"""The page's ground in each light, for the phone's own bars; the style sheet has the same in --ground."""


def choice_of(cookie: str | None) -> str:
    """The choice that a cookie holds, 'hour' where it holds none."""
    return cookie if cookie in CHOICES else "hour"


def worn(choice: str, turns: Turns | None) -> str:
    """How a page is lit now: 'night', 'day' (light) or 'phone' (light or dark, as the phone has it)."""
    if choice != "hour":
        return choice
    return "night" if turns is not None and turns.night else "phone"


def html_attributes(choice: str, turns: Turns | None) -> str:
    """What the html element says of it, for the style sheet and the script."""
    told = "" if turns is None else turns.text()
    return f' data-look="{worn(choice, turns)}" data-choice="{choice}" data-turns="{told}"'


def metas(choice: str, turns: Turns | None) -> str:
    """What the browser needs before the style sheet: the ground behind it and the colour of its own bars."""
    look = worn(choice, turns)
    if look == "phone":
        return (
            '<meta name="color-scheme" content="light dark">'
            f'<meta name="theme-color" content="{GROUNDS["light"]}" media="(prefers-color-scheme: light)">'
            f'<meta name="theme-color" content="{GROUNDS["dark"]}" media="(prefers-color-scheme: dark)">'
        )
    scheme, ground = ("dark", GROUNDS["night"]) if look == "night" else ("light", GROUNDS["light"])
    return f'<meta name="color-scheme" content="{scheme}"><meta name="theme-color" content="{ground}">'


def choices(present: str, back: str) -> Component:
    """The links by which a person chooses; back is the address of the page they stand on."""
    return html.P([html.Span("Light"), *_links(present, back)], id="looks")


def _links(present: str, back: str) -> Iterator[Component]:
    for name, text in CHOICES.items():
        marked: Mapping[str, str] = {"aria_current": "true"} if name == present else {}
        yield html.A(
            text,
            href=f"{PATH}?as={name}&back={quote(back, safe='')}",
            **extra(data_choice=name, **marked),
        )
