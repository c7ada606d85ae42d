"""Which answers a unit still owes; pure.

Modbus RTU has no transaction number: a late answer looks like the answer to the present request. What
tells them apart is order and length. A unit answers in the order it was asked, each request at most
once. So a sound answer belongs to the *oldest* open request of its form or to a later one, and all
requests before that one are done: their answers came, or were lost and will never come. An answer may be
believed exactly when no older open request has its form. While one has, a probe of another length is
asked first; its answer closes all that came before.

A refusal closes nothing. It has no length, so it may be one that nobody asked for, and the true answer to
what it seems to refuse is still under way. A refused request stays open until a later one is answered. It
is not probed for, since what was refused is mostly not there: the next request of its form goes out as it is,
and only where that brings an answer it counts as the refused one's, and a probe follows.

Something between us and the unit may still break the order. So requests that were closed without an answer
or a refusal of their own stay in doubt: an answer of their form is believed only when a further probe was
answered and no second answer of that form came before it. Against one overtaken answer at a time that is
enough.
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
        self._open: dict[Request, bool] = {}  # and whether a refusal came that may have been its answer
        self._doubtful: deque[Request] = deque(maxlen=REMEMBERED)

    def add(self, request: Request) -> None:
        """A request has gone out."""
        if len(self._open) == REMEMBERED:
            del self._open[next(iter(self._open))]
        self._open[request] = False

    def forms(self) -> set[tuple[int, int]]:
        """Function and count of every request that an answer may still come to, each once."""
        return {(request.function, request.count) for request in (*self._open, *self._doubtful)}

    def functions(self) -> set[int]:
        """Functions of the open requests that a refusal may still come to, each once."""
        return {request.function for request in self._unheard()}

    def may_be_mistaken(self, function: int, count: int) -> bool:
        """Whether an older request of this form is open, so that a probe must be asked first."""
        return (function, count) in {(request.function, request.count) for request in self._unheard()}

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

        count None stands for a refusal, which no request has two of. Raises LookupError when there is none.
        """
        candidates = self._unheard() if count is None else (*self._open, *self._doubtful)
        for request in candidates:
            if request.function == function and count in (None, request.count):
                return request
        raise LookupError(f"no open request of function {function}")

    def close(self, request: Request) -> None:
        """This request was answered. If it was open, all before it are done, and in doubt where nothing at
        all came to them."""
        if request in self._doubtful:
            self._doubtful.remove(request)
            return
        while (first := next(iter(self._open))) is not request:
            self._doubt(first)
        del self._open[request]

    def refuse(self, request: Request) -> None:
        """A refusal came that may have been this request's."""
        self._open[request] = True

    def close_oldest(self) -> None:
        """The unit sent a sound frame that answers no open request as asked: the oldest has had its answer,
        since each has one at most and in order. It stays in doubt."""
        for request in self._unheard()[:1]:
            self._doubt(request)

    def close_all(self) -> None:
        """A full time-out of silence: nothing is under way. What nothing came to stays in doubt."""
        for request in (*self._open,):
            self._doubt(request)

    def clear(self) -> None:
        """Nothing is owed any more."""
        self._open.clear()
        self._doubtful.clear()

    def _unheard(self) -> tuple[Request, ...]:
        """The open requests that not even a refusal came to."""
        return tuple(request for request, is_refused in self._open.items() if not is_refused)

    def _doubt(self, request: Request) -> None:
        if not self._open.pop(request):
            self._doubtful.append(request)
