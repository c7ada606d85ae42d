"""What is told: alarms' transitions, repeats, summaries and tests become notices in the outbox.

It decides and writes; nothing here waits for a channel. See `policy.py` for who is told when.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import replace
from typing import NamedTuple

from monitor.alarms.rules import rules_of
from monitor.clock import Clock
from monitor.notices import words
from monitor.notices.memory import NOTICES_NOTE, Memory, Standing
from monitor.notices.outbox import DUE, Outbox
from monitor.notices.policy import (
    GATHER_MS,
    PRIORITY_OF,
    RANK,
    RINGS,
    STORM_MS,
    News,
    Way,
    news_of,
    storm_ends_ms,
    way_of,
)
from monitor.notices.summary import Due, Summaries
from monitor.records import DAY_MS, HOUR_MS, MINUTE_MS, AlarmState, Notice, Request, Transition, moved_ms
from monitor.site.model import Site
from monitor.store.base import StoreWriter

log = logging.getLogger("nightbank")

MOST_REPEATS = 12
"""An urgent alarm is told again so often at most (our choice: three hours at the usual quarter of an hour;
whom that does not wake, nothing will)."""

WEEK_MS = 7 * DAY_MS
"""That an alarm is over is worthless after a week (our choice: the page has it)."""

TEST_MS = HOUR_MS
"""A test that took longer than this has failed (our choice)."""


class Advice(NamedTuple):
    """What a rule adds to its alarm's notice."""

    do_first: str = ""
    caution: str = ""
    policy: str = "by priority"


class Teller:
    """Makes the notices of one site. least is each channel's least priority, as a rank.

    after_power_cut: the computer began anew since and nobody had stopped the daemon, so that a
    card that says too early what it has written may have lost what was committed last.
    """

    def __init__(
        self, site: Site, store: StoreWriter, clock: Clock, outbox: Outbox, least: Mapping[str, int]
    ) -> None:
        self._site, self._store, self._clock = site, store, clock
        self._name, self._zone = site.site.name, site.site.zone
        self._outbox, self._least = outbox, least
        self._advice = {r.name: Advice(r.do_first, r.caution, r.notice) for r in rules_of(site)}
        self._summaries = Summaries(site, store, self._zone)
        self._repeat_ms = round(MINUTE_MS * site.notices.repeat_every_min)
        self._since_ms = 0
        self._memory = self._remembered()
        self.after_power_cut = not self._memory.stopped and clock.elapsed_s() < self._memory.uptime_s
        self._memory.stopped = False
        for channel in self._memory.told.keys() - least.keys():
            del self._memory.told[channel]
        self._keep_memory()

    @property
    def last_ms(self) -> int:
        """The time of the newest transition that was looked at; now, where that lies ahead of the clock."""
        return min(self._memory.last_ms, self._clock.now_ms())

    def is_behind(self) -> bool:
        """Whether the store has a transition that was not looked at (its commit failed at first, say)."""
        now_ms = self._clock.now_ms()
        newest = [  # what a clock that was ahead has stamped stays the newest for ever
            *self._store.transitions(0, now_ms + 1, limit=5),
            *self._store.transitions(now_ms + 1, 2**62, limit=5),
        ]
        return any(each.id > self._memory.last_id for each in newest)

    def take_stored(self, since_ms: int) -> None:
        """Make notices of the stored transitions that were not looked at, in the order of their numbers.

        That a transition was looked at is kept in one commit with its notices: none is lost or told twice.
        """
        stored = self._store.transitions(min(since_ms, self.last_ms), 2**62)
        new = sorted((each for each in stored if each.id > self._memory.last_id), key=lambda each: each.id)
        states = {state.name: state for state in self._store.alarms()} if new else {}
        for transition in new:
            self._since_ms = _since_ms(transition, states.get(transition.alarm))
            for channel in self._least:
                self._tell(channel, transition)
            self._memory.last_id, self._memory.last_ms = transition.id, transition.time_ms
            self._keep_memory()
            self._outbox.commit()

    def goes_out(self, notice: Notice) -> None:
        """A notice is about to be handed over: from now on its alarm counts as told on the channel."""
        known = self._memory.on(notice.channel)
        if notice.kind == "alarm" and notice.about not in known:
            known[notice.about] = self._standing(notice)
            self._keep_memory()

    def did_not_go_out(self, notice: Notice) -> None:
        """A channel certainly did not take a notice: unless an earlier try arrived, its alarm is not told."""
        if notice.kind == "alarm" and not notice.maybe_twice:
            self._memory.on(notice.channel).pop(notice.about, None)
            self._keep_memory()

    def gather(self, channel: str, together: list[Notice]) -> None:
        """Put digests in the place of several notices; both belong to the next commit."""
        while together:
            said, count = words.digest(together, self._name, self._zone)
            items, together = together[:count], together[count:]
            highest = max((n.priority for n in items), key=lambda priority: RANK[priority])
            expires_ms = max(n.created_ms for n in items) + WEEK_MS
            twice = any(n.maybe_twice for n in items)
            self._add(channel, "digest", "", highest, said, expires_ms, maybe_twice=twice)
            for item in items:
                self.goes_out(item)
            self._outbox.withdraw(items, "it went into a digest")

    # --- what becomes due by itself -------------------------------------------------------------------

    def repeat(self, now_ms: int, alarms: Mapping[str, AlarmState]) -> None:
        """Tell urgent alarms again that nobody has acknowledged; one open notice for each at a time."""
        for channel in self._least:
            for alarm, standing in self._memory.on(channel).items():
                if standing.repeat_ms is None or now_ms < standing.repeat_ms:
                    continue
                state = alarms.get(alarm)
                if state is None or state.state not in RINGS or standing.repeats >= MOST_REPEATS:
                    standing.repeat_ms = None
                    self._keep_memory()
                elif not self._outbox.of(channel, alarm):
                    since_ms = standing.raised_ms if state.raised_ms is None else state.raised_ms
                    self._tell_again(channel, alarm, standing, now_ms, since_ms)

    def moved(self, from_ms: int, by_ms: int) -> None:
        """The clock was off from from_ms on by by_ms: nothing is told again sooner for it."""
        for alarms in self._memory.told.values():
            for standing in alarms.values():
                standing.raised_ms = moved_ms(standing.raised_ms, from_ms, by_ms)
                standing.repeat_ms = moved_ms(standing.repeat_ms, from_ms, by_ms)
        self._memory.recent = {
            name: [moved_ms(each, from_ms, by_ms) for each in told]
            for name, told in self._memory.recent.items()
        }
        self._keep_memory()

    def sum_up(self, now_ms: int) -> None:
        """The evening's and the morning's summary, where they are wanted and due."""
        entry, memory = self._site.notices, self._memory
        evening = self._summaries.evening_due(now_ms, memory.evening) if entry.evening_summary else None
        if evening is not None:
            memory.evening = evening.day.isoformat()
            self._add_summary("evening", self._summaries.evening(now_ms), evening)
        morning = self._summaries.morning_due(now_ms, memory.morning) if entry.morning_summary else None
        if morning is not None:
            memory.morning = morning.day.isoformat()
            self._add_summary("morning", self._summaries.morning(now_ms), morning)

    def test(self, request: Request, now_ms: int) -> None:
        """The test notices that a person asked for: of one channel, or of all where none is named."""
        wanted = [name for name in self._least if request.subject in ("", name)]
        for channel in wanted:
            said = words.test(self._name, channel, now_ms, self._zone)
            self._add(channel, "test", "", "high", said, now_ms + TEST_MS)
        outcome = f"A test notice is on its way through {', '.join(wanted)}."
        if not wanted:
            outcome = f"There is no channel {request.subject!r} in the site file that takes notices."
        self._store.put_request(replace(request, done_ms=now_ms, outcome=outcome))
        self._outbox.touch()

    def _tell_again(self, channel: str, alarm: str, standing: Standing, now_ms: int, since_ms: int) -> None:
        standing.repeats += 1
        standing.repeat_ms = now_ms + self._repeat_ms
        advice = self._advice.get(alarm, Advice())
        told = words.Told(alarm, standing.priority, since_ms, "", advice.do_first, advice.caution)
        said = words.again(told, standing.repeats + 1, self._zone)
        self._add(channel, "again", alarm, "urgent", said, standing.repeat_ms)
        self._keep_memory()

    def _add_summary(self, kind: str, said: words.Words, due: Due) -> None:
        for channel, least in self._least.items():
            if least <= RANK["medium"]:
                self._add(channel, kind, "", "medium", said, due.worthless_ms)
        self._keep_memory()

    # --- alarms ---------------------------------------------------------------------------------------

    def _tell(self, channel: str, transition: Transition) -> None:
        news, alarm = news_of(transition), transition.alarm
        pending = [n for n in self._outbox.of(channel, alarm) if n.kind in ("alarm", "again")]
        standing = self._memory.on(channel).get(alarm)
        if news is News.RAISED and standing is None:
            self._raise(channel, transition)
        elif news is News.OVER and standing is not None:
            self._outbox.withdraw(pending, "the alarm is over")
            del self._memory.on(channel)[alarm]
            self._tell_over(channel, transition, standing)
        elif news is News.OVER:
            self._outbox.withdraw(pending, "the alarm was over before it could be told")
            lasting = [n for n in pending if n.expires_ms is None and RANK[n.priority] >= RANK["high"]]
            for notice in lasting[:1]:
                self._tell_past(notice, transition)
        elif news is News.PUT_ASIDE:
            self._outbox.withdraw(pending, f"the alarm is {transition.after}")
            self._memory.on(channel).pop(alarm, None)
        elif news is News.KNOWN:
            self._outbox.withdraw(pending, "it was acknowledged")
            if standing is None and pending:
                standing = self._memory.on(channel)[alarm] = self._standing(pending[0])
            if standing is not None:
                standing.repeat_ms = None

    def _raise(self, channel: str, transition: Transition) -> None:
        advice = self._advice.get(transition.alarm, Advice())
        way = way_of(transition.priority, advice.policy)
        if way is Way.NOT or RANK[PRIORITY_OF[way]] < self._least[channel]:
            return
        self._set_right(channel, transition.alarm)
        told = words.Told(
            transition.alarm,
            transition.priority,
            self._since_ms,
            transition.text,
            advice.do_first,
            advice.caution,
        )
        self._add(
            channel,
            "alarm",
            transition.alarm,
            PRIORITY_OF[way],
            words.raised(told, self._name, self._zone),
            transition.worthless_ms,
            created_ms=transition.time_ms,
            next_ms=self._first_try_ms(channel, way),
        )

    def _set_right(self, channel: str, alarm: str) -> None:
        """Before an alarm is told: what waits must not say after it that all is clear, or that it is over."""
        for notice in self._outbox.of(channel):
            if notice.kind in ("returned", "all clear") and notice.about == alarm:
                self._outbox.withdraw([notice], "the alarm came again")
            elif notice.kind == "all clear" and notice.state == DUE:
                title, text = words.no_longer_clear(notice)
                self._outbox.put(replace(notice, kind="returned", title=title, text=text))

    def _first_try_ms(self, channel: str, way: Way) -> int:
        """When a notice may go: at once, when a storm is over, or with the next digest."""
        now_ms = self._clock.now_ms()
        if way is Way.URGENT:
            return now_ms
        if way is Way.DIGEST:
            open_now = self._outbox.of(channel)
            waiting = [n.next_ms for n in open_now if n.priority == "medium" and n.attempts == 0]
            return min((each for each in waiting if each > now_ms), default=now_ms + GATHER_MS)
        recent = self._memory.recent.setdefault(channel, [])
        recent[:] = [each for each in recent if 0 <= now_ms - each < STORM_MS]
        ends_ms = storm_ends_ms(recent, now_ms)
        if ends_ms is None:
            recent.append(now_ms)
        return now_ms if ends_ms is None else ends_ms

    def _tell_over(self, channel: str, transition: Transition, standing: Standing) -> None:
        told = words.Told(transition.alarm, standing.priority, transition.time_ms, transition.text)
        lasted_ms = transition.time_ms - standing.raised_ms
        soon = RANK[standing.priority] >= RANK["high"]
        waiting = any(n.kind == "alarm" for n in self._outbox.of(channel))
        last = not waiting and not self._memory.on(channel)
        self._add(
            channel,
            "all clear" if last else "returned",
            transition.alarm,
            "high" if soon else "medium",
            words.all_clear(told, self._name, self._zone)
            if last
            else words.returned(told, lasted_ms, self._name, self._zone),
            transition.time_ms + WEEK_MS,
            created_ms=transition.time_ms,
            next_ms=self._clock.now_ms() if soon else self._first_try_ms(channel, Way.DIGEST),
        )

    def _tell_past(self, notice: Notice, transition: Transition) -> None:
        """One notice in the place of 'raised' and 'returned': nobody must act, but somebody should know."""
        self._add(
            notice.channel,
            "came and went",
            transition.alarm,
            "medium",
            words.came_and_went(transition.alarm, notice.created_ms, transition.time_ms, self._zone),
            transition.time_ms + WEEK_MS,
            created_ms=transition.time_ms,
            maybe_twice=notice.maybe_twice,
        )

    def _standing(self, notice: Notice) -> Standing:
        repeat_ms = self._clock.now_ms() + self._repeat_ms if notice.priority == "urgent" else None
        return Standing(notice.created_ms, notice.priority, repeat_ms=repeat_ms)

    def _add(
        self,
        channel: str,
        kind: str,
        about: str,
        priority: str,
        said: words.Words,
        expires_ms: int | None,
        *,
        created_ms: int | None = None,
        next_ms: int | None = None,
        maybe_twice: bool = False,
    ) -> None:
        """Put a notice into the outbox; without other times it is made and due now."""
        now_ms = self._clock.now_ms()
        self._outbox.add(
            Notice(
                created_ms=now_ms if created_ms is None else created_ms,
                kind=kind,
                about=about,
                priority=priority,
                channel=channel,
                title=said.title,
                text=said.text,
                state=DUE,
                next_ms=now_ms if next_ms is None else next_ms,
                expires_ms=expires_ms,
                maybe_twice=maybe_twice,
            )
        )

    # --- memory ---------------------------------------------------------------------------------------

    def _remembered(self) -> Memory:
        """The kept memory; the first one begins with what is stored by now, of which nobody is told."""
        kept = self._store.note(NOTICES_NOTE)
        try:
            if kept is not None:
                return Memory.of(kept)
        except ValueError as error:
            log.warning("%s; it begins anew with what happens from now on", error)
        stored = self._store.transitions(0, 2**62)
        return Memory(
            last_id=max((each.id for each in stored), default=0),
            last_ms=max((each.time_ms for each in stored), default=0),
        )

    def stop(self) -> None:
        """The daemon stops in order."""
        self._memory.stopped = True
        self._keep_memory()

    def _keep_memory(self) -> None:
        self._memory.uptime_s = self._clock.elapsed_s()
        self._store.put_note(NOTICES_NOTE, self._memory.text())
        self._outbox.touch()


def _since_ms(transition: Transition, state: AlarmState | None) -> int:
    """Since when the value is beyond its limit: the delay before its transition, where that is known."""
    if state is None or state.raised_ms is None or state.since_ms != transition.time_ms:
        return transition.time_ms
    return min(state.raised_ms, transition.time_ms)
