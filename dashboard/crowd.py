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

from waitress.channel import HTTPChannel

from dashboard.tries import household

MOST = 24
"""So many connections are open to one address at once (our choice: a browser has six); with another the one
that has been idle for longest is closed."""

MOST_IN_ALL = 80
"""So many are open to all addresses together (our choice: below the hundred at which waitress takes no more);
with another the one that has been idle for longest is closed, whosever it is. A browser opens a new one then,
and whoever holds many without asking loses them first."""

IDLE_S, LOOK_EVERY_S = 30, 10
"""An idle connection is closed after so long, also one whose answer nobody takes; an open page asks every
five seconds (our choice)."""

REQUEST_S = 60
"""A request that is not complete after so long is not waited for (our choice: the page's largest, a form of
64 KB, takes 50 s at 10 kbit/s)."""


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
        """See HTTPChannel; an answer that took long to make is not unread for so long."""
        if not self.total_outbufs_len:
            self.last_activity = time()
        return int(super().write_soon(data))

    def writable(self) -> bool:
        """See HTTPChannel, which is asked at least once a second; here a connection that outstays ends."""
        if not self.will_close and outstays(self, time()):
            self.end()
        return bool(super().writable())

    def end(self) -> None:
        """Close it, also where the far end takes nothing; for waitress's own thread."""
        self.will_close = True
        with suppress(OSError):  # it has gone by itself
            self.socket.shutdown(socket.SHUT_RDWR)


def too_many(new: Any, connections: Sequence[Any]) -> Any | None:
    """The connection that has to go for a new one, None where there is room: the one that has been idle for
    longest, of the same address where that has too many, else of all. Where an address has all of its own
    being answered its new one goes; where all do, nobody: waitress then waits."""
    others = [each for each in connections if each is not new and not each.will_close]
    name = household(new.addr[0])
    own = [each for each in others if household(each.addr[0]) == name]
    if len(own) >= MOST:
        return _idlest(own) or new
    return _idlest(others) if len(others) >= MOST_IN_ALL else None


def _idlest(connections: Sequence[Any]) -> Any | None:
    idle = [each for each in connections if not each.requests]
    return min(idle, key=lambda each: each.last_activity, default=None)


def outstays(connection: Any, now_s: float) -> bool:
    """Whether a connection holds its place for nothing: an answer nobody takes, a request without end."""
    since_s = connection.asking_since_s
    unread = connection.total_outbufs_len > 0 and now_s - connection.last_activity > IDLE_S
    return unread or (since_s is not None and now_s - since_s > REQUEST_S)


def keep_room(server: Any) -> None:
    """Have a waitress server, of one socket or of several, make such connections."""
    for each in getattr(server, "map", {0: server}).values():
        each.channel_class = Connection
