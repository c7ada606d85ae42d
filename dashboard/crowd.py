"""Connections to the page: no browser or program can hold so many, or one so long, that others are kept out.

waitress holds a hundred connections at most and takes no other while they are open; whoever sends half of a
request on each and waits, or asks and never reads the answer, would keep the page from everybody. Its own
cleaning does not help: it ends a connection once that can be written to, and one that nobody reads never can.
"""

from __future__ import annotations

import socket
from collections.abc import Sequence
from contextlib import suppress
from time import time
from typing import Any

from waitress.channel import ClientDisconnected, HTTPChannel

from dashboard.tries import household

MOST = 24
"""So many connections are open to one address at once (our choice: a browser has six); with another the one
that has been idle for longest is closed."""

IDLE_S, LOOK_EVERY_S = 30, 10
"""An idle connection is closed after so long, also one whose answer nobody takes; an open page asks every
five seconds (our choice)."""

REQUEST_S = 60
"""A request that is not complete after so long is not waited for (our choice: the page's largest, a form of
64 KB, takes 50 s at 10 kbit/s)."""

MOST_UNREAD = 4 * 1024 * 1024
"""Bytes that may wait to be read when more of them come (our choice: three times the page's largest file). An
answer of ours comes in one piece; this is for who sends many requests at once and reads no answer."""

CROWDED, CROWDED_S = 80, 3
"""While so many are open in all, whoever is idle, asking or not reading for so long makes room (our choice:
below the hundred at which waitress lets others wait; a browser opens another one when it needs it)."""


class Connection(HTTPChannel):  # type: ignore[misc]
    """One connection; making it closes the idlest where there are too many."""

    asking_since_s: float | None = None
    """When the request began that is not complete yet; of waitress's clock, time.time()."""

    def __init__(self, server: Any, *given: Any, **named: Any) -> None:
        super().__init__(server, *given, **named)
        leaving = too_many(self, [each for each in self._map.values() if isinstance(each, Connection)])
        if leaving is not None:
            leaving.end()

    def received(self, data: bytes) -> bool:
        """See HTTPChannel; notes since when a request is under way."""
        began_s = self.asking_since_s or time()
        taken: bool = super().received(data)
        self.asking_since_s = None if self.request is None else began_s
        return taken

    def write_soon(self, data: Any) -> int:
        """See HTTPChannel; an answer that took long to make is not unread for so long. Raises
        ClientDisconnected where more than MOST_UNREAD waits: no thread ever waits for who does not read."""
        if self.total_outbufs_len > MOST_UNREAD:
            self.end()
            self.server.pull_trigger()
            raise ClientDisconnected
        if not self.total_outbufs_len:
            self.last_activity = time()
        return int(super().write_soon(data))

    def writable(self) -> bool:
        """See HTTPChannel, which is asked at least once a second; here a connection that outstays ends."""
        if not self.will_close and outstays(self, time(), crowded=len(self._map) >= CROWDED):
            self.end()
        return bool(super().writable())

    def end(self) -> None:
        """Have waitress close it, also where the far end takes nothing."""
        self.will_close = True
        with suppress(OSError):  # it has gone by itself
            self.socket.shutdown(socket.SHUT_RDWR)


def too_many(new: Any, connections: Sequence[Any]) -> Any | None:
    """The connection that has to go for a new one, None where there is room: the one of the same address that
    has been idle for longest, the new one itself where all others are being answered."""
    name = household(new.addr[0])
    others = [
        each
        for each in connections
        if each is not new and not each.will_close and household(each.addr[0]) == name
    ]
    if len(others) < MOST:
        return None
    idle = [each for each in others if not each.requests]
    return min(idle, key=lambda each: each.last_activity, default=new)


def outstays(connection: Any, now_s: float, *, crowded: bool) -> bool:
    """Whether a connection holds its place for nothing: nothing asked, an answer that nobody takes, a request
    without end."""
    since_s = connection.asking_since_s
    if since_s is not None and now_s - since_s > (CROWDED_S if crowded else REQUEST_S):
        return True
    waits = connection.total_outbufs_len > 0 or not connection.requests
    return waits and now_s - connection.last_activity > (CROWDED_S if crowded else IDLE_S)


def keep_room(server: Any) -> None:
    """Have a waitress server, of one socket or of several, make such connections."""
    for each in getattr(server, "map", {0: server}).values():
        each.channel_class = Connection
