"""The Dash app: the frame around every page, its addresses, its headers.

Nothing asks an outside host: scripts, style and icon come from this process. Only the addresses of PAGES and
what Dash itself needs are answered; all others are 404.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Any

from dash import Dash
from dash.fingerprint import check_fingerprint
from flask import Response, request, send_file

from dashboard.pages import PAGES
from dashboard.pages.base import ReaderFactory
from monitor.site.model import Site

ASSETS = Path(__file__).parent / "assets"

FRAME = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<meta name="color-scheme" content="light dark">
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="/assets/icon.svg">
{%css%}
</head>
<body>
<noscript><p>This page needs scripts. On the computer itself “nightbank now” tells the same.</p></noscript>
<p id="connection" role="alert" hidden></p>
{%app_entry%}
{%config%}
{%scripts%}
{%renderer%}
</body>
</html>"""
"""The HTML around every page. #connection is filled by assets/connection.js when the server falls silent."""

SCRIPTS = "/_dash-component-suites/"
"""Where Dash lets its own scripts and those of its components be found."""

KEEP_S = 365 * 24 * 3600
"""A script's address changes with its version, so that a phone may keep it for a year."""

NOT_FOUND = "There is no such page here. The address of the first page is /\n"


class _Page(Dash):
    """Dash with a quiet first moment: the page's own words instead of the library's 'Loading...'."""

    def interpolate_index(self, **parts: Any) -> Any:
        parts["app_entry"] = '<div id="react-entry-point"><p class="first">Asking the store…</p></div>'
        return super().interpolate_index(**parts)


def make_app(open_reader: ReaderFactory, site: Site) -> Dash:
    """The web app over a store. open_reader opens the store and may raise StoreError at any call.

    The time is that of the store's clock note, the computer's own where there is none.
    """
    page = PAGES[0]
    app = _Page(
        "dashboard",
        assets_folder=str(ASSETS),
        title=f"{site.site.name}: {page.name}",
        update_title="",
        suppress_callback_exceptions=True,  # else Dash writes the whole layout into the HTML a second time
        index_string=FRAME,
        add_log_handler=False,
        enable_mcp=False,
    )
    app.layout = lambda: page.layout(open_reader, site)
    page.register(app, open_reader, site)
    _guard(app)
    _stream_scripts(app)
    return app


def _stream_scripts(app: Dash) -> None:
    """Send Dash's and plotly's scripts from their files.

    Dash would hold each of them (plotly's alone 4.8 MB) in memory for every phone that asks; after a few
    phones that stays as 12 MB of the process. Only what Dash has registered is sent.
    """

    @app.server.before_request
    def script_file() -> Response | None:
        if not request.path.startswith(SCRIPTS):
            return None
        package, _, named = request.path.removeprefix(SCRIPTS).partition("/")
        path, has_version = check_fingerprint(named)
        if path not in app.registered_paths.get(package, ()):
            return Response(NOT_FOUND, 404, mimetype="text/plain")
        return send_file(str(files(package) / path), max_age=KEEP_S if has_version else None)


def _guard(app: Dash) -> None:
    """Headers on every answer, and 404 for addresses that are nobody's (Dash would answer 200 to all)."""
    server = app.server
    pages = {page.path for page in PAGES}
    own = tuple(f"/{name}" for name in ("assets/", "_dash-", "_reload-hash"))
    policy = content_policy(app)

    @server.before_request
    def refuse_unknown() -> Response | None:
        if request.path in pages or request.path.startswith(own):
            return None
        return Response(NOT_FOUND, 404, mimetype="text/plain")

    @server.after_request
    def add_headers(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = policy
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "no-referrer"
        if "Cache-Control" not in response.headers:
            response.headers["Cache-Control"] = "no-store"
        return response


def content_policy(app: Dash) -> str:
    """The Content-Security-Policy: scripts of our own and Dash's inline ones by hash, nothing from elsewhere.

    Dash and plotly insert style elements at run time, therefore styles may be inline.
    """
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src 'self' {' '.join(app.csp_hashes())}",
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data:",
            "connect-src 'self'",
            "base-uri 'none'",
            "form-action 'none'",
            "frame-ancestors 'none'",
        )
    )
