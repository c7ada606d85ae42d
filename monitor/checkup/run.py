"""The conversation: one act after another, noticed by the readings or confirmed by Enter, each then read
for a while."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from monitor.checkup.acts import Act, again, out_of_place, plan, to_put_back
from monitor.checkup.keys import Keys
from monitor.checkup.levels import LEAST_SAMPLES
from monitor.checkup.notice import NOTICED, shows
from monitor.checkup.questions import ask_all
from monitor.checkup.recording import ARRAY_OFF, START, Answers, Phase, Recording, Sample, Sun
from monitor.checkup.roles import roles_of, silent
from monitor.checkup.sources import Source
from monitor.errors import SunError
from monitor.local_days import day_at
from monitor.site.model import Site
from monitor.sun.expected import clear_days, supply_of

LEAST_PERIODS = 4
"""A phase is read for at least so many periods of the slowest device (our choice: three samples tell, one
is lost)."""

COVER_SHARE = 0.5
"""Coverings are read for half as long: clouds move (our choice)."""

SETTLE_S, SETTLE_PERIODS = 3.0, 1.5
"""After an act so long and so many periods are left out (our choice: controllers and displays lag two
seconds)."""

PATIENCE_S = 30.0
"""So much longer a phase lasts for devices that are slow to answer, or slow to be silent (our choice)."""

LOOK_S = 0.5
SKIP_WORDS = ("s", "skip")

Say = Callable[[str], None]


class Checkup:
    """One checkup of a site over a source. `run` gives the recording."""

    def __init__(
        self, site: Site, source: Source, keys: Keys, say: Say, *, each_s: float, has_probe: bool
    ) -> None:
        """site has its set points filled in; each_s is how long each phase is read at least."""
        self._site, self._source, self._keys, self._say = site, source, keys, say
        self._each_s = max(each_s, LEAST_PERIODS * source.every_s)
        self._settle_s = max(min(SETTLE_S, each_s), SETTLE_PERIODS * source.every_s)
        self._has_probe = has_probe
        self._recording = Recording(site, [], [])
        self._samples: list[Sample] = []
        self._phases: list[Phase] = []
        self._cautioned: set[str] = set()
        self._asked: Act | None = None

    def run(self) -> Recording:
        """Questions, acts and readings. However it ends, what still stands otherwise than before is told."""
        try:
            return self._talk()
        finally:
            words = to_put_back(self._recording, self._asked)
            if words:
                self._say("\nBefore you leave:")
                for text in words:
                    self._say(f"  - {text}")

    def _talk(self) -> Recording:
        answers = ask_all(self._site, self._keys, self._say, self._source.clock.now_ms)
        sun = sun_now(self._site, self._source.clock.now_ms(), answers)
        self._recording = Recording(self._site, self._samples, self._phases, answers, sun)
        first = plan(self._site, True, self._has_probe)[0]
        self._say(first.words)
        self._read(first, "confirmed", self._source.clock.now_ms())
        todo = plan(self._site, roles_of(self._recording).lit, self._has_probe)[1:]
        tries: Counter[str] = Counter()
        while todo:
            act = todo.pop(0)
            reason = act.skip or self._hopeless() or out_of_place(act, self._recording)
            if reason:
                self._skipped(act, reason)
                continue
            if self._await(act):
                todo = again(self._recording, act, tries) + todo
        return self._recording

    def _hopeless(self) -> str:
        """Why no further act tells anything, '' while it does."""
        charger = roles_of(self._recording).charger
        if charger is None:
            return "no controller answers"
        for phase in (START, ARRAY_OFF):
            if silent(self._recording, phase, charger):
                return f"{charger} is silent"
        return ""

    def _await(self, act: Act) -> bool:
        """Ask for an act, wait until it is done, and read; False where it is skipped."""
        self._keys.forget()
        self._asked = act
        self._say(f"\n{act.words}")
        if act.caution and act.caution not in self._cautioned:
            self._cautioned.add(act.caution)
            self._say(f"  {act.caution}")
        lead = "It is noticed, or press Enter" if act.phase in NOTICED else "Press Enter"
        self._say(f"  ({lead} when it is done; s and Enter skips it.)")
        asked_ms = self._source.clock.now_ms()
        before = next(phase for phase in reversed(self._phases) if phase.how != "skipped")
        roles = roles_of(self._recording)
        while True:
            if not self._keys.open:
                self._skipped(act, "nobody is there to do it")
                return False
            line = self._keys.line(LOOK_S)
            self._take()
            if line is not None:
                if line.lower() in SKIP_WORDS:
                    self._skipped(act, "the person skipped it")
                    return False
                self._read(act, "confirmed", self._source.clock.now_ms())
                return True
            if shows(self._recording, roles, act.phase, before, asked_ms):
                self._say("  Noticed.")
                self._read(act, "noticed", self._source.clock.now_ms())
                return True

    def _read(self, act: Act, how: str, done_ms: int) -> None:
        """Read a phase until each device has been heard in all of it."""
        long_s = self._each_s * (COVER_SHARE if _is_cover(act) else 1.0)
        long_s = max(long_s, LEAST_PERIODS * self._source.every_s)
        from_ms = done_ms + round(1000 * self._settle_s)
        to_ms = from_ms + round(1000 * long_s)
        self._say(f"  Reading for {(to_ms - done_ms) / 1000:.0f} s ...")
        limit_ms = to_ms + round(1000 * PATIENCE_S)
        while (now_ms := self._source.clock.now_ms()) < to_ms or (
            now_ms < limit_ms and not self._heard(from_ms)
        ):
            self._keys.line(LOOK_S)
            self._take()
        self._phases.append(Phase(act.phase, from_ms, max(to_ms, now_ms), how))
        self._asked = None

    def _heard(self, since_ms: int) -> bool:
        """Whether of every device enough has come, be it word of its silence."""
        names = Counter(sample.device for sample in self._samples if sample.time_ms >= since_ms)
        return all(names[device.name] >= LEAST_SAMPLES for device in self._site.devices)

    def _take(self) -> None:
        self._samples.extend(self._source.samples())

    def _skipped(self, act: Act, reason: str) -> None:
        now_ms = self._source.clock.now_ms()
        self._phases.append(Phase(act.phase, now_ms, now_ms, "skipped", reason))
        self._asked = None


def _is_cover(act: Act) -> bool:
    return "covered" in act.phase or "free again" in act.phase


def sun_now(site: Site, now_ms: int, answers: Answers) -> Sun | None:
    """Where the sun stands by the corrected clock; None where the site has no array or it cannot be worked
    out."""
    true_ms = now_ms - round(1000 * (answers.clock_error_s or 0.0))
    day = day_at(site.site.zone, true_ms).day
    try:
        steps = clear_days(supply_of(site), [day])[day]
    except SunError:
        return None
    at = next((step for step in reversed(steps) if step.start_ms <= true_ms), steps[0])
    return Sun(at.elevation_deg, at.module_C)
