"""The web app: pages and their addresses, files, headers.

The first answer already holds the whole page as plain HTML (#first); Dash then draws the same beside it and
assets/first.js swaps the two in one go. With scripts off the first answer stays.

Nothing asks an outside host: scripts, style and icon come from this process. What stands before every
answer is in `gate`.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from threading import Lock
from typing import Any

from dash import Dash, html
from dash.fingerprint import check_fingerprint
from flask import Response, request

from dashboard.api import add_api
from dashboard.asking import Leave
from dashboard.calm import NOT_FOUND, teller_of
from dashboard.files import add_files
from dashboard.frame import ASSETS, filled, live_frame, still_html, title_of
from dashboard.fresh import RENDERINGS, html_of
from dashboard.gate import (
    FILES,
    FRESH,
    SCRIPTS,
    check_callbacks,
    guard,
    own_names,
    show_only_unlocked,
)
from dashboard.markup import html_text
from dashboard.packed import PackedFiles, send_packed
from dashboard.pages import PAGES
from dashboard.pages.base import Page, ReaderFactory
from dashboard.phone import Moment, add_phone, moment
from dashboard.scripts import LOADER, joined
from dashboard.tags import Node
from dashboard.writing import Desk
from monitor.site.model import Site

LIBRARY = Path(__file__).parent / "library"

RUNTIME = LIBRARY / "regenerator-runtime-0.14.1.js"
"""Runs before all scripts of Dash's."""

CHART_LIBRARY = "/library/plotly-basic-4.1.1.min.js"
"""plotly's smallest bundle that draws what the page draws; a phone asks for it with its first chart."""

WITHOUT_SCRIPTS = (
    "While this line stands the values do not renew themselves: load the page again for newer ones."
)
"""The last line of the first answer; with scripts on it goes with it."""


class _Page(Dash):
    """Dash whose first answer holds the page itself instead of the library's 'Loading...'."""

    first: Callable[[], Node]
    moment: Callable[[], Moment]
    scripts_tag: Callable[[str], str]

    def interpolate_index(self, **parts: Any) -> Any:  # type: ignore[override]  # Dash names each
        shown = html_text([self.first(), html.P(WITHOUT_SCRIPTS, className="first quiet")])
        at = self.moment()
        parts["app_entry"] = (
            f'<div id="first">{shown}</div><div id="react-entry-point"></div>{at.foot(still=False)}'
        )
        parts["scripts"] = self.scripts_tag(parts["scripts"])
        parts["metas"] += at.metas
        parts["title"] = html_text(parts["title"])
        frame = self.index_string.replace('<html lang="en">', f'<html lang="en"{at.html_attributes}>', 1)
        return filled(frame, parts)

    def _config(self) -> dict[str, Any]:
        """What Dash tells its scripts: charts are drawn by our own file instead of the whole of plotly."""
        told: dict[str, Any] = super()._config()
        return told | {"serve_locally": False, "plotlyjs_url": CHART_LIBRARY}


def make_app(open_reader: ReaderFactory, site: Site, store: Path, leave: Leave) -> Dash:
    """The web app over a store. open_reader opens the store and may raise StoreError at any call; store is
    the file beside which the PIN is kept; leave leaves a request for the daemon.

    The time is that of the store's clock note, the computer's own where there is none.
    """
    page = PAGES[0]
    app = _Page(
        "dashboard",
        assets_folder=str(ASSETS),
        assets_ignore="|".join(page.script for page in PAGES if page.script),  # theirs alone
        title=title_of(site, page),
        update_title="",
        suppress_callback_exceptions=True,  # else Dash writes the whole layout into the HTML a second time
        index_string=live_frame(page),
        add_log_handler=False,
        enable_mcp=False,
    )
    app.renderer = LOADER
    app.first = app.layout = lambda: page.layout(open_reader, site, {})
    app.moment = lambda: moment(open_reader, site)
    teller = teller_of(site, open_reader)
    desk = Desk(site, store, leave, open_reader, PAGES, teller)
    for each in PAGES:
        if each.register is not None:
            each.register(app, open_reader, site)
        else:
            _add_still(app, each, open_reader, site, desk)
    _add_fresh(app, page, open_reader, site)
    add_phone(app.server, site.site.name, {*(page.path for page in PAGES), *desk.takes_forms})
    guard(app, own_names(site.page.names, site.page.host), desk, teller)
    if site.page.reading_needs_pin:
        show_only_unlocked(app.server, desk, teller)
    add_api(app.server, open_reader, site)
    add_files(app.server, open_reader, site)
    desk.add_to(app.server)
    check_callbacks(app, teller)
    teller.keep_calm(app.server)
    _send_files(app)
    return app


def _add_still(app: Dash, page: Page, open_reader: ReaderFactory, site: Site, desk: Desk) -> None:
    """Serve a page that needs no script."""

    def answer() -> Response:
        hand = (desk.hand(page),) if page.asks else ()
        tree = page.layout(open_reader, site, request.args, *hand)
        text = still_html(page, site, tree, moment(open_reader, site))
        return Response(text, mimetype="text/html")

    app.server.add_url_rule(page.path, page.name, answer)


def _add_fresh(app: Dash, page: Page, open_reader: ReaderFactory, site: Site) -> None:
    """Serve what has changed on an open page since the rendering it shows."""

    @app.server.route(FRESH)
    def answer() -> Response:
        sections = page.fresh(open_reader, site, request.args.get("of", "")) if page.fresh else None
        if sections is None:
            return Response(f"{NOT_FOUND}\n", 404, mimetype="text/plain")
        told = RENDERINGS.since(request.args.get("seen", ""), html_of(sections))
        return Response(json.dumps(told, ensure_ascii=False), mimetype="application/json")


def _send_files(app: _Page) -> None:
    """Send scripts, style and icon from packed files.

    Dash would hold each script (plotly's alone 4.8 MB) in memory for every phone that asks; after a few
    phones that stays as 12 MB of the process. Only what Dash has registered and what is in assets and library
    is sent.
    """
    packed = PackedFiles()
    own = {f"/assets/{path.name}": path for path in ASSETS.iterdir() if path.is_file()}
    kept = {f"/library/{path.name}": path for path in LIBRARY.glob("*.js")}
    joining = Lock()
    tags: list[str] = []

    def file_of(address: str) -> Path | None:
        """The file under an address, None where there is none."""
        if address in own or address in kept:
            return own.get(address) or kept[address]
        package, _, named = address.removeprefix(SCRIPTS).partition("/")
        path, _ = check_fingerprint(named)
        known = address.startswith(SCRIPTS) and path in app.registered_paths.get(package, ())
        return Path(str(files(package) / path)) if known else None

    def scripts_tag(dash_tags: str) -> str:
        """Where the one file stands that holds all of Dash's scripts, joined when a page is first asked for;
        LOADER asks for it."""
        with joining:
            if not tags:
                address, path = joined(dash_tags, file_of, RUNTIME, packed.folder)
                kept[address] = path
                tags.append(f'<span id="scripts" data-src="{address}" hidden></span>')
            return tags[0]

    app.scripts_tag = scripts_tag

    @app.server.before_request
    def file() -> Response | None:
        path = file_of(request.path)
        if path is not None:
            changes_with_content = request.path in kept or "m" in request.args
            keep = changes_with_content or check_fingerprint(request.path)[1]
            return send_packed(packed, path, request, keep=keep)
        if request.path.startswith(FILES):
            return Response(f"{NOT_FOUND}\n", 404, mimetype="text/plain")
        return None
