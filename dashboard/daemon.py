"""Whether the daemon lives, and what a page says where it does not: each trouble with its mark. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from dashboard.words import age_text, clock_text, dated_text, span_text
from monitor.present import Now
from monitor.records import Heartbeat
from monitor.site.model import Site


class Daemon(StrEnum):
    """What the heartbeat tells of the daemon."""

    RUNNING = "running"
    SILENT = "silent"
    STOPPED = "stopped"
    NEVER = "never"
    AHEAD = "ahead"


MARKS = {"alarm": "▲", "clock": "◷", "silent": "○", "stopped": "■", "store": "▤"}
"""A trouble's mark: told apart by its shape, in every light (our choice). The connection's is in
assets/connection.js."""

KINDS = {
    Daemon.SILENT: "silent",
    Daemon.STOPPED: "stopped",
    Daemon.NEVER: "stopped",
    Daemon.AHEAD: "clock",
}


NEVER_STARTED = (
    "The monitor has not been started yet: nothing is being read. "
    "Start it with “nightbank monitor” and the site file."
)
NEVER_HEARD = "Nothing is known here of the monitor at the site."
NOTHING_COMES = (
    "Nothing new has come from the site since {at}: its network, its mirror or its monitor stands still,"
    " which cannot be told from here. All here is from then."
)
UNTOLD_THERE = (
    "The monitor at the site did not know the time when it was last heard of, {at} at the earliest: how long"
    " ago that was, and whether it runs now, cannot be told from here. Its page Care takes the time from a"
    " phone."
)
UNTOLD_HERE = (
    "The monitor has not been heard since this computer was switched on, and did not know the time before,"
    " {at} at the earliest. Nothing is being read. Start it again."
)
STOPPED_THERE = "The monitor at the site was stopped at {at}: nothing is being read, all here is from then."
"""What is said over a copy, where nobody can start anything. at is a local time."""


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing that comes before the sentence. kind is a key of MARKS; age is how long ago it began, told
    beside the text and not read aloud again with each minute."""

    kind: str
    text: str
    age: str = ""


def daemon_state(beat: Heartbeat | None, now: Now, site: Site) -> Daemon:
    """Whether the daemon lives, from its heartbeat."""
    if beat is None:
        return Daemon.NEVER
    if beat.stopped_ms is not None:
        return Daemon.STOPPED
    patience_ms = now.patience_ms(site)
    quiet_ms = now.time_ms - beat.time_ms
    if quiet_ms < -patience_ms:
        return Daemon.AHEAD
    return Daemon.SILENT if quiet_ms > patience_ms else Daemon.RUNNING


def _time_unknown(now: Now, site: Site) -> Notice:
    at = dated_text(now.time_ms, site.site.zone)
    lead = f"The time is not known yet, {at} at the earliest"
    return Notice("clock", f"{lead}; readings wait for it, and the page Care takes it from a phone.")


def daemon_notice(beat: Heartbeat | None, now: Now, site: Site) -> Notice | None:
    """What is the matter with the daemon and what to do, None while it runs."""
    state = daemon_state(beat, now, site)
    if state is Daemon.RUNNING:
        return None if now.is_known else _time_unknown(now, site)
    kind = KINDS[state]
    if beat is None:
        return Notice(kind, NEVER_HEARD if now.is_of_copy else NEVER_STARTED)
    zone = site.site.zone
    if state is Daemon.AHEAD:
        ahead = f"The stored times run {span_text(beat.time_ms - now.time_ms)} ahead of "
        what = (
            "the clock here: set the one at the site or the one here, whichever is wrong"
            if now.is_of_copy
            else "this computer's clock: set the clock"
        )
        return Notice(kind, f"{ahead}{what}; until then no age can be trusted.")
    since_ms = beat.time_ms if beat.stopped_ms is None else beat.stopped_ms
    at, age = clock_text(since_ms, now.time_ms, zone), age_text(now.time_ms - since_ms)
    if state is Daemon.SILENT and now.is_untold:
        is_there = now.is_of_copy or site.store.server is not None
        text = (UNTOLD_THERE if is_there else UNTOLD_HERE).format(at=dated_text(beat.time_ms, zone))
        return Notice("clock" if is_there else kind, text)
    if now.is_of_copy:
        return Notice(kind, (STOPPED_THERE if state is Daemon.STOPPED else NOTHING_COMES).format(at=at), age)
    if state is Daemon.STOPPED:
        text = (
            f"The monitor was stopped at {at}: nothing is being read, all here is from then. Start it again "
            "when it should go on."
        )
    else:
        text = (
            f"The monitor has been silent since {at}: its program may have ended or hang. Nothing is being "
            "read, all here is from then. Start it again; if that does not help, restart the computer."
        )
    return Notice(kind, text, age)
