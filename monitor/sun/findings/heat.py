"""A controller that protects itself from heat: under a clear sky it passes less, the hotter it is.

In the ordinary way a controller is hot because much power goes through it. Here the power is low while it is
hot, comes back as it cools, and is full at the same place of the sun on cooler days. Shade keeps to the sun's
place, a lost panel stays, the rating's limit is known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from monitor.sun.findings.finding import Finding, Kind
from monitor.sun.findings.levels import Levels
from monitor.sun.findings.record import Column, Mask, Record

LOWEST_C, HIGHEST_C = 28, 90
"""Controllers derate from 45 °C ambient or 60 °C inside, or later (common practice, no source)."""

LOW, FULL = 0.92, 0.95
"""Shares of the clear level that count as held down, and as full (our choice)."""

MEDIAN_LOW = 0.9
HOT_AGREE, COOL_AGREE = 0.8, 0.75
"""Of the hot smooth steps so many must be low, of the cooler ones in like light so many must not (our
choice)."""

FULL_COUNTS = 2.0
"""A hot moment with full power speaks so much louder than a low one, which haze can make (our choice)."""

LEAST_HOT_S, LEAST_DAY_S, LEAST_DAYS = 2 * 3600, 1800, 2
CONTRAST, BELOW_C, SAME_DAYS = 0.05, 10.0, 0.7
"""A day's share must fall by 0.05 from the ten degrees below the limit to above it, on 70 % of the days that
show both (our choice)."""

LIKE_LIGHT = 0.35
SAME_AZIMUTH_DEG = 8.0

LOOK = (
    "Look first whether air can pass over the controller's fins: clearance above and below, dust, a fan that"
    " stands still, sun on the cabinet. Its housing can be hot enough to burn. Shade and ventilate the"
    " cabinet; loose screws at its terminals make heat too, but tighten them only with array and bank"
    " disconnected, array first, or have a licensed person do it."
)


def find(record: Record, levels: Levels) -> tuple[list[Finding], Mask]:
    """The finding, if any, and the steps it explains."""
    nothing: Mask = np.zeros(len(record.day), dtype=bool)
    warm = record["controller_temperature_C"]
    share = _share(record, levels)
    judged = record.smooth_in(np.where(np.isfinite(warm), share, np.nan)) & (share > 0.2)
    judged &= record.passed_W > LIKE_LIGHT * record.rated_W
    limit = _limit(share[judged], warm[judged], record.step_s)
    if limit is None:
        return [], nothing
    at = np.flatnonzero(judged)
    limit_C, from_step, to_step = limit.at_C, int(at[limit.first]), int(at[limit.last]) + 1
    judged[:from_step] = judged[to_step:] = False
    low = judged & (warm >= limit_C) & (share < LOW)
    by_day = np.bincount(record.day[low], minlength=record.count) * record.step_s
    days = np.flatnonzero(by_day >= LEAST_DAY_S)
    if len(days) < LEAST_DAYS:
        return [], nothing
    hot = low & np.isin(record.day, days)
    if not _is_heat(record, share, warm, judged, hot, limit_C, days):
        return [], nothing
    first, last = np.flatnonzero(hot)[[0, -1]]
    hot_after = (record.time_ms > record.time_ms[last]) & (warm >= limit_C + 1) & (share > FULL)
    going_on = hot_after.sum() * record.step_s < LEAST_DAY_S
    lost = float(1 - np.average(share[hot], weights=record.passed_W[hot]))
    finding = Finding(
        Kind.HEAT_DERATING,
        int(record.time_ms[first]),
        None if going_on else int(record.time_ms[last]) + 1000 * record.step_s,
        lost,
        min(0.93, 0.65 + 0.04 * len(days)),
        f"On {len(days)} days clear-sky power fell to {100 * float(np.median(share[hot])):.0f} % of the"
        f" usual while the controller was at {limit_C:.0f} °C or more (up to {float(warm[hot].max()):.0f}"
        f" °C); below that it gave {100 * float(np.median(share[judged & (warm < limit_C)])):.0f} %.",
        LOOK,
    )
    near = record.bright & (warm >= limit_C - 1) & np.isin(record.day, days)
    return [finding], near


def _share(record: Record, levels: Levels) -> Column:
    """What the array gave over what a clear sky and the controller's rated current let pass; nan where held.

    Unlike `Levels.share` it tells of moments at the rating's limit, too: heat takes most there.
    """
    expected_W = record.passed_W * levels.course * levels.usual[record.day]
    if record.supply.controller == "mppt":
        expected_W = record.clear_W * levels.course * levels.usual[record.day]
    limit_W = (record.supply.rating_A or np.inf) * record["battery_voltage_V"]
    told = record.bright & ~record.held & ~record.blind & np.isfinite(record.index)
    return np.where(told, record["power_W"] / np.maximum(np.fmin(expected_W, limit_W), 1.0), np.nan)


@dataclass(frozen=True)
class _Limit:
    """From at_C on clear moments are low, below they are not, from the first to the last of the moments."""

    at_C: float
    first: int
    last: int


def _limit(share: Column, warm: Column, step_s: int) -> _Limit | None:
    """The limit that parts low from full moments best, and the stretch of time in which it does; None
    without."""
    best, limit = 0.0, None
    for at_C in np.arange(LOWEST_C, HIGHEST_C, 1.0):
        hot_at = np.flatnonzero(warm >= at_C)
        if len(hot_at) * step_s < LEAST_HOT_S:
            break
        first, last = _stretch(share[hot_at] < LOW)
        span = slice(int(hot_at[first]), int(hot_at[last]) + 1)
        hot, cool = share[span][warm[span] >= at_C], share[span][warm[span] < at_C]
        if len(hot) * step_s < LEAST_HOT_S or len(cool) * step_s < LEAST_HOT_S:
            continue
        low, full = float((hot < LOW).mean()), float((cool >= LOW).mean())
        if low < HOT_AGREE or full < COOL_AGREE or np.median(hot) > MEDIAN_LOW:
            continue
        if low + full > best:
            best, limit = low + full, _Limit(float(at_C), span.start, span.stop - 1)
    return limit


def _stretch(low: Mask) -> tuple[int, int]:
    """First and last position of the stretch in which low moments outweigh full ones most, each of which
    counts FULL_COUNTS times as much (the largest sum of a stretch, Kadane, from memory)."""
    best, total, start, found = -np.inf, 0.0, 0, (0, 0)
    for at, is_low in enumerate(low):
        if total <= 0:
            total, start = 0.0, at
        total += 1.0 if is_low else -FULL_COUNTS
        if total > best:
            best, found = total, (start, at)
    return found


def _is_heat(
    record: Record,
    share: Column,
    warm: Column,
    judged: Mask,
    hot: Mask,
    limit_C: float,
    days: npt.NDArray[np.int64],
) -> bool:
    """Whether the power falls on the way to the limit on the same day, and was full at the same azimuth on
    cooler days or falls further the hotter it gets."""
    each = [_contrast(share[here], warm[here], judged[here], limit_C) for here in map(record.of_day, days)]
    told = np.array([one for one in each if one is not None])
    if len(told) < LEAST_DAYS or (told >= CONTRAST).mean() < SAME_DAYS:
        return False
    places = np.unique(np.round(record.azimuth_deg[hot] / SAME_AZIMUTH_DEG))
    elsewhere = judged & (warm < limit_C) & (share > LOW) & ~np.isin(record.day, days)
    others = np.round(record.azimuth_deg[elsewhere] / SAME_AZIMUTH_DEG)
    same_place = float(np.isin(places, others).mean())
    hotter = np.corrcoef(warm[hot], share[hot])[0, 1] if len(np.unique(warm[hot])) > 2 else 0.0
    return bool(same_place >= 0.5 or hotter < -0.5)


def _contrast(share: Column, warm: Column, judged: Mask, limit_C: float) -> float | None:
    """By how much a day's share is lower above the limit than just below it; None without either."""
    above, below = judged & (warm >= limit_C), judged & (warm < limit_C) & (warm >= limit_C - BELOW_C)
    if not above.any() or not below.any():
        return None
    return float(np.median(share[below]) - np.median(share[above]))
