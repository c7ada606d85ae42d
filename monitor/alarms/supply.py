"""How near the bank is to the voltage at which this computer loses its supply, now and in a few minutes.

A lamp's or a pump's start pulls the voltage down for seconds and means nothing, so it is judged by medians:
of each minute's readings, and of the slopes between minutes. Pure but for what the course holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations
from statistics import median

from monitor.alarms.seen import Seen
from monitor.alarms.signs import NET, VOLTAGE, Values
from monitor.records import MINUTE_MS
from monitor.site.model import Site

COURSE_MIN = 10
"""So many minutes the slope goes by: an empty bank's knee lasts longer, a pump mostly not (our choice)."""

LEAST_MIN = 5
"""Fewer minutes tell nothing: so a computer that has just come up is never halted at once (our choice)."""

AHEAD_MIN = 5.0
"""So far ahead the voltage is followed down its slope: three looks of a minute, a minute until the halt and
half a minute for it (our choice)."""

RISES_PER_CELL = 0.002
"""A bank whose voltage rises by so much a minute, 0.7 V an hour on 12 V, recovers (our choice)."""

Minute = tuple[int, float]
"""A minute since 1970 and the voltage in it."""


@dataclass(slots=True)
class SupplyCourse:
    """The bank's voltage of the last minutes, as medians of a minute's readings."""

    done: list[Minute] = field(default_factory=list)
    _minute: int = 0
    _volts: list[float] = field(default_factory=list)

    def take(self, time_ms: int, voltage_V: float) -> None:
        """Take a reading. A clock that went back, or on by more than the course, begins it anew."""
        minute = time_ms // MINUTE_MS
        if not 0 <= minute - self._minute <= COURSE_MIN:
            self.done.clear()
            self._volts.clear()
        elif minute > self._minute:
            self.done.append((self._minute, median(self._volts)))
            self._volts.clear()
        self._minute = minute
        self._volts.append(voltage_V)
        self.done = [each for each in self.done if minute - each[0] <= COURSE_MIN]

    def moved(self, from_ms: int, by_ms: int) -> None:
        """The clock was off from from_ms on by by_ms: the course goes on, as the bank does."""
        by = by_ms // MINUTE_MS  # down: the next reading is then never of an earlier minute

        def right(minute: int) -> int:
            return minute + by if minute * MINUTE_MS >= from_ms else minute

        self.done = [(right(minute), voltage_V) for minute, voltage_V in self.done]
        self._minute = right(self._minute)


def slope_V_per_min(minutes: Sequence[Minute]) -> float:
    """The median of the slopes between all pairs (Theil 1950, Sen 1968): up to a quarter of the minutes may
    lie anywhere and do not turn it. At least two minutes."""
    return median((b[1] - a[1]) / (b[0] - a[0]) for a, b in combinations(minutes, 2))


def supply_margin(course: SupplyCourse, site: Site, now: Values, now_ms: int) -> Seen | None:
    """How far the bank stands above the end of the supply, or will in AHEAD_MIN where it falls.

    None where too few minutes are known or the last of them is old. Does not apply to a bank that is being
    charged, or whose voltage rises.
    """
    ends_V, minutes = site.supply_ends_V, course.done
    if ends_V is None or len(minutes) < LEAST_MIN or now_ms // MINUTE_MS - minutes[-1][0] > 2:
        return None
    voltage_V, slope = median((minutes[-1][1], minutes[-2][1])), slope_V_per_min(minutes)
    margin_V = voltage_V + min(0.0, slope) * AHEAD_MIN - ends_V
    net_A = now.get(NET)
    recovers = slope > RISES_PER_CELL * site.bank.cells_in_series or (net_A is not None and net_A > 0)
    falls = f" and falls by {-60 * slope:.1f} V an hour" if slope < 0 else ""
    words = f"the bank stands at {voltage_V:.2f} V{falls}; at {ends_V:.2f} V this computer loses its supply"
    return Seen(margin_V, words, {VOLTAGE: voltage_V, NET: net_A}, applies=not recovers)
