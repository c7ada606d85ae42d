"""The HTML around every page: title, icon, style, the links from page to page."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote

from dash import html
from dash.development.base_component import Component

from dashboard.markup import html_text
from dashboard.pages import PAGES
from dashboard.pages.base import Page
from dashboard.phone import MANIFEST_PATH, Moment
from monitor.site.model import Site

ASSETS = Path(__file__).parent / "assets"

LIVE_FRAME = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="data:image/svg+xml,@ICON@">
<link rel="manifest" href="@MANIFEST@">
<link rel="apple-touch-icon" href="/assets/icon-touch-180.png">
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
"""Around the page that Dash keeps fresh; Dash fills what stands in braces. The bars over the links
are filled by assets/connection.js when the server falls silent and by assets/call.js while an alarm calls."""

STILL_FRAME = """<!DOCTYPE html>
<html lang="en"@LOOK@>
<head>
<meta charset="UTF-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
@METAS@
<title>@TITLE@</title>
<link rel="icon" type="image/svg+xml" href="data:image/svg+xml,@ICON@">
<link rel="manifest" href="@MANIFEST@">
<link rel="apple-touch-icon" href="/assets/icon-touch-180.png">
<link rel="stylesheet" href="@STYLE@">
@SCRIPTS@
</head>
<body>
@HEAD@
@CONTENT@
@FOOT@
@NAV@
</body>
</html>
"""
"""Around a page that needs no script; the one that all have minds the light (assets/phone.js)."""


def live_frame(page: Page) -> str:
    """The frame of the page that Dash keeps fresh."""
    text = LIVE_FRAME.replace("@ICON@", _icon()).replace("@NAV@", nav(page))
    return text.replace("@MANIFEST@", MANIFEST_PATH)


def still_html(page: Page, site: Site, content: Component, moment: Moment) -> str:
    """The whole answer of a page that needs no script."""
    scripts = ("phone.js", page.script) if page.script else ("phone.js",)
    parts = {
        "LOOK": moment.html_attributes,
        "METAS": moment.metas,
        "HEAD": moment.head(),
        "FOOT": moment.foot(still=True),
        "TITLE": html_text(title_of(site, page)),
        "ICON": _icon(),
        "MANIFEST": MANIFEST_PATH,
        "STYLE": _asset("page.css"),
        "SCRIPTS": "".join(f'<script src="{_asset(name)}" defer></script>' for name in scripts),
        "NAV": nav(page),
        "CONTENT": html_text(content),
    }
    text = STILL_FRAME
    for name, part in parts.items():
        text = text.replace(f"@{name}@", part)
    return text


def title_of(site: Site, page: Page) -> str:
    """'Marsh hide: Days'."""
    return f"{site.site.name}: {page.name}"


def nav(present: Page) -> str:
    """The links to all pages, the present one marked, of a part of a page the whole."""
    here = present.under or present.name
    links = [
        html.A(page.name, href=page.path, **({"aria-current": "page"} if page.name == here else {}))
        for page in PAGES
        if not page.under
    ]
    return html_text(html.Nav(links, **{"aria-label": "Pages"}))


def _asset(name: str) -> str:
    """The address of a file in ASSETS; it changes with the file."""
    return f"/assets/{name}?m={(ASSETS / name).stat().st_mtime}"


def _icon() -> str:
    return quote((ASSETS / "icon.svg").read_text(encoding="utf-8"))
