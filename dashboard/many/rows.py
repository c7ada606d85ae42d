"""What is told of each of many sites: how it stands, in the words of its own page, the worst first. Pure.

How a site stands is found for all of them; words are made for those that are shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import IntEnum
from typing import Any
from zoneinfo import ZoneInfo

from dashboard.bank_sentence import bank_sentence
from dashboard.charge import Charge, charge_of
from dashboard.daemon import Daemon, Notice, daemon_notice, daemon_state
from dashboard.night import sentence_of
from dashboard.snapshot import Snapshot
from dashboard.summary import alarm_notice, alarm_rows
from dashboard.words import age_text
from monitor.alarms.standing import WORST_FIRST
from monitor.clock import clock_from_note
from monitor.errors import StoreError
from monitor.present import Look, Now, held
from monitor.served.site_state import BROKEN, SiteState
from monitor.site.model import Site

UNHEARD_MS = 30 * 60_000
"""So long may the readings of a site of which nothing else is known be away (our choice: a mirror that has
lost its server tries again every quarter of an hour)."""


class Need(IntEnum):
    """How much a site needs a look, the most first (our choice of order).

    Between the alarms stands a monitor that does not watch: whatever else is the matter there, nobody
    says so.
    """

    URGENT = 0
    HIGH = 1
    UNWATCHED = 2
    MEDIUM = 3
    LOW = 4
    UNREAD = 5
    UNKNOWN = 6
    WELL = 7

    @property
    def is_trouble(self) -> bool:
        """Whether something is known to be the matter."""
        return self < Need.UNKNOWN


ALARMED = dict(zip(WORST_FIRST, (Need.URGENT, Need.HIGH, Need.MEDIUM, Need.LOW), strict=True))


@dataclass(frozen=True, slots=True)
class Oldest:
    """The device that has been silent longest, and when it was last read (None: never)."""

    device: str
    time_ms: int | None


@dataclass(frozen=True, slots=True)
class Standing:
    """How one site stands now."""

    state: SiteState
    now: Now
    need: Need
    oldest: Oldest | None

    @property
    def name(self) -> str:
        return self.state.name


@dataclass(frozen=True, slots=True)
class Row:
    """A site in words.

    troubles are what is the matter; sentence is the one of its own page; charge and oldest are '' where there
    is nothing to say.
    """

    name: str
    need: Need
    troubles: tuple[Notice, ...]
    sentence: str
    charge: str
    oldest: str


def standings(states: Iterable[SiteState]) -> list[Standing]:
    """All sites, the one that most needs a look first, then by name."""
    found = [standing_of(state) for state in states]
    return sorted(found, key=lambda each: (each.need, each.name.casefold(), each.name))


def standing_of(state: SiteState) -> Standing:
    """How a site stands now."""
    now = Now.by(clock_from_note(state.clock), state.lag_s)
    oldest = _oldest(state)
    return Standing(state, now, _need(state, now, oldest), oldest)


def _need(state: SiteState, now: Now, oldest: Oldest | None) -> Need:
    site = state.site
    if site is None:
        newest_ms = max(state.heard.values(), default=None)
        is_away = newest_ms is not None and now.time_ms - newest_ms > UNHEARD_MS
        return Need.UNREAD if is_away else Need.UNKNOWN
    needs = [ALARMED.get(alarm.priority, Need.LOW) for alarm in state.alarms if alarm.stands]
    if daemon_state(state.heartbeat, now, site) is not Daemon.RUNNING:
        needs.append(Need.UNWATCHED)
    if oldest is not None and _is_unread(oldest, now, site):
        needs.append(Need.UNREAD)
    return min(needs, default=Need.WELL)


def _is_unread(oldest: Oldest, now: Now, site: Site) -> bool:
    return oldest.time_ms is None or now.time_ms - oldest.time_ms > now.live_for_ms(site, oldest.device)


def _oldest(state: SiteState) -> Oldest | None:
    """Of the devices that the site describes, else of those that were heard of."""
    devices = state.heard if state.site is None else [device.name for device in state.site.devices]
    found = [Oldest(device, state.heard.get(device)) for device in devices]
    return min(found, key=lambda each: -1 if each.time_ms is None else each.time_ms, default=None)


def row_of(standing: Standing) -> Row:
    """A site in words, in the form of the phone that asks. One whose records are of another kind than ours
    spoils no list."""
    try:
        return _row(standing)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        sentence = f"Not known: {BROKEN.format(why=type(error).__name__)}."
        return Row(standing.name, standing.need, (), sentence, "", _oldest_words(standing))


def _row(standing: Standing) -> Row:
    state, site = standing.state, standing.state.site
    oldest = _oldest_words(standing)
    if site is None:
        unread = (Notice("silent", f"{oldest}."),) if standing.need is Need.UNREAD else ()
        sentence = f"Not known: {state.fault}."
        return Row(standing.name, standing.need, unread, sentence, "", "" if unread else oldest)
    snapshot = snapshot_of(standing)
    daemon = daemon_state(state.heartbeat, standing.now, site)
    zone = site.site.zone
    troubles = [alarm_notice(row) for row in alarm_rows(snapshot, site, daemon, zone)]
    silent = daemon_notice(state.heartbeat, standing.now, site)
    charge = charge_of(snapshot, site)
    return Row(
        standing.name,
        standing.need,
        tuple(troubles if silent is None else [*troubles, silent]),
        _sentence(snapshot, site, daemon, charge, zone),
        _charge_words(charge, standing.now),
        oldest,
    )


def _charge_words(charge: Charge, now: Now) -> str:
    """'72 % (64 to 80 %, 19 times in 20)'; an old one says so."""
    figure = charge.figure
    text = f"{figure.text} ({charge.beside})" if charge.beside else figure.text
    if figure.look is not Look.STALE:
        return text
    return f"{text}, as it was {'when last heard of' if now.is_untold else figure.age}"


def _sentence(snapshot: Snapshot, site: Site, daemon: Daemon, charge: Charge, zone: ZoneInfo) -> str:
    """What stands largest on the site's own page: the night ahead where it is known, else the bank now."""
    if snapshot.outlook is not None and daemon is not Daemon.AHEAD:
        spoken = sentence_of(snapshot.outlook, snapshot.now_ms, zone)
        if spoken is not None:
            return spoken[0]
    return bank_sentence(snapshot, site, daemon, charge)


def snapshot_of(standing: Standing) -> Snapshot:
    """As much of a page's snapshot as the words of a row need."""
    state = standing.state
    latest = tuple(held(state.latest))
    times = [reading.time_ms for reading in latest]
    return Snapshot(
        now=standing.now,
        heartbeat=state.heartbeat,
        latest=latest,
        last_good=state.last_good,
        ledger=None,
        day_start_ms=standing.now.time_ms,
        span=(min(times), max(times)) if times else None,
        alarms=state.alarms,
        outlook=_outlook(state),
    )


def _outlook(state: SiteState) -> Mapping[str, Any] | None:
    try:
        return state.outlook
    except StoreError:
        return None  # the bank's own sentence takes its place


def _oldest_words(standing: Standing) -> str:
    """'Oldest reading: shunt, 12 s ago'."""
    oldest = standing.oldest
    if oldest is None:
        return "Nothing was ever read"
    if oldest.time_ms is None:
        return f"{oldest.device} was never read"
    if standing.now.is_untold:
        return f"Oldest reading: {oldest.device}, how long ago is not known"
    return f"Oldest reading: {oldest.device}, {age_text(standing.now.time_ms - oldest.time_ms)}"
