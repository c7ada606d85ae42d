"""The page's lock: the PIN that opens it, the limit on wrong ones, and who is unlocked."""

from __future__ import annotations

import logging
import threading
import time
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from dashboard.sessions import Sessions
from dashboard.tries import CannotCount, Tries, tries_path
from dashboard.words import span_text
from monitor.pin import KeptPin, PinError, pin_path, read_pin

log = logging.getLogger("nightbank.page")

COMPLAIN_EVERY_S = 600.0
"""A PIN's file that cannot be used is told in the log so often (our choice)."""


class State(StrEnum):
    """How the page stands to one visitor; over a copy of the site's store nobody can write."""

    COPY = "copy"
    NO_PIN = "no PIN"
    LOCKED = "locked"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of a PIN that was typed: a session's token, or why not, with an HTTP status."""

    token: str = ""
    status: int = 200
    text: str = ""
    wait_s: float = 0.0


class Lock:
    """The lock of one store's page. All threads share it."""

    def __init__(self, store: Path) -> None:
        self._pin_file = pin_path(store)
        self._tries = Tries(tries_path(store), time.monotonic)
        self._sessions = Sessions(time.monotonic)
        self._checking = threading.Lock()
        self._complained_s = -COMPLAIN_EVERY_S

    def state(self, token: str | None) -> State:
        """How the page stands to whoever brings this session's token."""
        pin = self._pin()
        if pin is None:
            return State.NO_PIN
        return State.OPEN if self._sessions.is_open(token, pin.salt) else State.LOCKED

    def wait_s(self, address: str) -> float:
        """How long a browser at an address must wait before it may try a PIN."""
        return self._tries.wait_s(address)

    def unlock(self, typed: str, address: str, former: str | None) -> Tried:
        """Try a PIN. One at a time, since a hash takes 8 MB; whoever comes meanwhile is asked to come again.

        A right one begins a new session and ends the former one of the same browser.
        """
        pin = self._pin()
        if pin is None:
            return Tried(status=409, text=NO_PIN)
        if not self._checking.acquire(blocking=False):
            return Tried(status=429, text="Another PIN is being looked at. Try again in a moment.", wait_s=1)
        try:
            left_s = self._tries.begin(address)
            if left_s > 0:
                return Tried(status=429, text=wait_text(left_s), wait_s=left_s)
            if not pin.fits(typed):
                left_s = self._tries.wait_s(address)
                wait = f" {wait_text(left_s)}" if left_s else ""
                return Tried(status=403, text=f"That is not the PIN.{wait}", wait_s=left_s)
            self._tries.right(address)
        except CannotCount as error:
            log.error("%s", error)
            return Tried(status=503, text="No PIN can be taken now: the computer's card cannot be written.")
        except PinError as error:
            log.error("%s", error)
            return Tried(status=503, text="The kept PIN is damaged: set it anew (nightbank pin).")
        finally:
            self._checking.release()
        self._sessions.end(former)
        return Tried(self._sessions.begin(pin.salt))

    def lock(self, token: str | None) -> None:
        """End a session."""
        self._sessions.end(token)

    def issue(self, token: str | None, form: str, seen_ms: int) -> str:
        """A one-time token for a form whose page shows a moment."""
        return self._sessions.issue(token, form, seen_ms)

    def use(self, token: str | None, form: str, form_token: str) -> int | None:
        """Take a form's token: the moment that its page has shown, None where it is not good."""
        pin = self._pin()
        return self._sessions.use(token, None if pin is None else pin.salt, form, form_token)

    def _pin(self) -> KeptPin | None:
        """The PIN; one that cannot be used opens nothing, as if none were set, and is told in the log."""
        try:
            return read_pin(self._pin_file)
        except PinError as error:
            now_s = time.monotonic()
            if now_s - self._complained_s >= COMPLAIN_EVERY_S:
                self._complained_s = now_s
                log.error("%s", error)
            return None


NO_PIN = (
    "No PIN is set, so that this page only shows. To answer alarms and write from here, set one on the page's"
    " computer: nightbank pin and the site file."
)


def wait_text(left_s: float) -> str:
    """How long to wait, rounded up so that it is true."""
    seconds = int(left_s) + 1
    whole = seconds if seconds < 120 else -(-seconds // 60) * 60
    return f"After wrong PINs the next try is in {span_text(whole * 1000)}."
