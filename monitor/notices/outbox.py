"""The outbox: the store's open notices, kept in memory beside it, bounded. One thread uses it.

Only the daemon writes notices, so what is in memory is what the store has after the last commit.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import replace

from monitor.clock import Clock
from monitor.notices.policy import RANK
from monitor.records import DAY_MS, Event, Notice
from monitor.store.base import StoreWriter

log = logging.getLogger("nightbank")

MOST_OPEN = 200
"""More open notices than this nobody reads (our choice); together they take some 100 kB of memory."""

KEPT_MS = 30 * DAY_MS
"""Finished notices stay so long in the store for whoever asks what was told (our choice)."""

ERROR_MOST = 300
"""Characters kept of what a channel said (our choice)."""

TRYING = "trying"
DUE = "due"


class Outbox:
    """The open notices of all channels. Nothing is durable before `commit`."""

    def __init__(self, store: StoreWriter, clock: Clock) -> None:
        self._store, self._clock = store, clock
        self._open = {notice.id: notice for notice in store.open_notices()}
        self._new: list[Notice] = []
        self._changed = False

    def open(self) -> list[Notice]:
        """Open notices, oldest first; those just added are among them after the next commit."""
        return list(self._open.values())

    def of(self, channel: str, about: str = "") -> list[Notice]:
        """Open notices of a channel, those about one alarm where it is named."""
        return [n for n in self._open.values() if n.channel == channel and about in ("", n.about)]

    def add(self, notice: Notice) -> None:
        """Put a notice in; the oldest of the lowest priority makes room where there are too many."""
        self._new.append(notice)
        self._store.add_notice(notice)
        self._changed = True

    def put(self, notice: Notice) -> None:
        """Replace a notice."""
        notice = replace(notice, last_error=notice.last_error[:ERROR_MOST])
        self._open[notice.id] = notice
        self._store.put_notice(notice)
        self._changed = True

    def finish(self, notice: Notice, state: str, why: str = "") -> None:
        """A notice is 'delivered', 'expired' or 'withdrawn'; why is said where it did not go out."""
        kept = why[:ERROR_MOST] or notice.last_error
        self._store.put_notice(
            replace(notice, state=state, finished_ms=self._clock.now_ms(), last_error=kept)
        )
        self._open.pop(notice.id, None)
        self._changed = True

    def withdraw(self, notices: Iterable[Notice], why: str) -> None:
        """Take back those that are not under way."""
        for notice in notices:
            if notice.state == DUE:
                self.finish(notice, "withdrawn", why)

    def moved(self, from_ms: int, by_ms: int) -> None:
        """The clock was off from from_ms on by by_ms: what was made since is due, and worthless, as much
        later."""
        for notice in list(self._open.values()):
            if notice.created_ms >= from_ms:
                until_ms = notice.expires_ms
                self.put(
                    replace(
                        notice,
                        created_ms=notice.created_ms + by_ms,
                        next_ms=notice.next_ms + by_ms,
                        expires_ms=None if until_ms is None else until_ms + by_ms,
                    )
                )

    def touch(self) -> None:
        """Something else of the store belongs to the next commit."""
        self._changed = True

    def commit(self) -> None:
        """Make all changes durable, if there are any. Raises StoreError; they stay pending then."""
        if not self._changed:
            return
        self._store.commit()
        self._changed = False
        if self._new:
            self._new = []
            self._open = {notice.id: notice for notice in self._store.open_notices()}
            self._make_room()

    def forget_old(self) -> None:
        """Drop what was finished long ago."""
        self._store.forget_notices(self._clock.now_ms() - KEPT_MS)
        self._changed = True

    def _make_room(self) -> None:
        waiting = [notice for notice in self._open.values() if notice.state == DUE]
        too_many = len(self._open) - MOST_OPEN
        if too_many <= 0:
            return
        waiting.sort(key=lambda n: (RANK[n.priority], n.created_ms, n.id))
        dropped = waiting[:too_many]
        self.withdraw(dropped, "the outbox was full")
        text = (
            f"{len(dropped)} notices were dropped, the oldest of the lowest priority: more than {MOST_OPEN} "
            f"wait. Look at the channels with 'nightbank notify SITE --test'."
        )
        self._store.add_event(Event(self._clock.now_ms(), "notice", "", text))
        log.warning("%s", text)
        self.commit()
