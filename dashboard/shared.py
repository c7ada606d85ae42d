"""One answer for all phones that ask for the same in the same moment: when a dark time ends, fifty may open
the page at once, and a small computer would make the same page fifty times."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from pathlib import Path
from threading import Lock
from time import monotonic

SAME_S = 1.0
"""So long an answer is given again, as long as the store is the same (our choice: ages are told in whole
seconds)."""

KEPT = 8
"""Answers that are kept: the forms and lights that phones of one household have (our choice)."""


class _Answer:
    """One answer, and when it was made."""

    def __init__(self) -> None:
        self.lock = Lock()
        self.made_s = -SAME_S
        self.content: bytes = b""


class Shared:
    """The last answers by what was asked."""

    def __init__(self, clock_s: Callable[[], float] = monotonic) -> None:
        self._kept: OrderedDict[Hashable, _Answer] = OrderedDict()
        self._lock = Lock()
        self._clock_s = clock_s

    def answer(self, asked: Hashable, make: Callable[[], bytes]) -> bytes:
        """The answer to what is asked, made anew where the last one is too old; whoever asks while it is made
        waits for it. What `make` raises is raised, and nothing is kept."""
        with self._lock:
            one = self._kept.setdefault(asked, _Answer())
            self._kept.move_to_end(asked)
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        with one.lock:
            if self._clock_s() - one.made_s >= SAME_S:
                one.content = make()
                one.made_s = self._clock_s()
            return one.content


def state_of(store: Path) -> tuple[int, ...]:
    """Other numbers after each commit to a store's file: when file and log were written last, and how long
    they are. Alike where there is no such file."""
    found: list[int] = []
    for path in (store, store.with_name(f"{store.name}-wal")):
        try:
            stat = path.stat()
        except OSError:
            continue
        found += [stat.st_mtime_ns, stat.st_size]
    return tuple(found)
