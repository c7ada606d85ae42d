"""What page and phone tell each other beside the pages themselves: the light, how the phone writes numbers,
and what it puts on its home screen."""

from __future__ import annotations

import json
import re
from collections.abc import Collection
from contextlib import closing
from dataclasses import dataclass
from typing import Any

from dash import html
from flask import Flask, Response, redirect, request

from dashboard import local, look
from dashboard.daemon import Notice, daemon_notice
from dashboard.dusk import Turns, take_turns
from dashboard.languages import usual
from dashboard.markup import html_text
from dashboard.notices import notice
from dashboard.pages.base import ReaderFactory
from dashboard.snapshot import outlook_of
from dashboard.words import clock_text
from monitor.clock import SystemClock
from monitor.errors import StoreError
from monitor.present import Now, now_of
from monitor.site.model import Site
from monitor.store.heartbeat import read_heartbeat

MANIFEST_PATH = "/home.webmanifest"

PATHS = frozenset({look.PATH, MANIFEST_PATH})
"""Addresses that are answered here."""

PARTS = ("/_dash-", "/fresh")
"""Under these the first page asks for itself and for its newer parts."""

MASKABLE = "icon-maskable-512.png"
"""Its drawing keeps to the middle four fifths, since some phones cut a circle out of it."""

KEEP_S = 365 * 24 * 3600
"""How long a phone keeps a choice (our choice: a year from the last)."""

OWN_ADDRESS = re.compile(r"/([a-z]+(/[a-z]+)*)?(\?[A-Za-z0-9_=&.:+%-]*)?")
"""An address of this page's own, with no host in it."""


@dataclass(frozen=True, slots=True)
class Moment:
    """The moment of an answer: the local time in words, the site's nights, the light that was chosen, and
    what is the matter with the daemon."""

    as_of: str
    turns: Turns | None
    choice: str
    notice: Notice | None = None

    @property
    def html_attributes(self) -> str:
        lit = look.html_attributes(self.choice, self.turns)
        return f'{lit} data-form="{local.told(local.present())}"'

    @property
    def metas(self) -> str:
        return look.metas(self.choice, self.turns)

    def head(self) -> str:
        """What comes before a page that stands still."""
        return "" if self.notice is None else html_text(html.Div(notice(self.notice), className="head"))

    def foot(self, *, still: bool) -> str:
        """The lines under a page: for one that stands still its time, for all the choice of light."""
        back = request.full_path.rstrip("?")
        told = [
            html.Span(f"As of {self.as_of}, local time of the site. ", id="as-of"),
            html.A("Renew", href=back),
        ]
        unknown = bool(self.as_of) and self.turns is None
        lines = [
            *([html.P(told, className="quiet")] if still else []),
            look.choices(self.choice, back),
            *([html.P(look.NO_SUN, className="quiet")] if unknown else []),
        ]
        return html_text(html.Footer(lines, className="foot"))


def moment(open_reader: ReaderFactory, site: Site) -> Moment:
    """The moment of the present request; without a store by the computer's own clock."""
    turns = trouble = None
    now = Now(SystemClock().now_ms(), 1.0)
    try:
        with closing(open_reader()) as reader:
            now = now_of(reader)
            turns = take_turns(reader, site, outlook_of(reader), now)
            trouble = daemon_notice(read_heartbeat(reader), now, site)
    except StoreError:
        pass  # the page itself says so
    as_of = clock_text(now.time_ms, now.time_ms, site.site.zone)
    return Moment(as_of, turns, look.choice_of(request.cookies.get(look.COOKIE)), trouble)


def _form_asked() -> local.Form:
    """The form that the phone has told, else that of the language it asks for first."""
    told = request.cookies.get(local.COOKIE)
    if told is not None:
        return local.form_of(told)
    return next((usual(tag) for tag in request.accept_languages.values()), local.PLAIN)


def manifest(name: str) -> dict[str, Any]:
    """What a phone needs to keep the page on its home screen under a name (W3C, Web Application
    Manifest). The ground is dark so that a start in the night does not blind."""
    icons = (("icon-192.png", 192, "any"), ("icon-512.png", 512, "any"), (MASKABLE, 512, "maskable"))
    return {
        "id": "/",
        "name": name,
        "short_name": name,
        "lang": "en",
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": look.GROUNDS["night"],
        "theme_color": look.GROUNDS["night"],
        "icons": [
            {"src": f"/assets/{name}", "sizes": f"{size}x{size}", "type": "image/png", "purpose": purpose}
            for name, size, purpose in icons
        ],
    }


def add_phone(server: Flask, name: str, pages: Collection[str]) -> None:
    """Answer the addresses of PATHS, and have each page (by its address) written in the phone's form."""

    @server.before_request
    def take_form() -> None:
        is_page = request.path in pages or request.path.startswith(PARTS)
        local.use(_form_asked() if is_page else local.PLAIN)

    @server.get(MANIFEST_PATH)
    def home_screen() -> Response:
        return Response(json.dumps(manifest(name)), mimetype="application/manifest+json")

    @server.get(look.PATH)
    def keep_look() -> Response:
        """Keep the light that a link asks for and go back to where it stood."""
        back = request.args.get("back", "/")
        answer = redirect(back if OWN_ADDRESS.fullmatch(back) else "/", 303)
        choice = look.choice_of(request.args.get("as"))
        answer.set_cookie(look.COOKIE, choice, max_age=KEEP_S, samesite="Strict")
        return Response(answer.get_data(), 303, answer.headers)
