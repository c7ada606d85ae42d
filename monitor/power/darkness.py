"""In the daemon: after a start, tell how long nobody watched, why, and what the bank did meanwhile.

The former run left its heartbeat with its last commit, its readings, and in a note on which computer and in
which start of that it ran. What came after is known once the devices have answered; how long it was, once the
time is known: a computer without a clock chip may come up hours behind. Until then no dark time is guessed.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, replace

from monitor.alarms.telling import clock_words, span_words
from monitor.bank.charge_words import charge_words
from monitor.clock import Clock
from monitor.errors import StoreError
from monitor.power.dark_note import DARK, DARK_NOTE, DARK_YET, DarkTime
from monitor.power.halting import Tell
from monitor.records import DAY_MS, Quality, Reading
from monitor.sampling import ESTIMATE, VOLTAGE
from monitor.site.model import Site
from monitor.store.base import StoreWriter
from monitor.store.bundle import HELD_NOTE, with_waiting
from monitor.store.heartbeat import read_heartbeat

RUN_NOTE = "run"
"""Key of the note on this run."""

DARK_AFTER_MS = 300_000
"""A longer time is told as dark (our choice: a restart, an update or a change of the site file is none)."""

ANSWER_S = 180.0
"""So long the bank's first readings are waited for (our choice)."""

TIME_S = 600.0
"""So long the time is waited for before it is told that it is not known yet (our choice)."""

LAST_MS = 900_000
"""A reading this near the end of the former run is of its end (our choice)."""


@dataclass(frozen=True, slots=True)
class Stand:
    """How the bank stood at one end of the dark time; None is unknown."""

    voltage_V: float | None = None
    soc: float | None = None
    soc_sd: float | None = None

    def words(self) -> str:
        """'at 11.62 V with a charge of 31% ± 6%'; 'unknown' where nothing is known."""
        parts = []
        if self.voltage_V is not None:
            parts.append(f"at {self.voltage_V:.2f} V")
        if self.soc is not None and self.soc_sd is not None:
            charge = charge_words(self.soc, self.soc_sd)
            parts.append(f"with a charge {'' if charge.startswith('somewhere') else 'of '}{charge}")
        return " ".join(parts) or "unknown"


def stand_of(latest: Iterable[Reading]) -> Stand:
    """The bank's stand in readings that are in their rank order."""
    known: dict[tuple[bool, str], float] = {}
    for reading in latest:
        if reading.quality is Quality.GOOD and reading.value is not None:
            known.setdefault((reading.device == ESTIMATE, reading.quantity), reading.value)
    charge = (known.get((True, name)) for name in ("state_of_charge", "state_of_charge_sd"))
    return Stand(known.get((False, VOLTAGE)), *charge)


@dataclass(frozen=True, slots=True)
class Run:
    """What a run leaves to the next: the start of the computer it is in ('' where nothing tells it), whether
    it has asked for a halt, whether it knew the time, and the mark of the computer ('' where it has none)."""

    boot: str
    halts: bool = False
    knew_time: bool = True
    computer: str = ""

    def is_of_another(self, computer: str) -> bool:
        """Whether another computer than the one with this mark ran it; False where nothing tells."""
        return "" not in (self.computer, computer) and self.computer != computer


@dataclass(frozen=True, slots=True)
class FormerRun:
    """What the run before has left: its last commit, how it ended, the newest readings.

    same_boot: whether the computer has been on since; False also where nobody can tell. knew_time: whether
    its last commit is stamped with a time that somebody had told.
    """

    last_ms: int
    why: str
    same_boot: bool
    knew_time: bool
    latest: frozenset[Reading]
    stand: Stand

    def moved(self, from_ms: int, by_ms: int) -> FormerRun:
        """The same after the clock was found to have been off from from_ms on by by_ms: what a run in this
        start of the computer has left was stamped by that clock."""
        if self.last_ms < from_ms:
            return self
        stamped = {replace(r, time_ms=r.time_ms + by_ms) for r in self.latest if r.time_ms >= from_ms}
        # both ways: the store follows bit by bit
        return replace(self, last_ms=self.last_ms + by_ms, latest=self.latest | stamped)


def former_run(store: StoreWriter, boot: str, computer: str = "") -> FormerRun | None:
    """The run before this one, None where there was none. boot is this start of the computer, computer its
    mark; '' unknown."""
    latest = _newest(store)
    try:
        beat = read_heartbeat(store)
    except StoreError:  # a spoilt note: the readings tell all the same
        beat = None
    if beat is None and not latest:
        return None
    last_ms = beat.time_ms if beat is not None else max(reading.time_ms for reading in latest)
    run = read_run(store)
    near = [reading for reading in latest if abs(last_ms - reading.time_ms) <= LAST_MS]
    return FormerRun(
        last_ms,
        _why(run, boot, computer, stopped=beat is not None and beat.stopped_ms is not None),
        boot != "" and boot == run.boot,
        run.knew_time,
        frozenset(latest),
        stand_of(near),
    )


def _newest(store: StoreWriter) -> list[Reading]:
    """The newest readings, those that wait for their time, too."""
    try:
        return with_waiting(store.latest(), store.note(HELD_NOTE))
    except StoreError:  # a spoilt note; it is written anew with the next commit
        return store.latest()


def _why(run: Run, boot: str, computer: str, *, stopped: bool) -> str:
    """Why nobody watched after a run, seen from the start called boot of a computer."""
    if stopped and run.halts:
        return "the computer had been halted before its supply ended"
    if stopped:
        return "the monitor had been stopped"
    if run.is_of_another(computer):
        return "the monitor had run on another computer, from which its store was brought here"
    if not (boot and run.boot):
        return "the monitor had ended without being stopped"
    if boot == run.boot:
        return "the monitor had broken off while the computer went on"
    return "the computer had gone off without being halted"


def write_run(store: StoreWriter, run: Run) -> None:
    """Keep what the next run is to know of this one."""
    store.put_note(RUN_NOTE, json.dumps(asdict(run)))


def read_run(store: StoreWriter) -> Run:
    """What the former run has left; nothing is known of one that has left nothing, or something spoilt."""
    try:
        kept = json.loads(store.note(RUN_NOTE) or "{}")
        boot, computer = str(kept.get("boot", "")), str(kept.get("computer", ""))
        return Run(boot, bool(kept.get("halts")), bool(kept.get("knew_time", True)), computer)
    except (ValueError, AttributeError):
        return Run("")


class Darkness:
    """Watches for what belongs to the telling, and tells it once. One thread uses it; it commits nothing."""

    def __init__(
        self,
        site: Site,
        store: StoreWriter,
        clock: Clock,
        boot: str,
        is_known: Callable[[], bool],
        computer: str = "",
    ) -> None:
        """To be made before anything of this run is stored. is_known: whether the time is."""
        self._store, self._clock, self._is_known = store, clock, is_known
        self._zone = site.site.zone
        self._start_s = clock.elapsed_s()
        self._waits_for_time = False
        self.former = former_run(store, boot, computer)
        self._open = self.former is not None

    def moved(self, from_ms: int, by_ms: int) -> None:
        """The clock was off from from_ms on by by_ms: no dark time is made of that."""
        if self.former is not None:
            self.former = self.former.moved(from_ms, by_ms)

    def follow(self, tell: Tell) -> bool:
        """What is due once a second; whether something was told that is to be committed."""
        if not self._open or self.former is None:
            return False
        former, waited_s = self.former, self._clock.elapsed_s() - self._start_s
        can_be_known = former.knew_time or former.same_boot
        known = can_be_known and self._is_known()
        is_timed = known or former.same_boot  # one count since boot spans both runs
        if is_timed and not self._waits_for_time and self._dark_ms(former) < DARK_AFTER_MS:
            self._open = False
            return False
        if not known and (self._waits_for_time or waited_s < TIME_S):
            return False
        after = stand_of(reading for reading in _newest(self._store) if reading not in former.latest)
        answered = after.voltage_V is not None and (former.stand.soc is None or after.soc is not None)
        if not answered and waited_s < ANSWER_S:
            return False
        self._open = self._waits_for_time = can_be_known and not known
        self._tell(former, after, tell, known=known)
        return True

    def _dark_ms(self, former: FormerRun) -> int:
        """From the former run's last commit to this one's start, where both go by one time."""
        since_start_ms = round((self._clock.elapsed_s() - self._start_s) * 1000 * self._clock.speed)
        return self._clock.now_ms() - since_start_ms - former.last_ms

    def _tell(self, former: FormerRun, after: Stand, tell: Tell, *, known: bool) -> None:
        now_ms, dark_ms = self._clock.now_ms(), self._dark_ms(former)
        until_ms = former.last_ms + dark_ms if known else None
        if until_ms is not None:
            since, until = (clock_words(at, now_ms, self._zone) for at in (former.last_ms, until_ms))
            lead = f"Nobody watched for {span_words(dark_ms)}, from {since} to {until}"
        elif former.same_boot:
            lead = f"Nobody watched for {span_words(dark_ms)}, when is not known as the time is not known yet"
        else:
            # which day it is now is not known, so none is left out
            since = clock_words(former.last_ms, former.last_ms - DAY_MS, self._zone)
            why = "is not known yet" if former.knew_time else "was not known before"
            least = "" if former.knew_time else " at the earliest"
            lead = f"Nobody has watched since {since}{least}, how long is not known as the time {why}"
        text = f"{lead}: {former.why}. The bank stood before: {former.stand.words()}; after: {after.words()}."
        self._store.put_note(DARK_NOTE, DarkTime(former.last_ms, until_ms, text).note())
        tell(DARK_YET if self._open else DARK, "", text)
