"""In the daemon: what people ask to have written into the log, checked and filed once a second."""

from __future__ import annotations

import logging
from dataclasses import replace

from monitor.alarms.telling import clock_words
from monitor.care.entry import KINDS, LOG, LogRefused, changed, entry_of, figures_words
from monitor.clock import Clock
from monitor.records import LogEntry, Request
from monitor.site.model import Site
from monitor.store.base import StoreWriter

LONGEST_NUMBER = 15
"""Digits of an entry's number: any more the store could not even look for."""

log = logging.getLogger("nightbank")


class LogKeeper:
    """Does the requests of the kinds 'log' and 'edit log'. It commits nothing. One thread uses it."""

    def __init__(self, site: Site, store: StoreWriter, clock: Clock) -> None:
        self._site, self._store, self._clock = site, store, clock
        self._zone = site.site.zone

    def follow(self) -> bool:
        """Do what is asked for; whether anything was, so that somebody waits for the commit."""
        asked = [request for request in self._store.open_requests() if request.kind in KINDS]
        for request in asked:
            self._do(request)
        return bool(asked)

    def _do(self, request: Request) -> None:
        now_ms = self._clock.now_ms()
        try:
            outcome, count = self._written(request, now_ms), 1
        except LogRefused as refused:
            outcome, count = f"Not written: {refused}", 0
        details = {**request.details, "changed": float(count)}
        self._store.put_request(replace(request, details=details, done_ms=now_ms, outcome=outcome))
        log.info("asked to %s %s: %s", request.kind, request.subject, outcome)

    def _written(self, request: Request, now_ms: int) -> str:
        """File the entry; the outcome for the person. Raises LogRefused."""
        entry = entry_of(request, self._site, now_ms)
        if request.kind == LOG:
            self._store.add_log_entry(entry)
            return f"Written: {self._told(entry, now_ms)}"
        is_number = request.subject.isdecimal() and len(request.subject) <= LONGEST_NUMBER
        before = self._store.log_entry(int(request.subject)) if is_number else None
        if before is None:
            raise LogRefused(f"the log has no entry {request.subject}.")
        after = changed(before, entry)
        if after is None:
            raise LogRefused("nothing of it differs from what stands there.")
        self._store.put_log_entry(after)
        return f"Changed, with the former wording kept: {self._told(after, now_ms)}"

    def _told(self, entry: LogEntry, now_ms: int) -> str:
        lead = f"{entry.kind}, {clock_words(entry.time_ms, now_ms, self._zone)}"
        figures = figures_words(entry, self._site.bank)
        return f"{lead}: {figures}" if figures else f"{lead}."
