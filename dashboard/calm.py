"""Faults and refusals as calm pages: what is the matter and what to do, never how the program looks inside.

The log gets one line for each fault of our own, with where it happened, and no stack.
"""

from __future__ import annotations

import logging
import traceback
from collections.abc import Callable, Sequence
from http import HTTPStatus
from typing import Any

from dash import html
from dash.development.base_component import Component
from flask import Flask, Response, request
from werkzeug.exceptions import HTTPException

from dashboard import look
from dashboard.api import error, is_for_programs
from dashboard.frame import still_html
from dashboard.pages.base import Page, ReaderFactory
from dashboard.phone import Moment, moment
from monitor.site.model import Site

log = logging.getLogger("nightbank.page")

OWN_FAULT = (
    "Something went wrong in the page itself. It is written down in the page's log. Go back and look whether"
    " what you wanted is done."
)

NOT_FOUND = "There is no such page here. The address of the first page is /"

WORDS = {
    HTTPStatus.BAD_REQUEST: "This request cannot be understood; nothing was changed.",
    HTTPStatus.NOT_FOUND: NOT_FOUND,
    HTTPStatus.METHOD_NOT_ALLOWED: "This is not answered at this address.",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE: "That is more than can be taken here.",
}


Framed = Callable[[str, Component, Moment], str]
"""A whole answer from its title, its content and its moment."""


class _Lit(Moment):
    """The moment of a page that tells no values: its foot offers the light and nothing to renew."""

    def foot(self, *, still: bool) -> str:
        return super().foot(still=False)


class Teller:
    """Tells people and programs that something is not done, or what is to be done first."""

    def __init__(self, name: str, framed: Framed, seen: Callable[[], Moment] | None) -> None:
        """name is whose page it is; seen tells the moment, None where nothing may be told by it."""
        self._name, self._framed, self._seen = name, framed, seen

    def page(self, title: str, status: int, content: Sequence[Any], **headers: str) -> Response:
        """A small page that tells something, with the way to the others below it."""
        head = html.Header([html.H1(self._name), html.P(title, className="quiet")])
        tree = html.Main([head, html.Section(list(content), id="lead")])
        text = self._framed(title, tree, self._light())
        return Response(text, status, mimetype="text/html", headers=headers)

    def told(self, status: int, text: str) -> Response:
        """A refusal in one sentence: for programs as JSON, for browsers as a page, else as plain text."""
        if is_for_programs(request.path):
            return error(status, text)
        if request.accept_mimetypes.best == "text/html":
            title = "No such page" if status == HTTPStatus.NOT_FOUND else "Not done"
            return self.page(title, status, [html.P(text, className="told")])
        return Response(f"{text}\n", status, mimetype="text/plain")

    def keep_calm(self, server: Flask) -> None:
        """Answer every fault of the web app by a calm text."""

        @server.errorhandler(HTTPException)
        def refused(fault: HTTPException) -> Response:
            status = HTTPStatus(fault.code or HTTPStatus.INTERNAL_SERVER_ERROR)
            answer = self.told(status, WORDS.get(status, f"{status.phrase}."))
            allow = fault.get_response().headers.get("Allow")
            if allow:
                answer.headers["Allow"] = allow
            return answer

        @server.errorhandler(Exception)
        def failed(fault: Exception) -> Response:
            what, why = type(fault).__name__, str(fault)
            log.error("%s %.200r: %s %.300r at %s", request.method, request.path, what, why, _place(fault))
            try:
                return self.told(HTTPStatus.INTERNAL_SERVER_ERROR, OWN_FAULT)
            except Exception:  # the fault may lie in what all pages share
                return Response(f"{OWN_FAULT}\n", HTTPStatus.INTERNAL_SERVER_ERROR, mimetype="text/plain")

    def _light(self) -> Moment:
        """The light of the moment. Where reading needs the PIN, nothing of the site is told by it; a fault of
        the store is not told here either."""
        if self._seen is not None:
            try:
                seen = self._seen()
                return _Lit(seen.as_of, seen.turns, seen.choice, notice=None)
            except Exception as fault:
                log.error("the light of a page: %s at %s", type(fault).__name__, _place(fault))
        return _Lit("", None, look.choice_of(request.cookies.get(look.COOKIE)), notice=None)


def teller_of(site: Site, open_reader: ReaderFactory) -> Teller:
    """The teller of a site's own page."""

    def framed(title: str, tree: Component, light: Moment) -> str:
        return still_html(Page(request.path, title, _nothing), site, tree, light)

    seen = None if site.page.reading_needs_pin else lambda: moment(open_reader, site)
    return Teller(site.site.name, framed, seen)


def _nothing() -> Component:
    return html.Main()


def _place(fault: Exception) -> str:
    """File and line of the innermost step."""
    steps = traceback.extract_tb(fault.__traceback__)
    return f"{steps[-1].filename}:{steps[-1].lineno}" if steps else "an unknown place"
