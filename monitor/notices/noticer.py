"""The daemon's part: notices followed until they arrive, expire or are withdrawn; displays; the sign of life.

One thread uses it, the daemon's main one, and only it touches the store. `take` turns what the alarms did
into notices; `follow`, called every second, does all that has become due and returns at once.
"""

from __future__ import annotations

import logging
import queue
import random
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from monitor.clock import Clock
from monitor.errors import NoticeError, StoreError
from monitor.notices import words
from monitor.notices.beat import Beat
from monitor.notices.channels import Display, Picture, build_channel
from monitor.notices.lanes import Lane, Result
from monitor.notices.outbox import DUE, TRYING, Outbox
from monitor.notices.policy import LONGEST_WAIT_MS, RANK, Quiet, next_in_order, to_gather
from monitor.notices.retry import wait_s
from monitor.notices.secrets import secrets_of
from monitor.notices.teller import Teller
from monitor.records import DAY_MS, Event, Notice, Transition
from monitor.site.hours import parse_hours
from monitor.site.model import Site
from monitor.store.base import StoreWriter

log = logging.getLogger("nightbank")

STOP_WAIT_S = 5.0
"""How long a stop waits for a delivery under way (our choice); else it goes again, marked."""

LOOK_BACK_MS = DAY_MS
"""Transitions are looked for from so long before the newest known one: a clock may have been put back."""

CATCH_UP_S = 60.0
"""So often is the store asked for transitions that never came through `take` (our choice)."""

SHOUT_AFTER_S, SHOUT_EVERY_S = 300.0, 3600.0
"""That the store cannot be written is told after so long (an import may hold it up for a moment), then so
often (our choice)."""

CALM_S = 150.0
"""Without an error for so long the store works: it is written every minute at least (our choice)."""

SHOWN = ("state_of_charge", "battery_voltage_V")
"""What displays get beside the alarms."""


class Noticer:
    """Notices of one site. Without channels and without a beat it does next to nothing."""

    def __init__(
        self, site: Site, folder: Path, store: StoreWriter, clock: Clock, *, seed: int | None = None
    ) -> None:
        """folder is the site file's; site has its set points filled in. Opens the channels, takes up what was
        open, and commits: what was being handed over when the daemon ended is due again and marked.
        """
        self._site, self._store, self._clock = site, store, clock
        self._zone = site.site.zone
        hours = site.notices.quiet_hours
        self._quiet = Quiet(parse_hours(hours) if hours else None, self._zone)
        self._secrets = secrets_of(site, folder)
        self._results: queue.SimpleQueue[Result] = queue.SimpleQueue()
        self._lanes: dict[str, Lane] = {}
        self._displays: list[Display] = []
        self._open_channels(random.Random(seed))
        entry = site.notices
        beats = entry.beat_url is not None or entry.beat_secret is not None
        self._beat = Beat(entry, self._secrets) if beats else None
        self._beat_every_s = 60 * entry.beat_every_min
        self._beat_s = self._caught_up_s = self._shouted_s = float("-inf")
        self._failing_since_s = self._failed_s = float("-inf")
        self._forgot_day = -1
        self._outbox = Outbox(store, clock)
        least = {entry.name: RANK[entry.least_priority] for entry in site.channels}
        self._teller = Teller(site, store, clock, self._outbox, {name: least[name] for name in self._lanes})
        self._take_up()
        self._catch_up(self._teller.last_ms - LOOK_BACK_MS)

    @property
    def busy(self) -> bool:
        """Whether a delivery is under way."""
        return any(lane.busy for lane in self._lanes.values())

    def take(self, transitions: Sequence[Transition]) -> None:
        """Make notices of what the alarms did and begin to hand them over. The transitions must be committed.

        Raises StoreError where the notices cannot be kept; they are made of the stored transitions later.
        """
        if transitions:
            self._catch_up(min(each.time_ms for each in transitions))
            self._serve_all()
            self._show()

    def follow(self, *, polling: bool = True) -> None:
        """Do what has become due. polling: whether the daemon's lines go on; without that no beat is sent.

        Raises StoreError where the store cannot be written; what is pending stays so.
        """
        self._take_results()
        now_ms, now_s = self._clock.now_ms(), self._clock.elapsed_s()
        if self._lanes:
            if now_s - self._caught_up_s >= CATCH_UP_S and self._teller.is_behind():
                self._catch_up(self._teller.last_ms - LOOK_BACK_MS)
            for request in self._store.open_requests():
                if request.kind == "test notice":
                    self._teller.test(request, now_ms)
            self._teller.repeat(now_ms, self._alarms)
            if self._clock.is_known:
                self._teller.sum_up(now_ms)
            self._expire(now_ms)
            self._outbox.commit()
            self._serve_all()
        self._forget_old(now_ms)
        if polling and now_s - self._beat_s >= self._beat_every_s:
            self._beat_s = now_s
            self._show()
            if self._beat is not None:
                self._beat.send()

    def moved(self, from_ms: int, by_ms: int) -> None:
        """The clock was off from from_ms on by by_ms: nothing expires, and nothing is told again, for it."""
        self._outbox.moved(from_ms, by_ms)
        self._teller.moved(from_ms, by_ms)

    def shout(self, error: StoreError) -> None:
        """Tell on every channel that the store cannot be written: past the store, which cannot keep it.

        Call it at every StoreError; one that passes soon is not told.
        """
        now_s = self._clock.elapsed_s()
        if now_s - self._failed_s > CALM_S:
            self._failing_since_s = now_s
        self._failed_s = now_s
        if now_s - self._failing_since_s < SHOUT_AFTER_S or now_s - self._shouted_s < SHOUT_EVERY_S:
            return
        self._shouted_s = now_s
        now_ms = self._clock.now_ms()
        title, text = words.store_fails(str(error), self._site.site.name)
        for lane in self._lanes.values():
            if lane.is_free(urgent=True):
                lane.start(Notice(now_ms, "store", "", "urgent", lane.name, title, text, TRYING, now_ms))

    def stop(self) -> None:
        """Wait a moment for deliveries under way, keep what became of them, and close the channels."""
        end_s = self._clock.elapsed_s() + STOP_WAIT_S
        for lane in self._lanes.values():
            lane.wait(max(0.0, end_s - self._clock.elapsed_s()))
        try:
            self._teller.stop()
            self._take_results()
        finally:
            for lane in self._lanes.values():
                lane.channel.close()
            for display in self._displays:
                display.close()

    # --- opening --------------------------------------------------------------------------------------

    def _open_channels(self, rng: random.Random) -> None:
        for entry in self._site.channels:
            try:
                channel, display = build_channel(entry, self._site, self._secrets)
            except ImportError as error:
                log.error("%s: a package for it is missing (%s); install Nightbank again", entry.name, error)
                continue
            if channel is not None:
                self._lanes[entry.name] = Lane(
                    entry.name, channel, self._secrets, self._clock, rng, self._results
                )
            if display is not None:
                self._displays.append(display)

    def _take_up(self) -> None:
        for notice in self._outbox.open():
            if notice.channel not in self._lanes:
                self._outbox.finish(notice, "withdrawn", "its channel is not in the site file any more")
            elif notice.state == TRYING:
                why = "the monitor ended while it was handed over"
                self._outbox.put(replace(notice, state=DUE, maybe_twice=True, last_error=why))
            elif self._teller.after_power_cut and notice.next_ms <= self._clock.now_ms():
                self._outbox.put(replace(notice, maybe_twice=True))
        self._outbox.commit()

    def _catch_up(self, since_ms: int) -> None:
        self._caught_up_s = self._clock.elapsed_s()
        self._alarms = {state.name: state for state in self._store.alarms()}
        self._teller.take_stored(since_ms)

    def _forget_old(self, now_ms: int) -> None:
        if now_ms // DAY_MS != self._forgot_day:
            self._forgot_day = now_ms // DAY_MS
            self._outbox.forget_old()
            self._outbox.commit()

    def _expire(self, now_ms: int) -> None:
        for notice in self._outbox.open():
            if notice.state == DUE and notice.expires_ms is not None and notice.expires_ms <= now_ms:
                self._outbox.finish(notice, "expired")

    # --- deliveries -----------------------------------------------------------------------------------

    def _serve_all(self) -> None:
        now_ms = self._clock.now_ms()
        for lane in self._lanes.values():
            self._serve(lane, now_ms)

    def _serve(self, lane: Lane, now_ms: int) -> None:
        """Begin the next delivery on a lane, if one is due and the lane is free."""
        due = self._due(lane, now_ms)
        if not due or not lane.is_free(urgent=any(n.priority == "urgent" for n in due)):
            return
        if lane.failures == 0 and (together := to_gather(due)):
            self._teller.gather(lane.name, together)
            self._outbox.commit()
            due = self._due(lane, now_ms)
        notice = next_in_order(due)
        if notice is not None:
            self._hand_over(lane, notice)

    def _due(self, lane: Lane, now_ms: int) -> list[Notice]:
        """What may go now. A time too far ahead is of a clock that was put back since."""
        return [
            notice
            for notice in self._outbox.of(lane.name)
            if notice.state == DUE
            and (notice.expires_ms is None or now_ms < notice.expires_ms)
            and not 0 < notice.next_ms - now_ms <= LONGEST_WAIT_MS
            and not (self._clock.is_known and self._quiet.holds(notice, now_ms))
        ]

    def _hand_over(self, lane: Lane, notice: Notice) -> None:
        """Keep that it is being tried, then begin."""
        trying = replace(notice, state=TRYING, attempts=notice.attempts + 1)
        self._teller.goes_out(notice)
        self._outbox.put(trying)
        try:
            self._outbox.commit()
        except StoreError:
            self._outbox.put(notice)
            raise
        lane.start(trying)

    def _take_results(self) -> None:
        while not self._results.empty():
            result = self._results.get_nowait()
            lane = self._lanes[result.channel]
            failed_before = lane.failures > 0
            lane.ended(result.error)
            if result.notice.id == 0:  # shouted past the store
                if result.error is not None:
                    self._shouted_s = float("-inf")
                continue
            if result.error is None:
                self._outbox.finish(result.notice, "delivered")
            else:
                self._put_back(result.notice, result.error)
            self._tell_health(lane, failed_before, result.error)
        self._outbox.commit()

    def _put_back(self, notice: Notice, error: NoticeError) -> None:
        if not error.may_have_arrived:
            self._teller.did_not_go_out(notice)
        alone_s = wait_s(notice.attempts, urgent=notice.priority == "urgent") if error.refused else 0.0
        self._outbox.put(
            replace(
                notice,
                state=DUE,
                next_ms=self._clock.now_ms() + round(1000 * alone_s),
                maybe_twice=notice.maybe_twice or error.may_have_arrived,
                last_error=str(error),
            )
        )

    def _tell_health(self, lane: Lane, failed_before: bool, error: NoticeError | None) -> None:
        """An event when a channel begins to fail and when it works again; a refusal is for the log."""
        if error is not None and error.refused:
            log.warning("%s: a notice was refused: %s", lane.name, error)
        elif error is not None and not failed_before:
            self._event(lane, f"Notices do not get out: {error}. They are kept and tried again.")
        elif error is None and failed_before:
            lasted = words.duration(self._clock.now_ms() - lane.failing_since_ms)
            self._event(lane, f"Notices get out again, after {lasted}.")

    def _event(self, lane: Lane, text: str) -> None:
        self._store.add_event(Event(self._clock.now_ms(), "channel", lane.name, text))
        log.warning("%s: %s", lane.name, text)
        self._outbox.touch()

    # --- displays -------------------------------------------------------------------------------------

    def _show(self) -> None:
        if not self._displays:
            return
        newest = {name: self._store.latest_good(name) for name in SHOWN}
        values = {
            name: (reading.value, reading.time_ms)
            for name, reading in newest.items()
            if reading is not None and reading.value is not None
        }
        alarms = tuple(self._alarms.values())
        picture = Picture(self._clock.now_ms(), self._beat_every_s, alarms, values)
        for display in self._displays:
            display.show(picture)
