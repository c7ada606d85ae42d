"""Leaving a request for the daemon, and waiting a moment for what becomes of it."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import closing

from dashboard.local import in_form
from dashboard.pages.base import ReaderFactory
from monitor.errors import StoreError
from monitor.records import Heartbeat, Request
from monitor.store.heartbeat import read_heartbeat

Leave = Callable[[Request], int]
"""Leaves a request for the daemon and gives its number; raises StoreError."""

WAIT_S, LOOK_S = 2.0, 0.1
"""The daemon looks once a second and commits at once; a phone is not kept longer than this (our choice)."""


def ask(leave: Leave, open_reader: ReaderFactory, request: Request) -> int:
    """Leave a request and wait until it is done, or WAIT_S; its number. Raises StoreError."""
    number = leave(request)
    until_s = time.monotonic() + WAIT_S
    with closing(open_reader()) as reader:
        while time.monotonic() < until_s:
            found = reader.request(number)
            if found is not None and found.done_ms is not None:
                break
            time.sleep(LOOK_S)
    return number


def outcome_of(open_reader: ReaderFactory, number: str) -> str:
    """What became of a request, in a sentence; '' for a number that is none."""
    if not (number.isascii() and number.isdecimal() and len(number) <= 15):
        return ""
    try:
        with closing(open_reader()) as reader:
            found, beat = reader.request(int(number)), read_heartbeat(reader)
    except StoreError:
        return ""
    if found is None:
        return ""
    return in_form(found.outcome) if found.done_ms is not None else _undone(beat)


def _undone(beat: Heartbeat | None) -> str:
    if beat is None or beat.stopped_ms is not None:
        return "Asked for. The monitor does not run now; it will do it as soon as it starts."
    return "Asked for. The monitor has not answered yet; load this page again in a moment to see."
