"""Which answers a unit still owes; pure.

Modbus RTU has no transaction number: a late answer looks like the answer to the present request. What
tells them apart is order and length. A unit answers in the order it was asked, each request at most
once. So a sound answer belongs to the *oldest* open request of its form or to a later one, and all
requests before that one are done: their answers came, or were lost and will never come. An answer may be
believed exactly when no older open request has its form. While one has, a probe of another length is
asked first; its answer closes all that came before.
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass

REMEMBERED = 64
"""Open requests kept for one unit (our choice: a device that is 64 requests behind has lost them)."""


@dataclass(frozen=True, slots=True, eq=False)
class Request:
    """One request on the wire, equal only to itself; sent_s on the monotonic clock."""

    function: int
    count: int
    sent_s: float


class Owed:
    """The open requests of one unit, oldest first."""

    def __init__(self) -> None:
        self._open: deque[Request] = deque(maxlen=REMEMBERED)

    def __len__(self) -> int:
        return len(self._open)

    def add(self, request: Request) -> None:
        """A request has gone out."""
        self._open.append(request)

    def forms(self) -> set[tuple[int, int]]:
        """Function and count of every open request, each once."""
        return {(request.function, request.count) for request in self._open}

    def count_to_ask(self, function: int, count: int, room: int) -> int:
        """How many registers to ask for now: `count` itself when its answer could not be mistaken, else
        the length of a probe, fewer registers from the same address (two where only one is wanted and
        `room`, the registers from that address to the end, allows it)."""
        waiting = Counter(request.count for request in self._open if request.function == function)
        if not waiting[count]:
            return count
        lengths = range(1, count) if count > 1 else range(2, min(3, room + 1))
        return min(lengths, key=lambda length: waiting[length], default=count)

    def oldest(self, function: int, count: int | None) -> Request:
        """The oldest open request that an answer of this form can belong to; count None for a refusal.

        Raises LookupError when there is none.
        """
        for request in self._open:
            if request.function == function and count in (None, request.count):
                return request
        raise LookupError(f"no open request of function {function}")

    def close(self, request: Request) -> None:
        """This open request was answered: it and all before it are done."""
        while self._open.popleft() is not request:
            continue

    def clear(self) -> None:
        """Nothing is owed any more."""
        self._open.clear()
