"""Who is told when: the way of an alarm's notice, quiet hours, what is gathered. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from enum import IntEnum

from monitor.records import Condition, Notice, Transition
from monitor.site.channel_tables import PRIORITIES
from monitor.site.hours import Hours

GATHER_MS = 30 * 60_000
"""What belongs into a digest waits so long for others (our choice: it may wait, but must not be stale)."""

STORM_COUNT, STORM_MS = 4, 10 * 60_000
"""After so many notices at once on a channel within so long the next ones wait until the time is over
(our choice: four may be separate things, more are one thing with many signs)."""

MOST_SINGLE = 3
"""More than so many that are due at the same moment go as one digest (our choice)."""

LONGEST_WAIT_MS = GATHER_MS
"""No notice waits longer for its next try, but for quiet hours."""

RANK: dict[str, int] = {priority: rank for rank, priority in enumerate(PRIORITIES)}

RINGS = (Condition.UNACKNOWLEDGED, Condition.LATCHED_UNACKNOWLEDGED)
"""States in which an alarm calls for a person: it stands and nobody has said that they know."""


class Way(IntEnum):
    """How soon a person is told."""

    NOT = 0
    DIGEST = 1
    AT_ONCE = 2
    URGENT = 3


PRIORITY_OF = {Way.DIGEST: "medium", Way.AT_ONCE: "high", Way.URGENT: "urgent"}
"""The priority of a notice that goes a way."""


class News(IntEnum):
    """What a transition means for whoever is told."""

    NONE = 0
    RAISED = 1
    OVER = 2
    PUT_ASIDE = 3
    KNOWN = 4


_OVER = (Condition.NORMAL, Condition.RETURNED)
_ASIDE = (Condition.SHELVED, Condition.SUPPRESSED, Condition.OUT_OF_SERVICE)


def way_of(priority: str, policy: str) -> Way:
    """The way that an alarm's priority and its rule's notice policy name."""
    if policy == "none":
        return Way.NOT
    if policy == "digest":
        return Way.DIGEST
    if policy == "at once":
        return Way.URGENT if priority == "urgent" else Way.AT_ONCE
    return {"medium": Way.DIGEST, "high": Way.AT_ONCE, "urgent": Way.URGENT}.get(priority, Way.NOT)


def news_of(transition: Transition) -> News:
    """What a transition is to a person.

    A shelving, a suppression or a time out of service that ends with the alarm standing is like its coming.
    """
    if transition.after == Condition.UNACKNOWLEDGED:
        return News.RAISED
    if transition.after in _OVER:
        return News.NONE if transition.before in (*_OVER, *_ASIDE) else News.OVER
    if transition.after in _ASIDE:
        return News.PUT_ASIDE
    return News.KNOWN if transition.cause == "acknowledged" else News.NONE


@dataclass(frozen=True, slots=True)
class Quiet:
    """The quiet hours of a site, if it has any."""

    hours: Hours | None
    zone: tzinfo

    def holds(self, notice: Notice, now_ms: int) -> bool:
        """Whether a notice must wait for the hours to end; what is urgent or asked for never does."""
        if self.hours is None or notice.priority == "urgent" or notice.kind == "test":
            return False
        return self.hours.hold(now_ms, self.zone)


def storm_ends_ms(recent: Sequence[int], now_ms: int) -> int | None:
    """When the next notice at once may go, given when the recent ones were made; None: now."""
    within = [time_ms for time_ms in recent if 0 <= now_ms - time_ms < STORM_MS]
    return within[-STORM_COUNT] + STORM_MS if len(within) >= STORM_COUNT else None


def may_be_gathered(notice: Notice) -> bool:
    """Whether a notice may go in a digest: neither urgent nor of something that is soon worthless."""
    if notice.kind == "alarm":
        return notice.priority != "urgent" and notice.expires_ms is None
    return notice.kind in ("returned", "came and went")


def to_gather(due: Sequence[Notice]) -> list[Notice]:
    """Which of the notices that may go now on one channel go together, in order of time."""
    together = [notice for notice in due if may_be_gathered(notice)]
    if len(together) <= MOST_SINGLE:
        together = [notice for notice in together if notice.priority == "medium"]
    together.sort(key=lambda notice: (notice.created_ms, notice.id))
    return together if len(together) > 1 else []


def next_in_order(due: Sequence[Notice]) -> Notice | None:
    """The notice that goes first: the highest priority, of these the oldest."""
    return max(due, key=lambda n: (RANK[n.priority], -n.created_ms, -n.id), default=None)
