"""The questions to the store: all that one refresh of the page needs, asked at once.

Imports the store's read side, the ledger and the records. What is asked here is plain values; `summary`
and `figures` turn it into words and charts without the store.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time
from typing import Any

from dashboard.dusk import Turns, take_turns
from dashboard.night import begin_ms, drawn_ms, is_whole
from monitor.alarms.capacity_test import TEST_NOTE, WatchedTest, watched_test
from monitor.bank.ledger import DayLedger, day_ledger
from monitor.errors import StoreError
from monitor.outlook import OUTLOOK_NOTE
from monitor.present import Now, basis_of, latest_of, now_of
from monitor.records import AlarmState, DeviceHealth, Heartbeat, Quality, Reading, Series, to_datetime, to_ms
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.heartbeat import read_heartbeat

HISTORY_MS = 24 * 3600 * 1000
HISTORY_POINTS = 288
HISTORY_STEP_MS = HISTORY_MS // HISTORY_POINTS
"""One bucket for five minutes of the last day: about a pixel and a half on a phone (our choice). They begin
at full five minutes, so that the store answers from its sums and the plots stand still in between."""


DUSK_POINTS = 60
"""The charge since sunset is a calm line: one point for a quarter of an hour (our choice)."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What the store knew now.

    last_good holds the newest good reading of the quantities whose newest reading is not good. ledger is
    None on a local day without readings; day_start_ms is the local midnight before now; basis is what the
    newest estimate rests on. outlook is the newest one's document, charge_since_dusk the estimated charge
    since the sunset that belongs to it. turns tells whether it is night. test is the newest capacity test
    that somebody has begun.
    """

    now: Now
    heartbeat: Heartbeat | None
    latest: tuple[Reading, ...]
    last_good: Mapping[str, Reading]
    ledger: DayLedger | None
    day_start_ms: int
    span: tuple[int, int] | None
    alarms: tuple[AlarmState, ...] = ()
    health: tuple[DeviceHealth, ...] = ()
    basis: tuple[str, ...] = ()
    outlook: Mapping[str, Any] | None = None
    charge_since_dusk: Series | None = None
    turns: Turns | None = None
    test: WatchedTest | None = None

    @property
    def now_ms(self) -> int:
        """The moment of the look."""
        return self.now.time_ms


@dataclass(frozen=True, slots=True)
class History:
    """Bank voltage and current over [start_ms, end_ms), of which all until now_ms has been."""

    start_ms: int
    end_ms: int
    now_ms: int
    voltage: Series
    current: Series


def take_snapshot(reader: StoreReader, site: Site) -> Snapshot:
    """Everything the page says about now. Raises StoreError."""
    now = now_of(reader)
    zone = site.site.zone
    today = to_datetime(now.time_ms).astimezone(zone).date()
    latest = tuple(latest_of(reader))
    doubtful = {reading.quantity for reading in latest if reading.quality is not Quality.GOOD}
    last_good = {quantity: reader.latest_good(quantity) for quantity in doubtful}
    stats = reader.days(today, today)
    outlook = outlook_of(reader)
    return Snapshot(
        now=now,
        heartbeat=read_heartbeat(reader),
        latest=latest,
        last_good={quantity: reading for quantity, reading in last_good.items() if reading is not None},
        ledger=day_ledger(stats, site.metering.level) if stats else None,
        day_start_ms=to_ms(datetime.combine(today, time(), zone)),
        span=reader.span(),
        alarms=tuple(reader.alarms()),
        health=tuple(reader.health()),
        basis=basis_of(reader),
        outlook=outlook,
        charge_since_dusk=_charge_since_dusk(reader, outlook, now.time_ms),
        turns=take_turns(reader, site, outlook, now),
        test=watched_test(reader.note(TEST_NOTE)),
    )


def outlook_of(reader: StoreReader) -> Mapping[str, Any] | None:
    """The newest outlook's document, None where none was made, or only one of a version that tells less than
    is asked here. Raises StoreError for a spoilt note."""
    text = reader.note(OUTLOOK_NOTE)
    if text is None:
        return None
    try:
        found = json.loads(text)
    except ValueError as error:
        raise StoreError(
            "the store's outlook cannot be read; while the monitor runs it is written anew within a quarter"
            " of an hour"
        ) from error
    return found if is_whole(found) else None


def _charge_since_dusk(reader: StoreReader, outlook: Mapping[str, Any] | None, now_ms: int) -> Series | None:
    if outlook is None:
        return None
    until_ms = drawn_ms(now_ms)
    return reader.series("state_of_charge", begin_ms(outlook, until_ms), until_ms, DUSK_POINTS)


def take_history(reader: StoreReader, site: Site) -> History:
    """Bank voltage and current of the last 24 hours, up to the five minutes that run. Raises StoreError."""
    now_ms = now_of(reader).time_ms
    end_ms = (now_ms // HISTORY_STEP_MS + 1) * HISTORY_STEP_MS
    start_ms = end_ms - HISTORY_MS
    return History(
        start_ms,
        end_ms,
        now_ms,
        reader.series("battery_voltage_V", start_ms, end_ms, HISTORY_POINTS),
        reader.series(current_shown(site), start_ms, end_ms, HISTORY_POINTS),
    )


def current_shown(site: Site) -> str:
    """The current that tells most at the site's metering level: net, or the charge current alone."""
    return "charge_current_A" if site.metering.level == "charging" else "battery_current_A"
