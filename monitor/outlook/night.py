"""When the array helps again, and where the night ends. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from monitor.bank.cell import Floats
from monitor.outlook.past import DAY, SLOT_MS
from monitor.sun.day import Clear

RISEN_DEG = -0.833
"""The sun's middle at sunrise: refraction and half its disc (standard texts of astronomy)."""

SMOOTH = 12
"""The usual load is taken over an hour around each slot (our choice: a compressor starts and stops)."""


@dataclass(frozen=True, slots=True)
class Night:
    """sunset_ms, sunrise_ms and helps_ms are None where not known; slots counts those until the array
    helps, or to the end of the next 24 hours where it does not."""

    sunset_ms: int | None
    sunrise_ms: int | None
    helps_ms: int | None
    slots: int


def night_of(at_ms: int, clear: Sequence[Clear], expected_W: Floats, usual_W: Floats) -> Night:
    """The night that follows, or the one that is.

    expected_W is what the array is expected to give by slot from at_ms on, usual_W the usual load by slot
    for a day. While the array carries the loads by day, the night begins when it no longer does.
    """
    first = at_ms // SLOT_MS
    usual = _smoothed(usual_W)
    helps = expected_W > np.resize(usual, len(expected_W))
    dark = np.flatnonzero(~helps)
    begin = int(dark[0]) if len(dark) else 0
    again = np.flatnonzero(helps[begin:])
    sunrise_ms = _first_after(_crossings(clear, rising=True), (first + begin) * SLOT_MS)
    sunset_ms = None if sunrise_ms is None else _sunset_ms(clear, sunrise_ms)
    if not len(again) or begin + int(again[0]) > begin + DAY:
        return Night(sunset_ms, sunrise_ms, None, min(DAY, len(expected_W)))
    slots = max(1, begin + int(again[0]))
    return Night(sunset_ms, sunrise_ms, (first + slots) * SLOT_MS, slots)


def _smoothed(usual_W: Floats) -> Floats:
    around = np.concatenate([usual_W[-SMOOTH // 2 :], usual_W, usual_W[: SMOOTH // 2 - 1]])
    return np.asarray(np.convolve(around, np.full(SMOOTH, 1 / SMOOTH), mode="valid"))


def _crossings(clear: Sequence[Clear], *, rising: bool) -> list[int]:
    """When the sun rises (or sets), in order, each between two steps by a straight line."""
    found = []
    for before, step in pairwise(clear):
        up = before.elevation_deg < RISEN_DEG <= step.elevation_deg
        down = before.elevation_deg >= RISEN_DEG > step.elevation_deg
        if up if rising else down:
            part = (RISEN_DEG - before.elevation_deg) / (step.elevation_deg - before.elevation_deg)
            middle_ms = before.start_ms + SLOT_MS // 2
            found.append(round(middle_ms + part * (step.start_ms - before.start_ms)))
    return found


def _first_after(moments: Sequence[int], from_ms: int) -> int | None:
    return next((moment for moment in moments if moment > from_ms), None)


def _sunset_ms(clear: Sequence[Clear], sunrise_ms: int) -> int | None:
    """The sunset before a sunrise. After midnight the table begins too late for it: then the next one's time
    a day earlier, which is some minutes off."""
    sets = _crossings(clear, rising=False)
    before = [moment for moment in sets if moment < sunrise_ms]
    if before:
        return before[-1]
    following = _first_after(sets, sunrise_ms)
    return None if following is None else following - DAY * SLOT_MS
