"""The web app: pages and their addresses, files, headers.

The first answer holds the whole page as plain HTML, and it stays: what stands in it is renewed beside Dash
(`fresh`), and Dash draws into it what a tap asks for (`into`). With scripts off nothing is missing but that.

Nothing asks an outside host: scripts, style and icon come from this process. What stands before every
answer is in `gate`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from importlib.resources import files
from pathlib import Path
from threading import Lock
from typing import Any

from dash import Dash, html
from dash.fingerprint import check_fingerprint
from flask import Response, request

from dashboard import local, look
from dashboard.api import add_api
from dashboard.asking import Leave
from dashboard.calm import NOT_FOUND, teller_of
from dashboard.files import add_files
from dashboard.frame import ASSETS, asset, filled, live_frame, still_html, title_of
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
from dashboard.packed import PackedFiles, pack, send_packed, takes_gzip
from dashboard.pages import PAGES
from dashboard.pages.base import Page, ReaderFactory
from dashboard.phone import Moment, add_phone, moment
from dashboard.scripts import LOADER, joined
from dashboard.shared import Shared, state_of
from dashboard.sheet import sheet_text, source_of
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
    scripts_address: Callable[[str], str]
    state: Callable[[], tuple[int, ...]]
    shared: Shared
    sheet: str
    parts: Mapping[str, str] | None = None

    def index(self, *args: Any, **kwargs: Any) -> Any:
        """The first answer. What Dash has to say for it is the same each time."""
        parts = self.parts
        if parts is None:
            return super().index(*args, **kwargs)
        cookies, form, is_packed = request.cookies, local.present(), takes_gzip(request)

        def make() -> bytes:
            text: bytes = self.interpolate_index(**parts).encode()
            return pack(text) if is_packed else text

        choice = look.choice_of(cookies.get(look.COOKIE))
        asked = (request.full_path, local.COOKIE in cookies, form, choice, is_packed, self.state())
        answer = Response(self.shared.answer(asked, make), mimetype="text/html")
        if is_packed:
            answer.headers["Content-Encoding"] = "gzip"
        return answer

    def interpolate_index(self, **parts: Any) -> Any:  # type: ignore[override]  # Dash names each
        self.parts = parts
        at = self.moment()
        is_new = local.COOKIE not in request.cookies
        shown = html_text(self.first())
        last = html_text(html.P(WITHOUT_SCRIPTS, id="unrenewed", className="quiet"))
        style = asset("page.css")
        later = f' data-style="{style}"' if is_new else ""
        scripts = self.scripts_address(parts["scripts"])
        here = {
            "app_entry": f'{shown}{at.foot(still=False)}{last}<div id="react-entry-point" hidden></div>',
            "css": f"<style>{self.sheet}</style>" if is_new else f'<link rel="stylesheet" href="{style}">',
            "scripts": f'<span id="scripts" data-src="{scripts}"{later} hidden></span>',
            "metas": parts["metas"] + at.metas,
            "title": html_text(parts["title"]),
        }
        frame = self.index_string.replace('<html lang="en">', f'<html lang="en"{at.html_attributes}>', 1)
        return filled(frame, parts | here)

    def told(self) -> dict[str, str]:
        """What Dash's scripts ask for before they draw, by address: what to draw and what can be asked. It is
        the same each time, so that it comes with the scripts."""
        answers = {"/_dash-layout": self.serve_layout(), "/_dash-dependencies": self.dependencies()}
        return {address: answer.get_data(as_text=True) for address, answer in answers.items()}

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
        suppress_callback_exceptions=True,  # else Dash writes what it draws into the HTML, too
        index_string=live_frame(page),
        add_log_handler=False,
        enable_mcp=False,
    )
    app.renderer = LOADER
    app.first = lambda: page.layout(open_reader, site, {})
    app.state = lambda: state_of(store)
    app.shared = Shared()
    app.sheet = sheet_text()
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
    guard(app, own_names(site.page.names, site.page.host), desk, teller, source_of(app.sheet))
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
    addresses: list[str] = []

    def file_of(address: str) -> Path | None:
        """The file under an address, None where there is none."""
        if address in own or address in kept:
            return own.get(address) or kept[address]
        package, _, named = address.removeprefix(SCRIPTS).partition("/")
        path, _ = check_fingerprint(named)
        known = address.startswith(SCRIPTS) and path in app.registered_paths.get(package, ())
        return Path(str(files(package) / path)) if known else None

    def scripts_address(dash_tags: str) -> str:
        """The address of the one file that holds all of Dash's scripts, joined when a page is first asked
        for; LOADER asks for it."""
        with joining:
            if not addresses:
                address, path = joined(dash_tags, file_of, RUNTIME, packed.folder, app.told())
                kept[address] = path
                addresses.append(address)
            return addresses[0]

    app.scripts_address = scripts_address

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
