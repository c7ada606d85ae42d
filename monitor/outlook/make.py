"""The outlook of one moment: what is known goes in, the questions of the night come out answered. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from monitor.bank.ahead import Ahead
from monitor.bank.cell import Floats
from monitor.bank.description import BankDescription
from monitor.bank.quantiles import median, quantiles
from monitor.outlook import sky
from monitor.outlook.answer import Band, DayAhead, Outlook, Point, Relief
from monitor.outlook.course import Course, Hours, Plant, run
from monitor.outlook.declared import switched_off
from monitor.outlook.loads import Habit, LoadsAhead
from monitor.outlook.night import Night, night_of
from monitor.outlook.past import DAY, SLOT_MS, TEMPERATURE, Singles, SitePast
from monitor.site.model import Load, Site
from monitor.sun.day import Clear

SUPPOSED = 256
"""Banks that are run on (our choice: a probability of a fifth is exact to 2.5 %, and little memory)."""

DAYS = 5
QUANTILES = (0.1, 0.5, 0.9)
USUAL_C = 20.0
"""Taken where no temperature is read, as the estimator does."""

SWING_FADES_H = 12.0
"""By how much today is warmer than yesterday fades so (our choice: persistence)."""

IDLE_C_RATE = 0.0002
"""A present load below this share of the capacity an hour is none: hours left are not told (our choice)."""

MOST_HOURS, MOST_WET_DAYS = 999.0, 30
"""More than these are told as these (our choice)."""

ASK_FROM = 0.1
"""From this probability on, what could be switched off is looked at (our choice)."""


@dataclass(frozen=True, slots=True)
class Known:
    """What an outlook is made of.

    banks gives the estimator's supposed banks anew at each call. clear are the clear-sky steps of today and
    the days after it, empty where there is no array or no table. shares are the past days' shares of a clear
    sky, the last one of today's local day or yesterday's. days is how many days to look ahead.
    """

    site: Site
    bank: BankDescription
    at_ms: int
    soc: float
    banks: Callable[[], Ahead]
    past: SitePast
    clear: Sequence[Clear] = ()
    shares: Sequence[float | None] = ()
    basis: tuple[str, ...] = ()
    days: int = DAYS


def make(known: Known) -> Outlook:
    """The outlook from what is known at a moment."""
    rng = np.random.default_rng(known.at_ms // SLOT_MS)
    site, first = known.site, known.at_ms // SLOT_MS
    slots = known.days * DAY
    banks = known.banks()
    temperature_C = known.past.before(first, TEMPERATURE)
    habit = Habit(site, known.past.load_before(first), temperature_C, known.at_ms, known.bank.capacity_Ah)
    loads = habit.draw(slots, banks.count, rng)
    clear_W = sky.passed_by_slot(known.clear, first, slots)
    night = night_of(
        known.at_ms,
        known.clear,
        clear_W * sky.mean_share(known.shares),
        loads.usual_A * site.bank.voltage_V,
    )
    plant = _plant(known)
    day = _days_of(known, slots)
    shares = sky.draw(known.shares, int(day[-1]) + 1, banks.count, rng)
    warmth_C = _warmth(temperature_C, slots)
    hours = Hours(loads.drawn_A, clear_W, day, shares, warmth_C, max(night.slots, 1))
    soc_before = banks.soc()
    course = run(banks, plant, hours)
    until = night.slots  # a night's steps are one slot each
    crosses_reserve, crosses_disconnect = _crossings(course, known, until)
    return Outlook(
        at_ms=known.at_ms,
        sunset_ms=night.sunset_ms,
        sunrise_ms=night.sunrise_ms,
        helps_ms=night.helps_ms,
        soc_now=known.soc,
        reserve_soc=site.bank.reserve_soc,
        soc_min=_band(course.soc[:until].min(axis=0)),
        voltage_min_V=_band(course.voltage_V[:until].min(axis=0)),
        used_Ah=_band(course.used_Ah[until - 1]),
        low_ms=(first + 1 + int(median(course.soc[:until]).argmin())) * SLOT_MS,
        crosses_reserve_probability=crosses_reserve,
        crosses_disconnect_probability=crosses_disconnect,
        reserve_ms=_reserve_ms(course, known, until),
        hours_left=_hours_left(known, soc_before, course, loads, banks.load_share),
        wet_days_left=_wet_days_left(known, clear_W, loads, float(median(course.capacity_Ah))),
        course=_points(course, first),
        days=_days(course, known, hours, first),
        switch_off=_reliefs(known, plant, hours, night, crosses_reserve, crosses_disconnect),
        basis=_basis(known, loads, night),
    )


def _plant(known: Known) -> Plant:
    bank, controller = known.bank, known.site.controller
    cuts = known.site.metering.level != "charging"
    return Plant(
        capacity_Ah=bank.capacity_Ah,
        cells=bank.cells,
        set_points=bank.set_points if isfinite(bank.set_points.absorption_V) else None,
        absorption_h=bank.absorption_h,
        disconnect_V=bank.disconnect_V if cuts else None,
        reconnect_V=controller.reconnect_V if controller else None,
        always_A=bank.monitor_A,
        cut=cuts and bool(known.past.cut_before(known.at_ms // SLOT_MS)[-1]),
    )


def _days_of(known: Known, slots: int) -> NDArray[np.intp]:
    """To which day from today on each slot belongs."""
    first = known.at_ms // SLOT_MS
    midnight = known.clear[0].start_ms // SLOT_MS if known.clear else first
    return np.asarray((first - midnight + np.arange(slots)) // DAY)


def _warmth(past_C: Floats, slots: int) -> Floats:
    """The bank's temperature ahead: yesterday's course, and by how much now differs from it, fading."""
    last = past_C[-DAY:]
    if not np.isfinite(last).any():
        known = past_C[np.isfinite(past_C)]
        return np.full(slots, known[-1] if len(known) else USUAL_C)
    mean = float(np.nanmean(last))
    day = np.where(np.isfinite(last), last, mean)
    known = last[np.isfinite(last)]
    off = float(known[-1] - day[0])
    ahead = np.arange(slots)
    return np.asarray(np.resize(day, slots) + off * np.exp(-ahead / 12 / SWING_FADES_H))


def _crossings(course: Course, known: Known, until: int) -> tuple[float, float | None]:
    reserve = float((course.soc[:until].min(axis=0) < known.site.bank.reserve_soc).mean())
    disconnect_V = known.bank.disconnect_V
    if disconnect_V is None:
        return reserve, None
    return reserve, float((course.voltage_V[:until].min(axis=0) < disconnect_V).mean())


def _reserve_ms(course: Course, known: Known, until: int) -> int | None:
    """When the median first stands below the reserve, None where it does not before the array helps."""
    below = np.flatnonzero(median(course.soc[:until]) < known.site.bank.reserve_soc)
    return (known.at_ms // SLOT_MS + 1 + int(below[0])) * SLOT_MS if len(below) else None


def _hours_left(known: Known, soc: Floats, course: Course, loads: LoadsAhead, share: Floats) -> float | None:
    """Until the reserve at the mean load of the last 45 minutes."""
    if loads.now_A is None or loads.now_A < IDLE_C_RATE * known.bank.capacity_Ah:
        return None
    left_Ah = np.maximum(0.0, soc - known.site.bank.reserve_soc) * course.capacity_Ah
    return min(MOST_HOURS, float(median(left_Ah / (loads.now_A * share))))


def _wet_days_left(known: Known, clear_W: Floats, loads: LoadsAhead, capacity_Ah: float) -> int | None:
    """Whole days of the usual load under a wet sky until the reserve; None without an array."""
    if not clear_W.any():
        return None
    got_Ah = float(clear_W[:DAY].sum()) / 12 * sky.wet_share(known.shares) / known.site.bank.voltage_V
    used_Ah = float(loads.usual_A.sum()) / 12
    left_Ah = max(0.0, known.soc - known.site.bank.reserve_soc) * capacity_Ah
    if used_Ah - got_Ah <= left_Ah / MOST_WET_DAYS:
        return MOST_WET_DAYS
    return int(left_Ah / (used_Ah - got_Ah))


def _points(course: Course, first: int) -> tuple[Point, ...]:
    """The course until the next evening: where it begins, then by the hour."""
    points = []
    for number, end in enumerate(course.ends):
        if end > DAY:
            break
        if number == 0 or (first + end) % 12 == 0:
            time_ms = (first + end) * SLOT_MS
            points.append(Point(time_ms, _band(course.soc[number]), _band(course.voltage_V[number])))
    return tuple(points)


def _days(course: Course, known: Known, hours: Hours, first: int) -> tuple[DayAhead, ...]:
    ends = np.array(course.ends)
    days = []
    before_Ah = np.zeros(course.soc.shape[1], dtype=np.float32)
    for number in range(known.days):
        inside = (ends > number * DAY) & (ends <= (number + 1) * DAY)
        last = int(np.flatnonzero(inside)[-1])
        lowest = course.soc[inside].min(axis=0)
        window = slice(number * DAY, (number + 1) * DAY)
        clear_Wh = np.bincount(hours.day[window], hours.clear_W[window], len(hours.shares)) / 12
        days.append(
            DayAhead(
                start_ms=(first + number * DAY) * SLOT_MS,
                soc_min=_band(lowest),
                soc_end=_band(course.soc[last]),
                gives_Wh=_band(clear_Wh @ hours.shares) if known.clear else None,
                used_Ah=_band(course.used_Ah[last] - before_Ah),
                crosses_reserve_probability=float((lowest < known.site.bank.reserve_soc).mean()),
            )
        )
        before_Ah = course.used_Ah[last]
    return tuple(days)


def _reliefs(
    known: Known,
    plant: Plant,
    hours: Hours,
    night: Night,
    crosses_reserve: float,
    crosses_disconnect: float | None,
) -> tuple[Relief, ...]:
    """What each branch of the declared loads would help if it went off now; the smallest that helps first."""
    if max(crosses_reserve, crosses_disconnect or 0.0) < ASK_FROM:
        return ()
    branches: dict[str, list[Load]] = {}
    for load in known.site.loads_at_bank:
        branches.setdefault(load.branch, []).append(load)
    reliefs = []
    for branch, loads in branches.items():
        less_A = switched_off(
            hours.load_A[: night.slots], loads, known.site.bank.voltage_V, known.bank.monitor_A
        )
        course = run(known.banks(), plant, hours.until(night.slots, less_A))
        reserve, disconnect = _crossings(course, known, night.slots)
        power_W = sum(load.power_W * load.count for load in loads)
        names = tuple(load.name for load in loads)
        reliefs.append(Relief(branch, names, power_W, reserve, disconnect))
    return tuple(sorted(reliefs, key=lambda relief: relief.power_W))


def _band(values: Floats | Singles) -> Band:
    return Band(*(float(value) for value in quantiles(values, QUANTILES)))


def _basis(known: Known, loads: LoadsAhead, night: Night) -> tuple[str, ...]:
    """What the outlook rests on, and what is not known, in words."""
    told = list(known.basis)
    site = known.site
    if loads.nights:
        nights = "1 day" if loads.nights == 1 else f"{loads.nights} days"
        told.append(f"loads as on the last {nights} of this site")
    elif site.loads:
        told.append("loads as declared in the site file: no day of this site is known yet")
    else:
        told.append("loads not known yet: none is declared in the site file and no day was read")
    if loads.now_A is None:
        told.append("what is drawn now is not known")
    if site.array is None:
        told.append("no array in the site file: nothing charges the bank")
    elif not known.clear:
        told.append("the sun's tables could not be worked out: no charge is counted on")
    elif night.helps_ms is None:
        told.append("the array is not expected to carry the loads within a day: 24 hours are told")
    days = sum(share is not None for share in known.shares)
    if known.clear:
        told.append(
            f"sun as on {days} {'day' if days == 1 else 'days'} of this site's record"
            if days
            else "sun anything from rain to clear: no day is on record yet"
        )
    if known.past.cut_before(known.at_ms // SLOT_MS)[-1]:
        told.append("the controller has cut the loads; they come back at its reconnect voltage")
    if known.bank.disconnect_V is None:
        told.append("no disconnect voltage is known")
    return tuple(told)
