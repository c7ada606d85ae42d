"""The door of a locked page: the forms that unlock and lock it, and what every form must be.

No script is needed. A session's cookie says who is unlocked; each form is good once, for one session.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from urllib.parse import quote

from dash import html
from dash.development.base_component import Component
from flask import Flask, redirect, request
from flask import Request as WebRequest
from werkzeug import Response

from dashboard.calm import Teller
from dashboard.doors import Refusal, wrong_form, wrong_method
from dashboard.field import Field
from dashboard.forms import TOKEN, hidden, labelled
from dashboard.lock import NO_PIN, Lock, State
from dashboard.sessions import LASTS_S
from monitor.pin import LONGEST

UNLOCK, LOCK = "/unlock", "/lock"

LONGEST_ADDRESS = 300
"""What is longer is no address of ours (our choice)."""

SENT_ALREADY = (
    "Nothing was done now: this form was sent before, or its page is from another time. Look at the page"
    " again; if it is not done yet, do it from there."
)
IS_LOCKED = "Nothing was done: the page is locked by now. Unlock it and do it again."


class Door:
    """The lock of a page, as its visitors meet it."""

    def __init__(
        self,
        store: Path,
        homes: tuple[str, ...],
        teller: Teller,
        takes: Iterable[str] = (),
        posts: Iterable[str] = (),
    ) -> None:
        """store is the file beside which the PIN is kept; homes are the addresses to which a form may lead
        back, the first one in doubt. takes are further addresses that take forms, posts those that take what
        is no form."""
        self._teller, self._homes = teller, homes
        self._lock = Lock(store)
        self.takes_forms = frozenset((UNLOCK, LOCK, *takes))
        self.posts = self.takes_forms | frozenset(posts)

    def add_to(self, server: Flask) -> None:
        """Serve the addresses of the door, after the checks that hold for every form."""
        server.before_request(self._refuse)
        server.add_url_rule(UNLOCK, "unlock form", self._ask_for_pin, methods=["GET"])
        server.add_url_rule(UNLOCK, "unlock", self._unlock, methods=["POST"])
        server.add_url_rule(LOCK, "lock", self._lock_again, methods=["POST"])
        server.add_url_rule(LOCK, "lock loaded", leader(self._homes[0]), methods=["GET"])

    def state(self) -> State:
        """How the page stands to the visitor of the present request."""
        return self._lock.state(self.token())

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
                "The page stays unlocked on this phone for 12 hours, or until you lock it again. Who has"
                " forgotten the PIN sets another on the page's computer: nightbank pin and the site file.",
                className="quiet",
            )
        )
        headers = {"Retry-After": str(int(wait_s) + 1)} if wait_s else {}
        return self._teller.page("Unlock", status, content, **headers)

    def why_not_good(self) -> str:
        """Why a form's token was not taken."""
        return SENT_ALREADY if self.state() is State.OPEN else IS_LOCKED

    def token(self) -> str | None:
        """The session's token that the visitor of the present request brings."""
        return request.cookies.get(_cookie(request))

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
        tried = self._lock.unlock(request.form.get("pin", "")[: LONGEST + 1], address, self.token())
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
        token = self.token()
        if self._lock.use(token, "lock", request.form.get(TOKEN, "")) is None:
            return self._teller.page("Not done", 403, [html.P(self.why_not_good(), className="told")])
        self._lock.lock(token)
        answer = redirect(self._way_back(request.form.get("back", "")), 303)
        answer.delete_cookie(_cookie(request), path="/", httponly=True, samesite="Strict")
        return answer

    def _way_back(self, back: str) -> str:
        """Where to go after a form: one of our own pages, with what its address held."""
        path, _, query = back[:LONGEST_ADDRESS].partition("?")
        if path not in self._homes:
            return self._homes[0]
        return path + (f"?{quote(query, safe='=&%+')}" if query else "")


def leader(path: str) -> Callable[[], Response]:
    """Whoever loads an address where forms are sent is led to the page with the form."""
    return lambda: redirect(path, 303)


def _cookie(asked: WebRequest) -> str:
    """The cookie's name. Browsers keep cookies by host, not by port; one computer may serve two sites."""
    return f"nightbank-{asked.environ.get('SERVER_PORT', '')}"
