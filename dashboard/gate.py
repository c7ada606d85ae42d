"""What stands before and behind every answer: names, addresses, the PIN where reading needs it, headers.

Only the addresses of PAGES, those for other programs (`api`) and what Dash itself needs are answered; all
others are 404. Under a name that is not this computer's nothing is answered (`hosts`). Forms have checks of
their own behind these (`writing`).
"""

from __future__ import annotations

from collections.abc import Collection
from socket import gethostname

from dash import Dash
from flask import Flask, Response, request
from werkzeug import Response as AnyResponse

from dashboard.api import error, is_for_programs
from dashboard.callback_door import is_ours
from dashboard.calm import NOT_FOUND, Teller
from dashboard.csv_files import TABLES
from dashboard.door import UNLOCK, Door
from dashboard.doors import FROM_ELSEWHERE, is_from_here
from dashboard.hosts import FOREIGN, is_own
from dashboard.lock import State
from dashboard.packed import pack_answer
from dashboard.pages import PAGES
from dashboard.phone import PATHS
from dashboard.styles import HASHES
from dashboard.writing import CALLBACK, Desk

SCRIPTS = "/_dash-component-suites/"
"""Where Dash lets its own scripts and those of its components be found."""

FRESH = "/fresh"
"""Where assets/fresh.js asks what has changed."""

FILES = ("/assets/", "/library/", SCRIPTS)
DASH = frozenset({"/_dash-layout", "/_dash-dependencies", CALLBACK, "/_reload-hash"})
"""What Dash's scripts ask for."""

OPEN_PATHS = PATHS | {UNLOCK}
"""What is answered before the PIN, where reading needs it: the form for it, and the choice of light."""

LOCKED_READING = "this page shows nothing without its PIN: open /unlock in a browser and send its cookie"
SENSELESS = "This is nothing that the page's own scripts would ask for."

NO_PAGE = "default-src 'none'; frame-ancestors 'none'"
"""The Content-Security-Policy of what is no page: data and files, most of them asked for again and again."""


def own_names(names: Collection[str], host: str) -> frozenset[str]:
    """The names by which this computer may be asked, beside those that no one outside can give: those of
    [page] names, and the host it listens on."""
    return frozenset(name.lower() for name in (*names, host, gethostname()))


def guard(app: Dash, names: frozenset[str], desk: Desk, teller: Teller, style: str) -> None:
    """No answer under a foreign name, headers on every answer, and 404 for addresses that are nobody's
    (Dash would answer 200 to all). style is our own style element as a source of the policy."""
    server = app.server
    known = {*(page.path for page in PAGES), FRESH, *PATHS, *TABLES, *DASH, *desk.takes_forms}
    scripts = " ".join(app.csp_hashes())
    policies = {
        takes: content_policy(scripts, f"{style} {HASHES}", takes_forms=takes) for takes in (False, True)
    }
    with_forms = {UNLOCK, *desk.takes_forms, *(page.path for page in PAGES if page.asks)}
    with_questions = {page.path for page in PAGES if page.questions}
    refuse_foreign_names(server, names)

    @server.before_request
    def refuse_unknown() -> Response | None:
        if request.path in known or request.path.startswith(FILES) or is_for_programs(request.path):
            return None
        return teller.told(404, NOT_FOUND)

    @server.after_request
    def finish(response: Response) -> Response:
        takes_forms = request.path in with_forms or response.status_code == 401
        policy = policies[takes_forms or request.path in with_questions]
        return with_headers(response, policy, takes_forms=takes_forms)


def refuse_foreign_names(server: Flask, names: frozenset[str]) -> None:
    """No answer under a name that is not this computer's."""

    @server.before_request
    def refuse_foreign_name() -> Response | None:
        if is_own(request.headers.get("Host"), names):
            return None
        if is_for_programs(request.path):
            return error(421, FOREIGN.strip())
        return Response(FOREIGN, 421, mimetype="text/plain")


def with_headers(response: Response, policy: str, *, takes_forms: bool = False) -> Response:
    """An answer with the headers that every one has, packed where that is worth it; policy is a page's."""
    response.headers["Content-Security-Policy"] = policy if response.mimetype == "text/html" else NO_PAGE
    response.headers["X-Content-Type-Options"] = "nosniff"
    # With no-referrer browsers send 'Origin: null' with a form, and nobody could tell where it came from.
    response.headers["Referrer-Policy"] = "same-origin" if takes_forms else "no-referrer"
    if "Cache-Control" not in response.headers:
        response.headers["Cache-Control"] = "no-store"
    return pack_answer(request, response)


def show_only_unlocked(server: Flask, door: Door, teller: Teller) -> None:
    """Where the site file asks for it ([page] reading_needs_pin): nothing is shown without the PIN but
    scripts, style and the form that asks for it."""

    @server.before_request
    def refuse_locked() -> AnyResponse | None:
        path = request.path
        if path.startswith(FILES) or path in OPEN_PATHS or door.state() is State.OPEN:
            return None
        if path in door.takes_forms:
            return None  # refused there, with what was typed
        if is_for_programs(path) or path in DASH or path == FRESH:
            return teller.told(401, LOCKED_READING)
        return door.pin_page(request.full_path.rstrip("?"), 401)


def check_callbacks(app: Dash, teller: Teller) -> None:
    """Let only what the page's own scripts send through to Dash's callbacks."""

    @app.server.before_request
    def refuse_senseless() -> Response | None:
        if request.path != CALLBACK or request.method != "POST":
            return None
        if not is_from_here(request.headers):
            return teller.told(403, FROM_ELSEWHERE)
        try:
            body = request.get_json(silent=True)
        except RecursionError:
            body = None
        return None if is_ours(body, app.callback_map) else teller.told(400, SENSELESS)


def content_policy(scripts: str = "", styles: str = "", *, takes_forms: bool = False) -> str:
    """The Content-Security-Policy of a page: scripts and styles of our own, those that others insert by their
    hashes, nothing from elsewhere. takes_forms is for pages with forms: they may be sent to this computer
    only."""
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src 'self' {scripts}".strip(),
            f"style-src 'self' {styles}".strip(),
            "img-src 'self' data:",
            "connect-src 'self'",
            "manifest-src 'self'",
            "base-uri 'none'",
            "form-action 'self'" if takes_forms else "form-action 'none'",
            "frame-ancestors 'none'",
        )
    )
