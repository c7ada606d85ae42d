"""In the daemon: a capacity test that somebody has begun, watched until it is over.

Every discharge that began full can be a test, and the guide tells of each. Who begins one (page or command
line, by a request in the store) is called besides: when the loads are to be switched off, and when the bank
waits for its charge. The alarms do that from the note that is kept here. It switches nothing, and a test that
was forgotten ends by itself, with an event that says why.
"""

from __future__ import annotations

import logging
from dataclasses import replace
from typing import Any

from monitor.alarms.capacity_test import (
    BEGIN,
    END,
    ENDED,
    TEST_EVENT,
    TEST_NOTE,
    TO_CHARGE,
    VOID,
    WatchedTest,
    watched_test,
)
from monitor.alarms.telling import clock_words
from monitor.care.entry import LogRefused, clean_name
from monitor.clock import Clock
from monitor.errors import ServerError
from monitor.records import DAY_MS, HOUR_MS, MINUTE_MS, Event, Request, parse_iso
from monitor.site.model import Site
from monitor.store.base import StoreWriter

LOOK_MS = MINUTE_MS
"""A test is looked at so often (our choice, as slow alarms are)."""

RESTS_MS = 300_000
"""While the bank rests, whose readings are gone through each time, so often (our choice)."""

UNBEGUN_MS = DAY_MS
"""A test that nobody has gone on with for a day is forgotten (our choice: the bank is no longer as full)."""

LONGEST_MS = 3 * DAY_MS
"""No test is watched for longer (our choice: so far back discharges are looked for)."""

VOID_MS = HOUR_MS
"""Who counts on a call is told for so long that a charge has spoilt the test (our choice)."""

CHARGED = "the bank was charged meanwhile, so that the test tells nothing any more"
NOT_YET = "Nothing is drawn from the bank yet."
SILENT = "nothing is read any more, so nobody knows what is taken"
HOLE = "nothing was read for a while, so nobody knows what was taken"

log = logging.getLogger("nightbank")


class CapacityWatch:
    """Begins, follows and ends the watched test; note and events go into the store. It commits nothing."""

    def __init__(self, site: Site, store: StoreWriter, clock: Clock) -> None:
        """site must have its set points filled in."""
        self._site, self._store, self._clock = site, store, clock
        self._zone = site.site.zone
        self._looked_ms: int | None = None

    def follow(self) -> bool:
        """Once a second: what people ask, and the test where a look is due; whether somebody waits for it."""
        asked = [request for request in self._store.open_requests() if request.kind in (BEGIN, END)]
        for request in asked:
            self._do(request)
        test, now_ms = self._test(), self._clock.now_ms()
        if test is not None and test.runs and self._is_due(test, now_ms):
            self._looked_ms = now_ms
            self._look(test, now_ms)
        return bool(asked)

    def _is_due(self, test: WatchedTest, now_ms: int) -> bool:
        every_ms = RESTS_MS if test.phase == "rest" else LOOK_MS
        return self._looked_ms is None or abs(now_ms - self._looked_ms) >= every_ms

    def moved(self, from_ms: int, by_ms: int) -> None:
        """The clock was off from from_ms on by by_ms: the test's times follow."""
        test = self._test()
        if test is not None and test.runs:
            self._store.put_note(TEST_NOTE, test.moved(from_ms, by_ms).note())
        self._looked_ms = None

    def _test(self) -> WatchedTest | None:
        return watched_test(self._store.note(TEST_NOTE))

    def _do(self, request: Request) -> None:
        now_ms, count = self._clock.now_ms(), 1
        try:
            outcome = self._begin(request, now_ms) if request.kind == BEGIN else self._end(request, now_ms)
        except LogRefused as refused:
            outcome, count = str(refused), 0
        details = {**request.details, "changed": float(count)}
        self._store.put_request(replace(request, details=details, done_ms=now_ms, outcome=outcome))
        log.info("asked to %s: %s", request.kind, outcome)

    def _begin(self, request: Request, now_ms: int) -> str:
        """Watch a test from now on; the outcome for the person. Raises LogRefused."""
        by, test = clean_name(request.by), self._test()
        if test is not None and test.runs:
            raise LogRefused(f"A test is watched already, since {self._at(test.begun_ms, now_ms)}.")
        try:
            guide = self._guide()
        except ServerError as error:
            raise LogRefused(f"Not begun: {error}") from None
        why = _why_not(guide)
        if why:
            raise LogRefused(f"Not begun. {why}")
        begun = self._seen(WatchedTest(now_ms, by, now_ms, "before", now_ms), guide, now_ms)
        self._store.put_note(TEST_NOTE, begun.note())
        self._tell(now_ms, f"A capacity test was begun by {by}.")
        poor = [each["words"] for each in guide["ready"] if each["is_met"] is False]
        told = ["The test is watched from now on.", self._who_is_called(), begun.says, *poor]
        return " ".join(told)

    def _end(self, request: Request, now_ms: int) -> str:
        """Watch it no longer. Raises LogRefused."""
        by, test = clean_name(request.by), self._test()
        if test is None or not test.runs:
            raise LogRefused("No capacity test is watched.")
        self._over(test, now_ms, f"The watch over the capacity test was ended by {by}.")
        if test.phase in ("while", "rest", "after"):
            return "It is watched no longer. Charge the bank full: it must not stand empty."
        return "It is watched no longer."

    def _look(self, test: WatchedTest, now_ms: int) -> None:
        """Where the test stands now. While its server is away the note stands, and the alarm counts on."""
        if now_ms - test.begun_ms > LONGEST_MS:
            self._over(test, now_ms, "The capacity test is ended: it was watched for three days.")
            return
        try:
            seen = self._seen(test, self._guide(), now_ms)
        except ServerError as error:
            log.warning("%s; how far the capacity test is cannot be told", error)
            return
        if seen.runs:
            self._store.put_note(TEST_NOTE, seen.note())
        else:
            self._over(test, now_ms, seen.says)

    def _over(self, test: WatchedTest, now_ms: int, why: str) -> None:
        ended = WatchedTest(test.begun_ms, test.by, now_ms, ENDED, now_ms, why)
        self._store.put_note(TEST_NOTE, ended.note())
        self._tell(now_ms, why)

    def _seen(self, test: WatchedTest, guide: dict[str, Any], now_ms: int) -> WatchedTest:
        """The test by what the guide tells."""
        from monitor.capacity.words import guide_sentence  # only while there is a test

        phase, discharge = guide["phase"], guide["discharge"]
        says = guide_sentence(guide, lambda time_ms: self._at(time_ms, now_ms))
        if phase == "cannot":
            return self._in(test, now_ms, ENDED, says)
        if test.phase == VOID:
            is_told = now_ms - test.phase_ms >= VOID_MS
            return self._in(test, now_ms, ENDED if is_told else VOID, test.says, 0.0, test.why)
        if guide["drawn_A"] is None and test.phase != "before" and (discharge or test.phase != "while"):
            return test  # not read for a moment: the alarm counts on, a rest and a wait go on
        if discharge is not None:
            left_h = 0.0 if discharge["stop"] else discharge["hours_left"]
            why = discharge["stop"] or discharge["ends_by"] or ""
            return self._in(test, now_ms, phase, says, left_h, why)
        if phase == "after" and guide["to_charge"]:
            return self._in(test, now_ms, phase, says)
        if test.phase == "before":
            if now_ms - test.begun_ms <= UNBEGUN_MS:
                return self._in(test, now_ms, "before", NOT_YET)
            return self._in(test, now_ms, ENDED, "The capacity test is ended: nothing was drawn for a day.")
        broken_off = self._broken_off(test, guide, now_ms)
        if broken_off is None and test.phase == "while" and test.left_h is not None:
            return self._in(test, now_ms, VOID, f"The capacity test is over: {CHARGED}.", 0.0, CHARGED)
        return broken_off or self._in(test, now_ms, ENDED, self._gave(test))

    def _gave(self, test: WatchedTest) -> str:
        """What a test gave that a charge has ended."""
        from monitor.capacity.words import capacity_sentence

        if test.phase == "after":
            return f"The capacity test is over. {test.says.removesuffix(TO_CHARGE)}"
        result = self._guide(past=True)["result"]
        if result is not None and parse_iso(result["to"]) >= test.begun_ms:
            return f"The capacity test is over. {capacity_sentence(result)}"
        return "The capacity test is ended: the bank was charged before its rest told anything."

    def _broken_off(self, test: WatchedTest, guide: dict[str, Any], now_ms: int) -> WatchedTest | None:
        """The test where nobody saw how its discharge went on; None where a charge has ended it."""
        is_read = guide["drawn_A"] is not None
        if is_read and guide["is_counted"]:
            return None
        why = HOLE if is_read else SILENT
        if is_read and not guide["drawn_A"]:
            said = f"The capacity test is ended: {HOLE}. Charge the bank full: it must not stand empty."
            return self._in(test, now_ms, ENDED, said)
        return self._in(test, now_ms, "while", f"Switch the loads off now: {why}.", 0.0, why)

    def _in(
        self,
        test: WatchedTest,
        now_ms: int,
        phase: str,
        says: str,
        left_h: float | None = None,
        why: str = "",
    ) -> WatchedTest:
        phase_ms = test.phase_ms if phase == test.phase else now_ms
        return WatchedTest(test.begun_ms, test.by, now_ms, phase, phase_ms, says, left_h, why)

    def _guide(self, *, past: bool = False) -> dict[str, Any]:
        from monitor.capacity.guide import guide_document  # only while there is a test

        return guide_document(self._site, self._store, past=past)

    def _who_is_called(self) -> str:
        names = [channel.name for channel in self._site.channels]
        if not names:
            return (
                "The site file names no channel, so nobody is called but who looks at the page: look there"
                " every hour."
            )
        return f"You are called by {', '.join(names)} when the loads are to be switched off."

    def _at(self, time_ms: int, now_ms: int) -> str:
        return clock_words(time_ms, now_ms, self._zone)

    def _tell(self, now_ms: int, text: str) -> None:
        self._store.add_event(Event(now_ms, TEST_EVENT, "", text))
        log.info("%s", text)


def _why_not(guide: dict[str, Any]) -> str:
    """Why a test cannot be watched now, '' where it can: what makes it a poor one is a person's to weigh."""
    if guide["phase"] == "cannot":
        return f"The capacity cannot be tested: {guide['why_not']}."
    lacks = [each["words"] for each in guide["ready"] if each["is_met"] is False and each["is_needed"]]
    return lacks[0] if lacks and guide["discharge"] is None else ""
