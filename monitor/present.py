"""What stands now: which reading speaks for a quantity and how it may be taken; `nightbank now`'s document.

Page, command line and programs that ask for JSON go by the same rules, so that they cannot differ.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from monitor.alarms.capacity_test import TEST_NOTE, lead_of, watched_test
from monitor.alarms.standing import in_order
from monitor.alarms.telling import clock_words
from monitor.clock import CLOCK_NOTE, Clock, UntoldClock, clock_from_note
from monitor.power.dark_note import DARK_NOTE, dark_of
from monitor.quantities import QUANTITIES, Stage
from monitor.records import (
    DAY_MS,
    AlarmState,
    DeviceHealth,
    Quality,
    Reading,
    iso_utc,
)
from monitor.sampling import BASIS_NOTE, ESTIMATE, SLOW_QUANTITIES
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.bundle import HELD_NOTE, with_waiting

MISSED_POLLS = 3
"""One lost poll is noise, three are an outage (our choice)."""

SLACK_S = 10.0
"""What a commit and a refresh of the page may take on a busy small computer (our choice)."""

COMMITS_MISSED, PAUSE_S = 2, 30.0
"""The daemon is silent after two commit intervals and half a minute without a heartbeat (our choice)."""

PRESENT_S = 60.0
"""Whatever the site polls, a value within the last minute is the present to a person (our choice)."""

DARK_TOLD_MS = DAY_MS
"""So long a dark time is told among what stands now (our choice: until everybody has looked once)."""

TIME_UNKNOWN = (
    "Nobody has told the monitor the time since its computer was switched on. Readings are kept and get their"
    " time when it is known."
)


class Look(StrEnum):
    """How a value may be taken now."""

    LIVE = "live"
    STALE = "stale"
    SUSPECT = "suspect"
    MISSING = "missing"


def quality_of(look: Look) -> str:
    """The word of documents for it: good, stale, suspect or missing."""
    return "good" if look is Look.LIVE else str(look)


LOOKS = {Quality.GOOD: Look.LIVE, Quality.SUSPECT: Look.SUSPECT, Quality.MISSING: Look.MISSING}
"""How a fresh reading of each quality looks."""

ORDER = (Look.LIVE, Look.SUSPECT, Look.MISSING)
"""Which of several fresh readings of a quantity stands for it."""


@dataclass(frozen=True, slots=True)
class Now:
    """The moment at which a reader looks, by the clock that the store's readings go by.

    lag_s is how late a copy may be that the reader looks at, None where it looks at the site's own store.
    Where the time is not known (is_known) time_ms is the earliest that it can be. is_untold: the daemon did
    not know it when it last wrote, so that from here nobody can tell how long ago that was.
    """

    time_ms: int
    speed: float
    lag_s: float | None = None
    is_known: bool = True
    is_untold: bool = False

    @classmethod
    def by(cls, clock: Clock, lag_s: float | None) -> Now:
        """The present by the clock of a store."""
        return cls(clock.now_ms(), clock.speed, lag_s, clock.is_known, isinstance(clock, UntoldClock))

    @property
    def is_of_copy(self) -> bool:
        """Whether the reader looks at a copy."""
        return self.lag_s is not None

    def live_for_ms(self, site: Site, device: str) -> float:
        """How old a device's reading may be and still be the present: a commit interval and three polls."""
        periods = {entry.name: site.slowest_every_s(entry) for entry in site.devices}
        every_s = periods[device] if device in periods else max(periods.values(), default=5.0)
        within_s = (self.lag_s or 0.0) + site.store.commit_every_s + MISSED_POLLS * every_s + SLACK_S
        return max(within_s, PRESENT_S) * 1000 * self.speed

    def patience_ms(self, site: Site) -> float:
        """How old the heartbeat of a daemon that runs may be."""
        silent_s = (self.lag_s or 0.0) + COMMITS_MISSED * site.store.commit_every_s + PAUSE_S
        return silent_s * 1000 * self.speed

    def look_of(self, site: Site, reading: Reading) -> Look:
        """How one reading may be taken. A stamp well ahead of the clock is as little 'now' as an old one."""
        if abs(self.time_ms - reading.time_ms) > self.live_for_ms(site, reading.device):
            return Look.STALE
        return LOOKS[reading.quality]

    def standing(self, site: Site, latest: Sequence[Reading], quantity: str) -> Reading | None:
        """The reading that stands for a quantity, out of the store's latest in their rank order.

        Live before suspect before missing before stale, then by rank; among stale ones the newest.
        """
        readings = [reading for reading in latest if reading.quantity == quantity]
        fresh = [
            (ORDER.index(look), rank)
            for rank, reading in enumerate(readings)
            if (look := self.look_of(site, reading)) is not Look.STALE
        ]
        if fresh:
            return readings[min(fresh)[1]]
        return max(readings, key=lambda reading: reading.time_ms, default=None)


def now_of(reader: StoreReader) -> Now:
    """The present of a store: the computer's clock, or the faster one that a demo has noted."""
    return Now.by(clock_from_note(reader.note(CLOCK_NOTE)), reader.lag_s)


def latest_of(reader: StoreReader) -> list[Reading]:
    """The newest readings as they may be shown: those that wait for their time, too, and the slow ones of an
    estimate as old as the newest estimate."""
    return held(with_waiting(reader.latest(), reader.note(HELD_NOTE)))


def held(latest: Sequence[Reading]) -> list[Reading]:
    """The store's latest readings, those that are stored only when they change as old as the newest estimate.

    Capacity and unseen load of one estimate are stored together: one that the newest of them left out is not
    known any more and keeps its time.
    """
    estimated = [reading for reading in latest if reading.device == ESTIMATE]
    slow_ms = max((r.time_ms for r in estimated if r.quantity in SLOW_QUANTITIES), default=None)
    newest_ms = max((r.time_ms for r in estimated if r.quantity == "state_of_charge"), default=slow_ms)
    if slow_ms is None or newest_ms is None or newest_ms <= slow_ms:
        return list(latest)
    return [
        replace(reading, time_ms=newest_ms)
        if reading.device == ESTIMATE and reading.quantity in SLOW_QUANTITIES and reading.time_ms == slow_ms
        else reading
        for reading in latest
    ]


def basis_of(reader: StoreReader) -> tuple[str, ...]:
    """What the newest estimate rests on, in words, most important first; empty where none was made."""
    return tuple((reader.note(BASIS_NOTE) or "").splitlines())


def _told(site: Site) -> set[str]:
    """The document's quantities: the charge has places of its own, the capacity is `nightbank bank`'s."""
    elsewhere = ("state_of_charge", "bank_capacity")
    return {name for name in told_of(site) if not name.startswith(elsewhere)}


def told_of(site: Site) -> tuple[str, ...]:
    """The quantities told of a site: the unseen load only where the loads are not metered."""
    unseen = set() if site.metering.level == "charging" else {"unseen_load_A"}
    return tuple(name for name in QUANTITIES if name not in unseen)


@dataclass(frozen=True, slots=True)
class Standing:
    """The reading that stands for each quantity now, and how it may be taken; what never came is absent."""

    now: Now
    readings: Mapping[str, Reading]
    looks: Mapping[str, Look]

    def live(self, quantity: str) -> float | None:
        """The value that may be taken as the present one, None where there is none."""
        return self.readings[quantity].value if self.looks.get(quantity) is Look.LIVE else None

    @property
    def stage(self) -> str | None:
        """The charge stage now in the trade's word, None where it is not known."""
        stage = self.live("charge_stage")
        return None if stage is None else Stage(int(stage)).name.lower()


def standing_now(site: Site, reader: StoreReader) -> Standing:
    """What stands now. Where several devices give a quantity `Now.standing` chooses."""
    now = now_of(reader)
    latest = latest_of(reader)
    readings = {
        name: reading for name in QUANTITIES if (reading := now.standing(site, latest, name)) is not None
    }
    return Standing(now, readings, {name: now.look_of(site, each) for name, each in readings.items()})


def present(site: Site, reader: StoreReader) -> dict[str, Any]:
    """The document of `nightbank now --json`.

    A quantity that several devices give is taken from the one that stands (`Now.standing`). quality is
    good, suspect, missing or stale; one without a value tells its last good one under last, if there was
    one. soc, soc_sd and stage are None where unknown or stale; soc_before is then the last estimate of the
    charge. basis lists what the charge rests on. The unseen load is told only where the loads are not
    metered. dark is the last time in which nobody watched, None a day after its end. capacity_test is one
    that somebody has begun and that is watched still, else None: phase is before, while, rest, after or void,
    ends when the loads are to be switched off if they go on as they did when it was seen, None where nothing
    is drawn, text all of it in the site's time.
    """
    standing = standing_now(site, reader)
    told = _told(site)
    described = {device.name for device in site.devices}
    soc = standing.live("state_of_charge")
    return {
        "time": iso_utc(standing.now.time_ms),
        "time_known": standing.now.is_known,
        "site": site.site.name,
        "quantities": {
            name: reading_row(reading, standing.looks[name], standing.now.time_ms) | _last(reader, reading)
            for name, reading in standing.readings.items()
            if name in told
        },
        "soc": soc,
        "soc_sd": standing.live("state_of_charge_sd"),
        "soc_before": _before(standing) if soc is None else None,
        "basis": list(basis_of(reader)) if soc is not None else [],
        "stage": standing.stage,
        "dark": _dark(reader.note(DARK_NOTE), standing.now.time_ms),
        "capacity_test": _watched(site, reader.note(TEST_NOTE), standing.now.time_ms),
        "alarms": [_alarm(state) for state in in_order(reader.alarms())],
        "devices": [device_row(health) for health in reader.health() if health.device in described],
    }


def _last(reader: StoreReader, reading: Reading) -> dict[str, Any]:
    """The last good value of a quantity whose reading has none."""
    good = reader.latest_good(reading.quantity) if reading.value is None else None
    return {} if good is None else {"last": {"value": good.value, "time": iso_utc(good.time_ms)}}


def _before(standing: Standing) -> dict[str, Any] | None:
    """The last estimate of the charge, which is of the present no more."""
    soc, sd = (standing.readings.get(name) for name in ("state_of_charge", "state_of_charge_sd"))
    if soc is None or sd is None or soc.value is None or sd.value is None:
        return None
    return {"soc": soc.value, "soc_sd": sd.value, "time": iso_utc(soc.time_ms)}


def _dark(note: str | None, now_ms: int) -> dict[str, Any] | None:
    dark = dark_of(note)
    if dark is None or now_ms - (dark.to_ms or dark.from_ms) > DARK_TOLD_MS:
        return None
    to = None if dark.to_ms is None else iso_utc(dark.to_ms)
    return {"from": iso_utc(dark.from_ms), "to": to, "text": dark.text}


def _watched(site: Site, note: str | None, now_ms: int) -> dict[str, Any] | None:
    test = watched_test(note)
    if test is None or not test.runs:
        return None
    zone = site.site.zone
    lead = lead_of(test, now_ms, lambda time_ms: clock_words(time_ms, now_ms, zone))
    return {
        "begun": iso_utc(test.begun_ms),
        "by": test.by,
        "seen": iso_utc(test.at_ms),
        "phase": test.phase,
        "ends": None if test.ends_ms is None else iso_utc(test.ends_ms),
        "text": f"{lead} {test.says}",
    }


def reading_row(reading: Reading, look: Look, now_ms: int) -> dict[str, Any]:
    """A reading as JSON; reason is there only where it is not good."""
    row: dict[str, Any] = {
        "value": None if reading.value is None else float(f"{reading.value:.6g}"),
        "unit": QUANTITIES[reading.quantity].unit,
        "age_s": round((now_ms - reading.time_ms) / 1000, 1),
        "quality": quality_of(look),
        "device": reading.device,
    }
    if reading.reason:
        row["reason"] = reading.reason
    return row


def _alarm(state: AlarmState) -> dict[str, Any]:
    return {
        "name": state.name,
        "state": state.state,
        "since": iso_utc(state.raised_ms or state.since_ms),
        "stands": state.stands,
        "priority": state.priority,
        "text": state.text,
        "first_out": state.first_out,
        "shelved_until": None if state.shelved_until_ms is None else iso_utc(state.shelved_until_ms),
    }


def device_row(health: DeviceHealth) -> dict[str, Any]:
    """How a device has been answering, as JSON."""
    return {
        "name": health.device,
        "connection": health.connection,
        "state": health.state,
        "since": iso_utc(health.since_ms),
        "last_good": None if health.last_good_ms is None else iso_utc(health.last_good_ms),
        "round_trip_ms": health.round_trip_ms,
        "polls": health.polls,
        "errors": dict(health.errors),
        "last_error": health.last_error,
        "remark": health.remark,
    }
