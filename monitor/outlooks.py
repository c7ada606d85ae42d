"""The daemon's share of the outlook: made anew every quarter of an hour and kept as a note of the store.

The weeks behind are read once after the start, one day in a round of the main loop, and from then on only
what is new; a finished day's share of the sun is worked out once. So a round is never long.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

from monitor.bank.ahead import Ahead
from monitor.bank.description import describe_site
from monitor.bank.estimator import BankEstimator
from monitor.clock import Clock
from monitor.errors import StoreError, SunError
from monitor.local_days import day_at, local_day
from monitor.outlook import OUTLOOK_NOTE
from monitor.outlook.answer import Outlook
from monitor.outlook.document import document
from monitor.outlook.make import SUPPOSED, Known, make
from monitor.outlook.past import KEPT_DAYS, QUANTITIES, SLOT_MS, SitePast
from monitor.outlook.sky import BEHIND_DAYS, past_shares
from monitor.records import DAY_MS, HOUR_MS
from monitor.sampling import BASIS_NOTE
from monitor.site.model import Site
from monitor.store.base import StoreWriter
from monitor.sun.day import Clear
from monitor.sun.expected import Supply, noted, supply_of

log = logging.getLogger("nightbank")

EVERY_MS = 900_000
"""How often an outlook is made (our choice: a bank changes slowly, a person looks seldom)."""

SILENT_MS = 3 * HOUR_MS
"""An estimate older than this is no ground for an outlook (our choice)."""

PIECE_MS = 6 * HOUR_MS
"""So much of the past is held at a time (a whole number of SLOT_MS): a day at 5 s takes 2 MB more, which stay
with the process (measured)."""

AHEAD_DAYS = 6


class Outlooks:
    """Keeps the store's outlook up to date."""

    def __init__(self, site: Site, store: StoreWriter, clock: Clock) -> None:
        """site must have its set points filled in."""
        self._site, self._store, self._clock = site, store, clock
        self._bank = describe_site(site)
        self._zone = site.site.zone
        self._past = SitePast(site)
        now_ms = clock.now_ms()
        self._read_ms = now_ms // SLOT_MS * SLOT_MS
        self._unread = [
            (self._read_ms - (number + 1) * DAY_MS, self._read_ms - number * DAY_MS)
            for number in reversed(range(KEPT_DAYS))
        ]
        self._made_ms: int | None = None
        self._shares: dict[date, float | None] = {}
        self._ahead: dict[date, tuple[Clear, ...]] = {}
        self._supply: Supply | None = None
        if site.array is not None:
            try:
                self._supply = supply_of(site)
            except SunError as error:
                log.warning("no sun in the outlook: %s", error)

    def follow(self, estimator: BankEstimator) -> Outlook | None:
        """A new outlook where one is due, kept as a note too; None in all other rounds."""
        now_ms = self._clock.now_ms()
        if self._unread:
            self._read(*self._unread.pop(0))
            return None
        if self._made_ms is not None and 0 <= now_ms - self._made_ms < EVERY_MS:
            return None
        last_ms = estimator.last_ms
        soc = estimator.soc
        if last_ms is None or soc is None or now_ms - last_ms > SILENT_MS:
            return None
        start_ms, end_ms = self._read_ms, now_ms // SLOT_MS * SLOT_MS
        if end_ms > start_ms:
            self._read_ms = end_ms
            self._read(max(start_ms, end_ms - KEPT_DAYS * DAY_MS), end_ms)
        self._made_ms = now_ms
        outlook = self._make(estimator, soc, now_ms)
        self._store.put_note(OUTLOOK_NOTE, json.dumps(document(outlook, self._zone), ensure_ascii=False))
        return outlook

    def _read(self, start_ms: int, end_ms: int) -> None:
        """Take a time into the past. Raises StoreError; what is left then is the first to be read next."""
        for piece_ms in range(start_ms, end_ms, PIECE_MS):
            piece_end_ms = min(piece_ms + PIECE_MS, end_ms)
            try:
                rows = list(self._store.rows(QUANTITIES, piece_ms, piece_end_ms, SLOT_MS / 1000))
            except StoreError:
                self._unread.insert(0, (piece_ms, end_ms))
                raise
            for time_ms, row in rows:
                self._past.add(time_ms, row)

    def _make(self, estimator: BankEstimator, soc: float, now_ms: int) -> Outlook:
        def banks() -> Ahead:
            found = estimator.ahead(SUPPOSED)
            assert found is not None, "a charge is told only after a voltage was read"
            return found

        basis = tuple((self._store.note(BASIS_NOTE) or "").splitlines())
        known = Known(self._site, self._bank, now_ms, soc, banks, self._past, basis=basis)
        if self._supply is not None:
            today = day_at(self._zone, now_ms).day
            known = replace(
                known,
                clear=self._clear_ahead(self._supply, today),
                shares=self._past_shares(self._supply, today, now_ms),
            )
        return make(known)

    def _clear_ahead(self, supply: Supply, today: date) -> list[Clear]:
        """The clear sky from today on, as far as the store has tables."""
        days = [today + timedelta(days=number) for number in range(AHEAD_DAYS + 1)]
        self._ahead = {day: steps for day, steps in self._ahead.items() if day >= today}
        for day in days:
            if day not in self._ahead:
                steps = noted(supply, day, self._store)
                if steps is None:
                    break
                self._ahead[day] = steps
        return [step for day in sorted(self._ahead) for step in self._ahead[day]]

    def _past_shares(self, supply: Supply, today: date, now_ms: int) -> Sequence[float | None]:
        """The finished days' shares and today's so far."""
        days = [today - timedelta(days=number) for number in range(BEHIND_DAYS, 0, -1)]
        self._shares = {day: self._shares[day] for day in days if day in self._shares}
        for day in days:
            steps = None if day in self._shares else noted(supply, day, self._store)
            if steps is not None:  # a day without its table yet is asked for again next time
                self._shares[day] = next(iter(past_shares(self._past, now_ms, {day: steps})), None)
        shares = [self._shares.get(day) for day in days]
        if today in self._ahead and now_ms > local_day(self._zone, today).start_ms:
            shares += past_shares(self._past, now_ms, {today: self._ahead[today]})
        return shares
