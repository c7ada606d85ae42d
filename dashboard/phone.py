"""What page and phone tell each other beside the pages themselves: the light, and where to come back to."""

from __future__ import annotations

import re
from contextlib import closing
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from dash import html
from flask import Flask, Response, redirect, request

from dashboard import look
from dashboard.dusk import Turns, take_turns
from dashboard.markup import html_text
from dashboard.pages.base import ReaderFactory
from dashboard.snapshot import outlook_of
from dashboard.words import clock_text
from monitor.clock import SystemClock
from monitor.errors import StoreError
from monitor.present import Now, now_of
from monitor.site.model import Site

PATHS = frozenset({look.PATH})
"""Addresses that are answered here."""

KEEP_S = 365 * 24 * 3600
"""How long a phone keeps a choice (our choice: a year from the last)."""

OWN_ADDRESS = re.compile(r"/[a-z]*(\?[A-Za-z0-9_=&.:+%-]*)?")
"""An address of this page's own, with no host and no second path in it."""


@dataclass(frozen=True, slots=True)
class Moment:
    """The moment of an answer: the local time in words, the site's nights, and the light that was chosen."""

    as_of: str
    turns: Turns | None
    choice: str

    @property
    def html_attributes(self) -> str:
        return look.html_attributes(self.choice, self.turns)

    @property
    def metas(self) -> str:
        return look.metas(self.choice, self.turns)

    def foot(self, *, still: bool) -> str:
        """The lines under a page: for one that stands still its time, for all the choice of light."""
        back = request.full_path.rstrip("?")
        told = [
            html.Span(f"As of {self.as_of}, local time of the site. ", id="as-of"),
            html.A("Renew", href=back),
        ]
        lines = [*([html.P(told, className="quiet")] if still else []), look.choices(self.choice, back)]
        return html_text(html.Footer(lines, className="foot"))


def moment(open_reader: ReaderFactory, site: Site) -> Moment:
    """The moment of the present request; without a store by the computer's own clock."""
    turns = None
    now = Now(SystemClock().now_ms(), 1.0)
    try:
        with closing(open_reader()) as reader:
            now = now_of(reader)
            turns = take_turns(reader, site, outlook_of(reader), now)
    except StoreError:
        pass  # the page itself says so
    as_of = clock_text(now.time_ms, now.time_ms, ZoneInfo(site.site.time_zone))
    return Moment(as_of, turns, look.choice_of(request.cookies.get(look.COOKIE)))


def add_phone(server: Flask) -> None:
    """Answer the addresses of PATHS."""

    @server.get(look.PATH)
    def keep_look() -> Response:
        """Keep the light that a link asks for and go back to where it stood."""
        back = request.args.get("back", "/")
        answer = redirect(back if OWN_ADDRESS.fullmatch(back) else "/", 303)
        choice = look.choice_of(request.args.get("as"))
        answer.set_cookie(look.COOKIE, choice, max_age=KEEP_S, samesite="Strict")
        return Response(answer.get_data(), 303, answer.headers)
