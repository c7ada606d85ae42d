"""What the slow signs are worked out from: the store's notes and record, the sun's table, health, computer.

Kept apart from `watch.py`, which decides what becomes of what they show.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping

from monitor.alarms import slow_signs
from monitor.alarms.capacity_test import TEST_NOTE, WatchedTest, left_of, waits_of, watched_test
from monitor.alarms.computer import Computer
from monitor.alarms.course import FOLLOWED, Course
from monitor.alarms.rule import Rule
from monitor.alarms.seen import Seen
from monitor.alarms.signs import Values
from monitor.alarms.supply import SupplyCourse, supply_margin
from monitor.bank.description import describe_site
from monitor.clock import Clock
from monitor.errors import ServerError, SunError
from monitor.local_days import day_at
from monitor.outlook import OUTLOOK_NOTE
from monitor.records import MINUTE_MS, DeviceHealth, moved_ms
from monitor.sampling import NET_QUANTITIES
from monitor.site.model import Site
from monitor.store.base import StoreWriter
from monitor.store.fulls import told_full
from monitor.sun.day import Clear
from monitor.sun.expected import Supply, noted, supply_of

DARK_TOLD_MS = 600_000
"""So long after a start its dark time is told as an alarm that stands (our choice)."""

BEHIND_MS = MINUTE_MS
"""A clock this far behind the newest stored reading was wrong then or is wrong now (our choice)."""

ASK_AGAIN_S = 300.0
"""How often a server that did not answer at the start is asked again (our choice)."""

log = logging.getLogger("nightbank")

Sign = Callable[[Rule], Seen | None]


class SlowLook:
    """Asks what the slow signs need. `health` is each device's newest word."""

    def __init__(self, site: Site, store: StoreWriter, clock: Clock, computer: Computer | None) -> None:
        """site must have its set points filled in. Without a computer its signs are unknown."""
        self._site, self._store, self._clock, self._computer = site, store, clock, computer
        self._bank = describe_site(site)
        self._zone = site.site.zone
        self._supply = _supply(site)
        self._table: tuple[object, tuple[Clear, ...] | None] = (None, None)
        self._course = Course()
        self.supply = SupplyCourse()
        self._unwritten_since_ms: int | None = None
        self._start_ms = clock.now_ms()
        self.health: dict[str, DeviceHealth] = {health.device: health for health in store.health()}
        self.full_ms: int | None = None
        self._first_ms: int | None = None
        self._last_ms: int | None = None  # of the newest reading of before the start
        self._told_ms: int | None = None  # when that before the start was first told
        self._fulls_known = False
        self._asked_s = 0.0
        self._read_record()

    def signs(self, now: Values, clear: Clear | None, now_ms: int) -> Mapping[str, Sign]:
        """Each slow sign that is due; worked out only where a rule asks for it."""
        computer, speed, store = self._computer, self._clock.speed, self._store
        if not self._fulls_known and self._clock.elapsed_s() - self._asked_s >= ASK_AGAIN_S:
            self._read_fulls()
        finished = self._course.take(now_ms, now)
        signs: dict[str, Sign] = {
            "low_before_morning": lambda rule: slow_signs.low_before_morning(
                store.note(OUTLOOK_NOTE) if self._clock.is_known else None, now_ms, self._zone
            ),
            "days_since_full": lambda rule: (
                slow_signs.days_since_full(self.full_ms, self._first(), now_ms) if self._fulls_known else None
            ),
            "silence_s": lambda rule: self._silence(rule, now_ms, speed),
            "line_silence_s": lambda rule: slow_signs.line_silence(
                [self.health.get(name) for name in rule.subject.split(", ")], now_ms, speed
            ),
            "implausible_readings": lambda rule: slow_signs.implausible(
                store.latest(), now_ms, self._unbelieved
            ),
            "supply_margin_V": lambda rule: supply_margin(self.supply, self._site, now, now_ms),
            "unwritten_s": lambda rule: self._unwritten(now_ms),
            "dark_min": lambda rule: self._dark(now_ms),
            "clock_doubt": lambda rule: self._clock_doubt(now_ms),
            "test_left_h": lambda rule: left_of(self._test(), now_ms) if self._clock.is_known else None,
            "test_waits_h": lambda rule: waits_of(self._test(), now_ms) if self._clock.is_known else None,
        }
        if finished and self._site.metering.level != "charging":
            signs["runaway_C"] = lambda rule: slow_signs.runaway(self._bank, tuple(self._course.steps))
        if self._supply is not None:
            rated_W = self._supply.power_W
            signs["daylight_share"] = lambda rule: slow_signs.daylight_share(self._bank, now, clear, rated_W)
        if computer is not None:
            signs["free_space_MB"] = lambda rule: computer.free_space()
            signs["computer_under_voltage"] = lambda rule: computer.under_voltage()
            signs["computer_temperature_C"] = lambda rule: computer.temperature()
        return signs

    def clear(self, now_ms: int) -> Clear | None:
        """The step of a clear sky's table for this moment, None where the store has none."""
        if self._supply is None or not self._clock.is_known:
            return None
        day = day_at(self._zone, now_ms).day
        if self._table[0] != day or self._table[1] is None:
            self._table = (day, noted(self._supply, day, self._store))
        return slow_signs.clear_now(self._table[1], now_ms)

    def is_dark(self, clear: Clear | None) -> bool:
        """Whether the sun's table says that it is night or near it; without a table nobody knows."""
        if self._supply is None or clear is None:
            return False
        return not slow_signs.is_daylight(clear, self._supply.power_W)

    def is_tested(self) -> bool:
        """Whether a capacity test is watched."""
        test = self._test()
        return test is not None and test.runs

    def sun_is_down(self, now_ms: int) -> bool | None:
        """Whether the sun is below the horizon by its table; None without one."""
        clear = self.clear(now_ms)
        return None if clear is None else clear.elevation_deg <= 0

    def moved(self, from_ms: int, by_ms: int) -> None:
        """The clock was off from from_ms on by by_ms."""
        self.supply.moved(from_ms, by_ms)
        self._last_ms = moved_ms(self._last_ms, from_ms, by_ms)
        self._start_ms = moved_ms(self._start_ms, from_ms, by_ms)
        self._told_ms = moved_ms(self._told_ms, from_ms, by_ms)
        self.full_ms = moved_ms(self.full_ms, from_ms, by_ms)
        self.health = {name: health.moved(from_ms, by_ms) for name, health in self.health.items()}

    def store_written(self, written: bool) -> None:
        """Whether the last commit has succeeded."""
        if written:
            self._unwritten_since_ms = None
        elif self._unwritten_since_ms is None:
            self._unwritten_since_ms = self._clock.now_ms()

    def _read_record(self) -> None:
        """The newest reading's time, when the record begins and the bank was last full; two hours' course."""
        latest = self._store.latest()
        if not latest:
            self._fulls_known = True
            return
        now_ms = self._start_ms
        self._last_ms = max(reading.time_ms for reading in latest)
        self._read_fulls()
        if self._fulls_known:
            since_ms = now_ms - slow_signs.STEPS * slow_signs.STEP_MIN * MINUTE_MS
            for time_ms, row in self._store.rows(FOLLOWED, since_ms, now_ms, every_s=60):
                self._course.take(time_ms, row)

    def _read_fulls(self) -> None:
        """When the bank was last full; a server that is away does not tell, and is asked again by and by."""
        self._asked_s = self._clock.elapsed_s()
        try:
            fulls = told_full(self._store, 0, self._start_ms + 1)
        except ServerError as error:
            log.warning("%s; when the bank was last full is unknown until it answers", error)
            return
        if self.full_ms is None:
            self.full_ms = max(fulls, default=None)
        self._fulls_known = True

    def _test(self) -> WatchedTest | None:
        return watched_test(self._store.note(TEST_NOTE))

    def _first(self) -> int | None:
        """When the record begins; asked again until the first commit."""
        if self._first_ms is None:
            span = self._store.span()
            self._first_ms = None if span is None else span[0]
        return self._first_ms

    def _silence(self, rule: Rule, now_ms: int, speed: float) -> Seen | None:
        """One device's silence, or for a rule on any device the longest."""
        named = [rule.subject] if rule.subject else [device.name for device in self._site.devices]
        found = [slow_signs.device_silence(self.health.get(name), now_ms, speed) for name in named]
        return max((seen for seen in found if seen is not None), key=lambda seen: seen.value, default=None)

    @property
    def _unbelieved(self) -> frozenset[str]:
        return frozenset(NET_QUANTITIES if self._site.metering.level == "shunt" else ())

    def _unwritten(self, now_ms: int) -> Seen:
        since_ms = self._unwritten_since_ms
        quiet_s = 0.0 if since_ms is None else max(0, now_ms - since_ms) / 1000
        words = f"the store could not be written for {quiet_s / 60:.0f} min; readings wait in memory"
        return Seen(quiet_s, words, {"unwritten_s": quiet_s})

    def _dark(self, now_ms: int) -> Seen | None:
        """How long nobody watched before the start; unknown for as long as the time is."""
        if self._last_ms is None or not self._clock.is_known:
            return None
        if self._told_ms is None:
            self._told_ms = now_ms
        minutes = max(0.0, (self._start_ms - self._last_ms) / MINUTE_MS / self._clock.speed)
        words = f"the monitor had no readings for {minutes / 60:.1f} h before it started"
        told = now_ms - self._told_ms < DARK_TOLD_MS
        return Seen(minutes, words, {"dark_min": minutes}, applies=told)

    def _clock_doubt(self, now_ms: int) -> Seen | None:
        newest_ms = max((reading.time_ms for reading in self._store.latest()), default=now_ms)
        if newest_ms - now_ms > BEHIND_MS:
            behind_min = (newest_ms - now_ms) / MINUTE_MS
            words = f"the clock is {behind_min:.0f} min behind the newest stored reading"
            return Seen(1.0, words, {"behind_min": behind_min})
        doubt = self._clock.doubt
        return None if doubt is None else Seen(1.0 if doubt else 0.0, doubt, {})


def _supply(site: Site) -> Supply | None:
    try:
        return None if site.array is None else supply_of(site)
    except SunError:  # the daemon's log tells it where the tables are made
        return None
