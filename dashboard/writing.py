"""Taking what people ask for by a form: whatever the pages take (`Page.asks`).

No script is needed: a form is sent, its request left for the daemon, and the browser led back to the page,
which tells what became of it, so that going back or loading again sends nothing twice. Each form is good
once, for one session. What was typed and cannot be taken is shown again and never lost.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path

from dash import html
from dash.development.base_component import Component
from flask import Flask, redirect, request
from werkzeug import Response

from dashboard.asking import Leave, ask, outcome_of
from dashboard.calm import Teller
from dashboard.door import Door, leader
from dashboard.forms import TOKEN, Hand, Mistyped
from dashboard.frame import still_html
from dashboard.lock import State
from dashboard.pages.base import Ask, Asked, Page, ReaderFactory
from dashboard.phone import moment
from monitor.errors import StoreError
from monitor.present import now_of
from monitor.site.model import Site

DONE = "done"
"""The name under which a page's address holds the number of the request that was left last."""

CALLBACK = "/_dash-update-component"

NOT_TYPED = frozenset({TOKEN, "back"})


class Desk(Door):
    """Where the page's forms are taken: the door, and the way to leave requests."""

    def __init__(
        self,
        site: Site,
        store: Path,
        leave: Leave,
        open_reader: ReaderFactory,
        pages: tuple[Page, ...],
        teller: Teller,
    ) -> None:
        """store is the file beside which the PIN is kept."""
        by_path = {each.path: (each, page) for page in pages for each in page.asks}
        super().__init__(store, tuple(page.path for page in pages), teller, by_path, {CALLBACK})
        self._site, self._leave, self._open_reader = site, leave, open_reader
        self._by_path = by_path

    def add_to(self, server: Flask) -> None:
        """Serve the addresses where forms are sent, after the checks that hold for all of them."""
        super().add_to(server)
        for path, (asked, page) in self._by_path.items():
            server.add_url_rule(path, path, self._taker(asked, page), methods=["POST"])
            server.add_url_rule(path, f"{path} loaded", leader(page.path), methods=["GET"])

    def hand(
        self, page: Page, *, typed: Mapping[str, str] | None = None, fault: Mistyped | None = None
    ) -> Hand:
        """What the visitor of the present request may do on a page."""
        token = self.token()
        return Hand(
            State.COPY if self._is_over_copy() else self.state(),
            lambda form, seen_ms: self._lock.issue(token, form, seen_ms),
            outcome_of(self._open_reader, request.args.get(DONE, "")),
            typed or {},
            fault,
            page.path,
            request.host_url,
        )

    def _is_over_copy(self) -> bool:
        if self._site.store.server is None:
            return False
        try:
            with closing(self._open_reader()) as reader:
                return reader.lag_s is not None
        except StoreError:
            return False  # the page itself says so

    def _taker(self, asked: Ask, page: Page) -> Callable[[], Response]:
        def take() -> Response:
            typed = {name: value for name, value in request.form.items() if name not in NOT_TYPED}
            name = asked.form(typed)
            seen_ms = self._lock.use(self.token(), name, request.form.get(TOKEN, ""))
            if seen_ms is None:
                return self._not_good(typed, page)
            try:
                with closing(self._open_reader()) as reader:
                    when = Asked(now_of(reader).time_ms, seen_ms)
                number = ask(self._leave, self._open_reader, asked.request(typed, self._site, when))
            except Mistyped as fault:
                tree = page.layout(
                    self._open_reader, self._site, typed, self.hand(page, typed=typed, fault=fault)
                )
                light = moment(self._open_reader, self._site)
                return Response(still_html(page, self._site, tree, light), 422, mimetype="text/html")
            except StoreError as trouble:
                return self._told_with(typed, page, 503, f"Nothing was done. {trouble}")
            return redirect(f"{page.path}?{DONE}={number}", 303)

        return take

    def _not_good(self, typed: Mapping[str, str] | None = None, page: Page | None = None) -> Response:
        """A form without a session, or whose token is not good."""
        return self._told_with(typed or {}, page, 403, self.why_not_good())

    def _told_with(self, typed: Mapping[str, str], page: Page | None, status: int, text: str) -> Response:
        """A refusal that shows what was typed once more, so that it can be copied."""
        content: list[Component] = [html.P(text, className="told")]
        long = [value for value in typed.values() if value.strip()]
        if page is not None:
            content.append(html.Div([html.A(f"Back to {page.name}", href=page.path)], className="moves"))
        if long:
            content += [html.P("You had typed:"), html.Ul([html.Li(value) for value in long])]
        return self._teller.page("Not done", status, content)
