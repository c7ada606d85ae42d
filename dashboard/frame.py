"""The HTML around every page: title, icon, style, the links from page to page."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

from dash import html

from dashboard.markup import html_text
from dashboard.pages import PAGES
from dashboard.pages.base import Page
from dashboard.phone import MANIFEST_PATH, Moment
from dashboard.tags import Node
from monitor.site.model import Site

ASSETS = Path(__file__).parent / "assets"

PRESENT: dict[str, Any] = {"aria-current": "page"}
NAMED: dict[str, Any] = {"aria-label": "Pages"}

PLACE = re.compile(r"\{%(\w+)%\}")
"""Where a frame has room for a part, written as Dash writes it."""

LIVE_FRAME = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="data:image/svg+xml,@ICON@">
<link rel="manifest" href="@MANIFEST@">
<link rel="apple-touch-icon" href="/assets/icon-touch-180.png">
<link rel="expect" href="#below" blocking="render">
{%css%}
</head>
<body>
{%app_entry%}
<div id="bars">
<p id="connection" role="alert" hidden></p>
<p id="call-bar" role="status" hidden><span></span><button type="button">Look</button></p>
<p id="sound-bar" role="status" hidden><span></span><button type="button">Be quiet</button></p>
</div>
@NAV@
{%config%}
{%scripts%}
{%renderer%}
</body>
</html>"""
"""Around the page that Dash keeps fresh; Dash fills what stands in braces. Nothing is shown before the bank's
sentence and charge have come (HTML Living Standard, link type 'expect'). What begins at #below the style
sheet holds back until all of it has come, too: half a table would move when its other rows come. The bars
over the links are filled by assets/connection.js when the server falls silent and by assets/call.js while an
alarm calls."""

STILL_FRAME = """<!DOCTYPE html>
<html lang="en"{%look%}>
<head>
<meta charset="UTF-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
{%metas%}
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="data:image/svg+xml,{%icon%}">
<link rel="manifest" href="{%manifest%}">
<link rel="apple-touch-icon" href="/assets/icon-touch-180.png">
<link rel="stylesheet" href="{%style%}">
{%scripts%}
</head>
<body>
{%head%}
{%content%}
{%foot%}
{%bars%}
{%nav%}
</body>
</html>
"""
"""Around a page that needs no script; the one that all have minds the light (assets/phone.js)."""


BARS = '<div id="bars"><p id="connection" role="alert" hidden></p></div>'
"""Over the links of a still page that renews itself."""


def live_frame(page: Page) -> str:
    """The frame of the page that Dash keeps fresh."""
    text = LIVE_FRAME.replace("@ICON@", _icon()).replace("@NAV@", nav(page))
    return text.replace("@MANIFEST@", MANIFEST_PATH)


def still_html(page: Page, site: Site, content: Node, moment: Moment) -> str:
    """The whole answer of a page that needs no script."""
    return framed(title_of(site, page), nav(page), content, moment, script=page.script)


def framed(
    title: str,
    links: str,
    content: Node,
    moment: Moment,
    *,
    script: str = "",
    is_fresh: bool = False,
) -> str:
    """A page that needs no script, with the links to others as HTML; it can do without script, a file in
    ASSETS, too. is_fresh: scripts renew its sections and tell when its server falls silent."""
    more = ("connection.js", "fresh.js") if is_fresh else (script,) if script else ()
    scripts = (*more, "phone.js")  # last, as on the live page: fresh.js hears what it finds out of the phone
    parts = {
        "look": moment.html_attributes,
        "metas": moment.metas,
        "head": moment.head(),
        "foot": moment.foot(still=not is_fresh),
        "bars": BARS if is_fresh else "",
        "title": html_text(title),
        "icon": _icon(),
        "manifest": MANIFEST_PATH,
        "style": asset("page.css"),
        "scripts": "".join(f'<script src="{asset(name)}" defer></script>' for name in scripts),
        "nav": links,
        "content": html_text(content),
    }
    return filled(STILL_FRAME, parts)


def filled(frame: str, parts: Mapping[str, str]) -> str:
    """A frame with its parts in the place of '{%name%}', all in one go: what a person has written may hold
    such marks itself and is never filled in."""
    return PLACE.sub(lambda found: parts[found[1]], frame)


def title_of(site: Site, page: Page) -> str:
    """'Marsh hide: Days'."""
    return f"{site.site.name}: {page.name}"


def nav(present: Page) -> str:
    """The links to all pages, the present one marked, of a part of a page the whole."""
    here = present.under or present.name
    links = [
        html.A(page.name, href=page.path, **(PRESENT if page.name == here else {}))
        for page in PAGES
        if not page.under
    ]
    return html_text(html.Nav(links, **NAMED))


def asset(name: str) -> str:
    """The address of a file in ASSETS; it changes with the file."""
    return f"/assets/{name}?m={(ASSETS / name).stat().st_mtime}"


def _icon() -> str:
    return quote((ASSETS / "icon.svg").read_text(encoding="utf-8"))
