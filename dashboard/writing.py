"""Taking what people ask for by a form: unlock, lock, and whatever the pages take (`Page.asks`).

No script is needed: a form is sent, its request left for the daemon, and the browser led back to the page,
which tells what became of it, so that going back or loading again sends nothing twice. Each form is good
once, for one session. What was typed and cannot be taken is shown again and never lost.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

from dash import Dash, html
from dash.development.base_component import Component
from flask import Request as WebRequest
from flask import Response, redirect, request

from dashboard.asking import Leave, ask, outcome_of
from dashboard.calm import Teller
from dashboard.doors import Refusal, wrong_form, wrong_method
from dashboard.field import Field
from dashboard.forms import TOKEN, Hand, Mistyped, hidden, labelled
from dashboard.frame import still_html
from dashboard.lock import NO_PIN, Lock, State
from dashboard.pages.base import Ask, Asked, Page, ReaderFactory
from dashboard.phone import moment
from dashboard.sessions import LASTS_S
from monitor.errors import StoreError
from monitor.pin import LONGEST
from monitor.present import now_of
from monitor.site.model import Site

UNLOCK, LOCK = "/unlock", "/lock"
DONE = "done"
"""The name under which a page's address holds the number of the request that was left last."""

CALLBACK = "/_dash-update-component"

LONGEST_ADDRESS = 300
"""What is longer is no address of ours (our choice)."""

NOT_TYPED = frozenset({TOKEN, "back"})

SENT_ALREADY = (
    "Nothing was done now: this form was sent before, or its page is from another time. Look at the page"
    " again; if it is not done yet, do it from there."
)
IS_LOCKED = "Nothing was done: the page is locked by now. Unlock it and do it again."


class Desk:
    """Where the page's forms are taken: the lock, the way to leave requests."""

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
        self._teller = teller
        self._site, self._leave, self._open_reader = site, leave, open_reader
        self._lock = Lock(store)
        self._by_path = {each.path: (each, page) for page in pages for each in page.asks}
        self._homes = tuple(page.path for page in pages)
        self.takes_forms = frozenset((UNLOCK, LOCK, *self._by_path))
        self.posts = self.takes_forms | {CALLBACK}

    def add_to(self, app: Dash) -> None:
        """Serve the addresses where forms are sent, after the checks that hold for all of them."""
        server = app.server
        server.before_request(self._refuse)
        server.add_url_rule(UNLOCK, "unlock form", self._ask_for_pin, methods=["GET"])
        server.add_url_rule(UNLOCK, "unlock", self._unlock, methods=["POST"])
        server.add_url_rule(LOCK, "lock", self._lock_again, methods=["POST"])
        server.add_url_rule(LOCK, "lock loaded", self._leader("/"), methods=["GET"])
        for path, (asked, page) in self._by_path.items():
            server.add_url_rule(path, path, self._taker(asked, page), methods=["POST"])
            server.add_url_rule(path, f"{path} loaded", self._leader(page.path), methods=["GET"])

    def state(self) -> State:
        """How the page stands to the visitor of the present request."""
        return self._lock.state(self._token())

    def hand(
        self, page: Page, *, typed: Mapping[str, str] | None = None, fault: Mistyped | None = None
    ) -> Hand:
        """What the visitor of the present request may do on a page."""
        token = self._token()
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

    def pin_page(self, back: str, status: int, text: str = "", wait_s: float = 0.0) -> Response:
        """The form that asks for the PIN, and leads back; where none is set, how to set one."""
        if self.state() is State.NO_PIN:
            return self._teller.page("Unlock", status, [html.P(NO_PIN)])
        content: list[Component] = [html.P(text, className="notice alarm", role="alert")] if text else []
        pin = Field(
            type="password", name="pin", required=True, autoFocus=True, autoComplete="current-password",
            maxLength=str(LONGEST),
        )  # fmt: skip
        content.append(
            html.Form(
                [labelled("PIN", pin), hidden("back", back), html.Button("Unlock", className="main")],
                action=UNLOCK,
                method="post",
                id="unlock",
            )
        )
        content.append(
            html.P(
                "The page stays unlocked on this phone for 12 hours, or until you lock it again.",
                className="quiet",
            )
        )
        headers = {"Retry-After": str(int(wait_s) + 1)} if wait_s else {}
        return self._teller.page("Unlock", status, content, **headers)

    def _refuse(self) -> Response | None:
        """What no page has to look at: wrong methods, and forms that are none of this page's."""
        refusal = wrong_method(request.method, request.path, self.posts)
        if refusal is None and request.method == "POST" and request.path in self.takes_forms:
            refusal = wrong_form(request.headers, request.content_length)
        return None if refusal is None else self._refused(refusal)

    def _refused(self, refusal: Refusal) -> Response:
        answer = self._teller.told(refusal.status, refusal.text)
        if refusal.allow:
            answer.headers["Allow"] = ", ".join(refusal.allow)
        return answer

    def _ask_for_pin(self) -> Response:
        back = self._way_back(request.args.get("back", ""))
        state = self.state()
        if state is State.OPEN:
            return redirect(back, 303)
        return self.pin_page(back, 200)

    def _unlock(self) -> Response:
        back = self._way_back(request.form.get("back", ""))
        address = request.remote_addr or ""
        tried = self._lock.unlock(request.form.get("pin", "")[: LONGEST + 1], address, self._token())
        if not tried.token:
            return self.pin_page(back, tried.status, tried.text, tried.wait_s)
        answer = redirect(back, 303)
        # Not Secure: the page is served over plain http, where browsers would not send such a cookie back.
        answer.set_cookie(
            _cookie(request), tried.token, max_age=int(LASTS_S), path="/", httponly=True, samesite="Strict",
            secure=request.is_secure,
        )  # fmt: skip
        return answer

    def _lock_again(self) -> Response:
        token = self._token()
        if self._lock.use(token, "lock", request.form.get(TOKEN, "")) is None:
            return self._not_good()
        self._lock.lock(token)
        answer = redirect(self._way_back(request.form.get("back", "")), 303)
        answer.delete_cookie(_cookie(request), path="/", httponly=True, samesite="Strict")
        return answer

    def _taker(self, asked: Ask, page: Page) -> Callable[[], Response]:
        def take() -> Response:
            typed = {name: value for name, value in request.form.items() if name not in NOT_TYPED}
            name = asked.form(typed)
            seen_ms = self._lock.use(self._token(), name, request.form.get(TOKEN, ""))
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

    def _leader(self, path: str) -> Callable[[], Response]:
        """Whoever loads an address where forms are sent is led to the page with the form."""
        return lambda: redirect(path, 303)

    def _not_good(self, typed: Mapping[str, str] | None = None, page: Page | None = None) -> Response:
        """A form without a session, or whose token is not good."""
        text = SENT_ALREADY if self.state() is State.OPEN else IS_LOCKED
        return self._told_with(typed or {}, page, 403, text)

    def _told_with(self, typed: Mapping[str, str], page: Page | None, status: int, text: str) -> Response:
        """A refusal that shows what was typed once more, so that it can be copied."""
        content: list[Component] = [html.P(text, className="told")]
        long = [value for value in typed.values() if value.strip()]
        if page is not None:
            content.append(html.Div([html.A(f"Back to {page.name}", href=page.path)], className="moves"))
        if long:
            content += [html.P("You had typed:"), html.Ul([html.Li(value) for value in long])]
        return self._teller.page("Not done", status, content)

    def _token(self) -> str | None:
        return request.cookies.get(_cookie(request))

    def _way_back(self, back: str) -> str:
        """Where to go after a form: one of our own pages, with what its address held."""
        path, _, query = back[:LONGEST_ADDRESS].partition("?")
        if path not in self._homes:
            return self._homes[0]
        return path + (f"?{quote(query, safe='=&%')}" if query else "")


def _cookie(asked: WebRequest) -> str:
    """The cookie's name. Browsers keep cookies by host, not by port; one computer may serve two sites."""
    return f"nightbank-{asked.environ.get('SERVER_PORT', '')}"
