"""Which answers a unit still owes; pure.

Modbus RTU has no transaction number: a late answer looks like the answer to the present request. What
tells them apart is order and length. A unit answers in the order it was asked, each request at most
once. So a sound answer belongs to the *oldest* open request of its form or to a later one, and all
requests before that one are done: their answers came, or were lost and will never come. An answer may be
believed exactly when no older open request has its form. While one has, a probe of another length is
asked first; its answer closes all that came before.

Something between us and the unit may still break the order. So requests that were closed without an answer
of their own stay in doubt: an answer of their form is believed only when a further probe was answered and
no second answer of that form came before it. Against one overtaken answer at a time that is enough.
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass

REMEMBERED = 64
"""Open requests, and ones in doubt, kept for one unit (our choice: one 64 requests behind has lost them)."""

PROBE_LENGTHS = 4
"""Registers that a probe may have where fewer were asked for (our choice): with three other lengths there is
mostly one that nothing is waited for with, whose answer then settles all at once."""


@dataclass(frozen=True, slots=True, eq=False)
class Request:
    """One request on the wire, equal only to itself; sent_s on the monotonic clock."""

    function: int
    count: int
    sent_s: float


class Owed:
    """The open requests of one unit, oldest first, and those in doubt."""

    def __init__(self) -> None:
        self._open: deque[Request] = deque(maxlen=REMEMBERED)
        self._doubtful: deque[Request] = deque(maxlen=REMEMBERED)
        self._refused: deque[Request] = deque(maxlen=REMEMBERED)

    def add(self, request: Request) -> None:
        """A request has gone out."""
        self._open.append(request)

    def forms(self) -> set[tuple[int, int]]:
        """Function and count of every request that an answer may still come to, each once."""
        return {(request.function, request.count) for request in (*self._open, *self._doubtful)}

    def functions(self) -> set[int]:
        """Functions of the open requests, each once."""
        return {request.function for request in self._open}

    def count_to_ask(self, function: int, count: int, room: int) -> int:
        """How many registers to ask for now: `count` itself when its answer could not be mistaken, else
        the length of a probe."""
        if (function, count) in {(request.function, request.count) for request in self._open}:
            return self.probe_count(function, count, room)
        return count

    def probe_count(self, function: int, count: int, room: int) -> int:
        """The length of a probe: fewer registers from the same address, as rarely waited for as can be.

        Where fewer are waited for already, a few more are asked for, up to PROBE_LENGTHS registers and as far
        as `room`, the registers from that address to the end, allows it; where there is no other length,
        `count` itself.
        """
        waiting = Counter(
            request.count for request in (*self._open, *self._doubtful) if request.function == function
        )
        lengths = [*range(1, count), *range(count + 1, min(PROBE_LENGTHS, room) + 1)]
        return min(lengths, key=lambda length: waiting[length], default=count)

    def doubts(self, function: int, count: int, since_s: float) -> int:
        """How many requests of this form, sent after since_s, were closed without an answer of their own."""
        return sum(
            (request.function, request.count) == (function, count) and request.sent_s > since_s
            for request in self._doubtful
        )

    def oldest(self, function: int, count: int | None) -> Request:
        """The oldest open request that an answer of this form can belong to, else one in doubt.

        count None stands for a refusal. Raises LookupError when there is none.
        """
        for request in (*self._open, *self._doubtful):
            if request.function == function and count in (None, request.count):
                return request
        raise LookupError(f"no open request of function {function}")

    def close(self, request: Request) -> None:
        """This request was answered. If it was open, all before it are done, and in doubt."""
        if request in self._doubtful:
            self._doubtful.remove(request)
            return
        while (first := self._open.popleft()) is not request:
            self._doubtful.append(first)

    def refuse(self, request: Request) -> None:
        """This request was refused, as far as one can tell: a refusal says nothing of which it answers."""
        self.close(request)
        self._refused.append(request)

    def doubt_refusals(self, since_s: float) -> None:
        """The unit refuses unasked: the answers to what was refused after since_s may still come."""
        self._doubtful.extend(request for request in self._refused if request.sent_s > since_s)
        self._refused.clear()

    def close_oldest(self) -> None:
        """The unit sent a sound frame that answers no open request as asked: the oldest has had its answer,
        since each has one at most and in order. It stays in doubt."""
        if self._open:
            self._doubtful.append(self._open.popleft())

    def clear(self) -> None:
        """Nothing is owed any more."""
        self._open.clear()
        self._doubtful.clear()
        self._refused.clear()
