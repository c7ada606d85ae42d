"""Connections to the page: no one browser or program can hold so many that others are kept out.

waitress holds a hundred connections at most and takes no other while they are open; whoever sends half of a
request on each and waits would keep the page from everybody.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from waitress.channel import HTTPChannel

from dashboard.tries import household

MOST = 24
"""So many connections are open to one address at once (our choice: a browser has six); with another the one
that has been idle for longest is closed. Whoever has many addresses can still keep others out."""

IDLE_S, LOOK_EVERY_S = 30, 10
"""An idle connection is closed after so long; an open page asks every five seconds (our choice)."""


class Connection(HTTPChannel):  # type: ignore[misc]
    """One connection; making it closes the idlest of its address where there are too many."""

    def __init__(self, server: Any, *given: Any, **named: Any) -> None:
        super().__init__(server, *given, **named)
        leaving = too_many(self, server.active_channels.values())
        if leaving is not None:
            leaving.will_close = True


def too_many(new: Any, connections: Iterable[Any]) -> Any | None:
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


def keep_room(server: Any) -> None:
    """Have a waitress server, of one socket or of several, make such connections."""
    for each in getattr(server, "map", {0: server}).values():
        each.channel_class = Connection
