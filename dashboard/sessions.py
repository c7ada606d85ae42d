"""Who is unlocked: sessions by a random token, and the one-time tokens of their forms. In memory only.

A restart of the page locks everyone. Sessions are made here alone and never from what a browser brings, so
that nobody can be given a session that another knows. Of a token only its hash is kept.
"""

from __future__ import annotations

import hashlib
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field

TOKEN_BYTES = 32
"""256 bits by chance: none can be guessed."""

LASTS_S = 12 * 3600.0
"""A session ends so long after the PIN was typed: an evening and its night (our choice)."""

MOST_SESSIONS = 16
"""Phones unlocked at once; with another the one that was unlocked first is locked (our choice)."""

MOST_FORMS = 64
"""Forms of one session that wait to be sent; with another the oldest is void (our choice: a page has few)."""


@dataclass(slots=True)
class _Session:
    pin: bytes  # the salt of the PIN that unlocked it
    ends_s: float
    forms: OrderedDict[str, tuple[str, int]] = field(default_factory=OrderedDict)


class Sessions:
    """The sessions of one page process. All threads share it."""

    def __init__(self, elapsed_s: Callable[[], float]) -> None:
        """elapsed_s counts seconds and never jumps."""
        self._elapsed_s = elapsed_s
        self._sessions: OrderedDict[str, _Session] = OrderedDict()
        self._lock = threading.Lock()

    def begin(self, pin: bytes) -> str:
        """A new session's token, for whoever has just given the PIN of this salt."""
        token = secrets.token_urlsafe(TOKEN_BYTES)
        with self._lock:
            self._drop_old()
            while len(self._sessions) >= MOST_SESSIONS:
                self._sessions.popitem(last=False)
            self._sessions[_hashed(token)] = _Session(pin, self._elapsed_s() + LASTS_S)
        return token

    def is_open(self, token: str | None, pin: bytes | None) -> bool:
        """Whether a browser's token is that of a session which the present PIN has unlocked."""
        with self._lock:
            return self._find(token, pin) is not None

    def end(self, token: str | None) -> None:
        """End a session, if there is one."""
        with self._lock:
            self._sessions.pop(_hashed(token or ""), None)

    def issue(self, token: str | None, form: str, seen_ms: int) -> str:
        """A one-time token for a form of a session; '' where the session has ended meanwhile.

        seen_ms is the moment that the page with the form shows.
        """
        fresh = secrets.token_urlsafe(TOKEN_BYTES)
        with self._lock:
            session = self._sessions.get(_hashed(token or ""))
            if session is None:
                return ""
            while len(session.forms) >= MOST_FORMS:
                session.forms.popitem(last=False)
            session.forms[_hashed(fresh)] = (form, seen_ms)
        return fresh

    def use(self, token: str | None, pin: bytes | None, form: str, form_token: str) -> int | None:
        """Take a form's token: the moment that its page has shown, None where it is not good.

        Whatever becomes of the request, the token is void afterwards.
        """
        with self._lock:
            session = self._find(token, pin)
            issued = None if session is None else session.forms.pop(_hashed(form_token), None)
        return issued[1] if issued is not None and issued[0] == form else None

    def _find(self, token: str | None, pin: bytes | None) -> _Session | None:
        self._drop_old()
        session = self._sessions.get(_hashed(token or ""))
        return session if session is not None and pin is not None and session.pin == pin else None

    def _drop_old(self) -> None:
        now_s = self._elapsed_s()
        for name in [name for name, each in self._sessions.items() if each.ends_s <= now_s]:
            del self._sessions[name]


def _hashed(token: str) -> str:
    """Looked up by its hash, so that the time of a look-up tells nothing of a token."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
