"""Shade that comes back: on clear days the power breaks in where the sun stands behind the same thing.

A map of sun azimuth against days. A cell counts for shade where the share of the clear level is low although
clear sky is seen shortly before and after it on the same day, and against shade where the share is full.
Clouds do not come back at one azimuth day after day; haze and a wrong tilt or azimuth have no edges.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from monitor.records import DAY_MS, HOUR_MS
from monitor.sun.day import STEP_S
from monitor.sun.findings.finding import Finding, Kind
from monitor.sun.findings.levels import Levels
from monitor.sun.findings.record import Column, Mask, Record, runs
from monitor.sun.findings.spans import two_state

BIN_DEG, WIDE_BIN_DEG = 3.0, 6.0
"""Width of the map's columns: about twelve minutes, or the sun's own width six times; twice that where the
steps are wider than five minutes, so that the noon sun leaves no column out (our choice)."""

SHADED, LIT = 0.75, 0.9
"""Below the first share of the clear level a cell counts for shade, above the second against (our choice)."""

EDGE_COLUMNS = 4
"""So many columns near, on either side of the low stretch, the share must be full: obstacles have edges (our
choice)."""

COLUMN_DAYS, LEAST_DAYS, LEAST_AGREE = 2.0, 3.0, 0.8
"""Days that show it in one column and in all, and their share of all days that show anything there (our
choice: two clear days that break in at the same place of the sun are chance, a third seldom)."""

HALF_CLAIM, ROUGH_CLAIM, ROUGH_REFUTE, SWITCH = 0.7, 0.35, 0.5, 2.5
"""What a day counts whose sky is broken instead of clear on one side of the low stretch and on both, and what
a lit moment between clouds counts against shade: broken cloud shows such gaps by chance, but is lit there as
often (our choice)."""

SURE_DAYS = 3
"""Where so many days with a clear side show it, only they date its begin (our choice)."""

ROUGH_WIDTH_DEG = 45.0
"""Wider gaps of a broken sky are an overcast hour, no obstacle (our choice)."""

SHOWN, DENIED = 0.3, 0.13
"""A day shows the shade if it does so in this share of the columns, lacks it if the second share is lit."""

EDGED_BINS = 4
"""A notch so wide is denied by light inside it only: its outer columns are shaded in part (our choice)."""

AS_LOW = 0.15
"""As low as on other days: within so much of clear sky's power (our choice: thin cloud and season)."""

LEAST_WIDTH_BINS, BESIDE, BEYOND = 2, 2, 3
LEAST_SIZE, LEAST_SIZE_LOW = 0.02, 0.06
LOW_SUN_DEG = 18.0
"""Smaller losses are within what the expectation errs by; what only hides the sun while it is lower than 18
degrees is the usual horizon and told only if it costs much (our choice)."""

LOOK = (
    "Stand at the array at that hour on a clear day (or look from the array towards that direction) and see"
    " what throws the shadow: a branch, a mast, a chimney, a growing hedge. One shaded cell can stop a whole"
    " panel. Cut or move it if that is yours to do and safe; stay off roofs without protection against"
    " falling."
)


@dataclass(frozen=True)
class _Notch:
    low: int
    high: int
    first: int
    last: int


def find(record: Record, levels: Levels) -> list[Finding]:
    """Recurring shade, each by its stretch of azimuth and its days."""
    share = levels.share(record)
    claims, refutes = _map(record, share)
    found = []
    for notch in _notches(claims, refutes, _depths(record, share)):
        finding = _finding(record, share, claims, refutes, notch)
        if finding:
            found.append(finding)
    return found


def _bins(record: Record) -> npt.NDArray[np.int64]:
    """Each step's column of the map; azimuth counted from the night side, so that the day is in one piece."""
    from_night = record.azimuth_deg if record.supply.latitude_deg >= 0 else (record.azimuth_deg + 180) % 360
    return np.minimum((from_night / _width_deg(record)).astype(np.int64), _columns(record) - 1)


def _width_deg(record: Record) -> float:
    return BIN_DEG if record.step_s <= STEP_S else WIDE_BIN_DEG


def _columns(record: Record) -> int:
    return round(360 / _width_deg(record))


def _map(record: Record, share: Column) -> tuple[Column, Column]:
    """For each day and column of azimuth, what speaks for shade and what against."""
    shape = (record.count, _columns(record))
    claims, refutes = np.zeros(shape), np.zeros(shape)
    at, edge_deg = _bins(record), EDGE_COLUMNS * _width_deg(record)
    for number in range(record.count):
        here = record.of_day(number)
        known = record.free[here]
        if not known.any():
            continue
        azimuth, part, column = record.azimuth_deg[here], share[here], at[here]
        clear = known & record.smooth[here] & (part > LIT) & (part < 1.2)
        lit = known & (part > LIT)
        low = known & (part < SHADED)
        for first, last in runs(low | ~known, np.zeros(len(low))):
            inside = np.flatnonzero(low[first:last]) + first
            if not len(inside):
                continue
            start, end = int(inside[0]), int(inside[-1]) + 1
            weight = _weight(clear, lit, known, azimuth, start, end, edge_deg)
            if weight == 0:
                continue
            for each in np.unique(column[start:end][low[start:end]]):
                claims[number, each] = weight
        for each in np.unique(column[lit]):
            refutes[number, each] = 1.0 if clear[column == each].any() else ROUGH_REFUTE
    claims[refutes >= 1.0] = 0.0
    refutes[claims >= 1.0] = 0.0
    claims[refutes > 0] = 0.0
    return claims, refutes


def _weight(
    clear: Mask, lit: Mask, known: Mask, azimuth: Column, start: int, end: int, edge_deg: float
) -> float:
    """How much a low stretch of a day speaks for shade: 1 between clear skies (at the day's begin or end
    beside one), less between lit moments of a broken sky, 0 otherwise."""
    before = _within(azimuth, start, edge_deg) & (np.arange(len(clear)) < start)
    behind = _within(azimuth, end - 1, edge_deg) & (np.arange(len(clear)) >= end)
    at_begin, at_end = not known[:start].any(), not known[end:].any()
    clear_before, clear_behind = bool(clear[before].any()), bool(clear[behind].any())
    if (clear_before or at_begin) and (clear_behind or at_end) and (clear_before or clear_behind):
        return 1.0
    wide_deg = abs((azimuth[end - 1] - azimuth[start] + 180) % 360 - 180)
    if lit[before].any() and lit[behind].any() and wide_deg <= ROUGH_WIDTH_DEG:
        return HALF_CLAIM if clear_before or clear_behind else ROUGH_CLAIM
    return 0.0


def _within(azimuth: Column, at: int, reach_deg: float) -> Mask:
    return np.asarray(np.abs((azimuth - azimuth[at] + 180) % 360 - 180) <= reach_deg)


def _depths(record: Record, share: Column) -> Column:
    """For each day and column of azimuth the median share of clear sky's power in free steps, nan: none."""
    depths = np.full((record.count, _columns(record)), np.nan)
    at = _bins(record)
    for number in range(record.count):
        here = record.of_day(number)
        known = record.free[here] & np.isfinite(share[here])
        for column in np.unique(at[here][known]):
            depths[number, column] = np.median(share[here][known & (at[here] == column)])
    return depths


def _notches(claims: Column, refutes: Column, depths: Column) -> list[_Notch]:
    """Stretches of azimuth with the days in which they were shaded."""
    shaded = np.zeros(claims.shape, dtype=bool)
    for column in np.flatnonzero(claims.sum(axis=0) >= COLUMN_DAYS):
        for first, last in two_state(refutes[:, column], claims[:, column], SWITCH):
            agree, differ = claims[first:last, column].sum(), refutes[first:last, column].sum()
            if agree >= COLUMN_DAYS and agree >= LEAST_AGREE * (agree + differ):
                shaded[first:last, column] = True
    found = []
    for low, high in runs(np.asarray(shaded.any(axis=0)), np.zeros(claims.shape[1])):
        if high - low < LEAST_WIDTH_BINS:
            continue
        yes, no = _verdicts(claims, refutes, low, high)
        if (yes >= HALF_CLAIM).sum() >= SURE_DAYS:
            yes = np.where(yes >= HALF_CLAIM, yes, 0.0)
        for first, last in two_state(no, yes, SWITCH / 2):
            found.append(_Notch(low, high, _begin(refutes > 0, depths, yes, no, low, high, first), last))
    return found


def _begin(lit: Mask, depths: Column, yes: Column, no: Column, low: int, high: int, first: int) -> int:
    """The day a notch began: of the days that say nothing before the first that shows it, the first on which
    light ends at the notch's edge and is as low inside as on the days that show it; else the middle of them,
    as given."""
    if first == 0:
        return 0
    shown = first + int(np.argmax(yes[first:] > 0))
    inner = slice(low + 1, high - 1) if high - low > 2 else slice(low, high)
    usual = _median(depths[shown:, inner][yes[shown:] > 0])
    denied = np.flatnonzero(no[:shown] > 0)
    for number in range(int(denied[-1]) + 1 if len(denied) else 0, shown):
        beside = np.concatenate([lit[number, max(0, low - BESIDE) : low], lit[number, high : high + BESIDE]])
        if beside.any() and _median(depths[number, inner]) <= usual + AS_LOW:
            return number
    return first


def _median(values: Column) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _verdicts(claims: Column, refutes: Column, low: int, high: int) -> tuple[Column, Column]:
    """Of each day what the columns of a notch together say for and against shade. A day that is low far
    beyond the notch as well was cloudy, and says nothing."""
    within, lit = claims[:, low:high], refutes[:, low:high]
    if high - low >= EDGED_BINS:
        lit = lit[:, 1:-1]
    beyond = [column for column in (low - BEYOND, high - 1 + BEYOND) if 0 <= column < claims.shape[1]]
    shows = ((within > 0).mean(axis=1) >= SHOWN) & ~(claims[:, beyond] > 0).any(axis=1)
    lacks = (lit > 0).mean(axis=1) >= DENIED
    yes = np.where(shows & ~lacks, within.max(axis=1), 0.0)
    return yes, np.where(lacks, lit.max(axis=1), 0.0)


def _finding(record: Record, share: Column, claims: Column, refutes: Column, notch: _Notch) -> Finding | None:
    yes, no = _verdicts(claims, refutes, notch.low, notch.high)
    weight, against = float(yes[notch.first : notch.last].sum()), float(no[notch.first : notch.last].sum())
    days = [number for number in range(notch.first, notch.last) if yes[number] > 0]
    if weight < LEAST_DAYS or weight < LEAST_AGREE * (weight + against):
        return None
    at = _bins(record)
    inside = np.isin(record.day, days) & (at >= notch.low) & (at < notch.high) & record.free
    clear_day = np.isin(record.day, days)
    lost_W = (record.passed_W * np.clip(1 - share, 0, 1))[inside & (share < LIT)].sum()
    size = float(lost_W / record.passed_W[clear_day].sum())
    height = float(record.elevation_deg[inside & (share < SHADED)].max())
    if size < (LEAST_SIZE if height > LOW_SUN_DEG else LEAST_SIZE_LOW):
        return None
    agree = weight / (weight + against)
    low_deg, high_deg = (float(f(record.azimuth_deg[inside & (share < SHADED)])) for f in (np.min, np.max))
    hours = record.time_ms[inside & (share < SHADED)] % DAY_MS / HOUR_MS
    text = (
        f"On {len(days)} days the power broke in to {100 * float(np.median(share[inside])):.0f} % of"
        f" clear sky while the sun stood at azimuth {low_deg:.0f}° to {high_deg:.0f}° (up to {height:.0f}°"
        f" high, around {_clock(float(np.median(hours)))} UTC), with full power shortly before or after;"
        f" {against:.0f} such days of that time lack it. It costs {100 * size:.0f} % of a clear day."
    )
    first_ms = record.days[notch.first].start_ms
    return Finding(
        Kind.SHADE,
        first_ms,
        None if notch.last == record.count else record.days[notch.last].start_ms,
        size,
        min(0.95, 0.5 + 0.04 * weight) * agree,
        text,
        LOOK,
    )


def _clock(hour: float) -> str:
    minutes = round(hour * 60)
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"
