"""Readings that cannot be true: a value that stands still while others move, a current with the wrong sign.

What stands still for good reason is left: a bank's voltage while it is held, a current at the controller's
rating, everything at night but a voltage of the array.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.quantities import Stage
from monitor.records import DAY_MS, HOUR_MS
from monitor.sun.findings.finding import Finding, Kind
from monitor.sun.findings.record import CLIP_SHARE, Column, Mask, Record, runs
from monitor.sun.findings.spans import two_state

STILL_S = {
    "power_W": 2 * 3600,
    "array_current_A": 2 * 3600,
    "charge_current_A": 2 * 3600,
    "battery_current_A": 4 * 3600,
    "array_voltage_V": 3 * 3600,
    "battery_voltage_V": 48 * 3600,
    "controller_temperature_C": 10 * 3600,
    "battery_temperature_C": 60 * 3600,
}
"""So long a value must be the same to the last digit to be stuck, while others move (our choice; the bank's
temperature in a closed box may rest for a day and a half at 1 °C steps). Published practice calls six equal
samples stale (pvanalytics 0.2.2): that is too few for meters that round to 0.1."""

MOVES = 0.25
"""Others move if a power changes by a quarter of the array's rating meanwhile (our choice)."""

STILL_LIT_S, NOTHING_LIT_S, MOVES_V = 12 * 3600, 36 * 3600, 0.08
"""Where no other power or current is read: through more than a day's light with a value that is not near
zero, or, since snow takes all current for a day or two, three days' with an array voltage that changes by
8 % of its rated value (our choice)."""

WARMS_C = 10.0
"""Or, for temperatures, if the other temperature or the expected module's changes by so much."""

SWING_C, SWING_DAYS, SWING_HOURS = 2.0, 5, 60
"""Or if, for sixty hours, a value stands that used to change by 2 °C within a day, over five days (our
choice)."""

DARK_DEG = -8.0
REVERSED_S, REVERSED_SHARE = 3600, 0.02
REVERSED_SLOPE, REVERSED_MOVES = 0.5, 0.1
"""The bank's current must follow the charge by half at least, on days on which that changes by a tenth of
what the rated power makes (our choice)."""

LOST_S, KNOWN_DAYS = 86_400, 3
"""A quantity read for three days that is missing for one while others are read is lost (our choice)."""

NAMES = {
    "power_W": "array power",
    "array_current_A": "array current",
    "charge_current_A": "charge current",
    "battery_current_A": "bank current",
    "array_voltage_V": "array voltage",
    "battery_voltage_V": "bank voltage",
    "controller_temperature_C": "controller temperature",
    "battery_temperature_C": "bank temperature",
}
UNITS = {name: "W" if name.endswith("_W") else "A" if name.endswith("_A") else "V" for name in NAMES}
UNITS |= {name: "°C" for name in NAMES if name.endswith("_C")}

LOOK = (
    "Compare the {name} with the controller's own display and with a meter of your own; then look at the"
    " sensor's plug and cable and at the device's place in the site file. Before you touch a sensor on the"
    " bank take off rings and watch: its posts can give thousands of amperes; the array's side is live in"
    " daylight."
)


@dataclass(frozen=True)
class _Span:
    name: str
    start: int
    end: int
    text: str
    confidence: float


def find(record: Record) -> tuple[list[Finding], Mask]:
    """The findings, and the steps whose power cannot be believed."""
    spans = [span for name in STILL_S for span in _stuck(record, name)]
    spans += [
        span
        for name in ("power_W", "array_current_A", "charge_current_A")
        for span in _reversed(record, name)
    ]
    spans += _bank_reversed(record)
    spans += [span for name in STILL_S for span in _lost(record, name)]
    mask = np.zeros(len(record.day), dtype=bool)
    for span in spans:
        if span.name in ("power_W", "array_current_A", "charge_current_A"):
            mask[span.start : span.end] = True
    return [_finding(record, span) for span in _told_once(spans)], mask


def _told_once(spans: list[_Span]) -> list[_Span]:
    """Spans of derived values go where their source's is told: power follows current, current follows
    power."""
    kept: list[_Span] = []
    order = list(STILL_S)
    for span in sorted(spans, key=lambda span: (span.start, order.index(span.name))):
        if not any(span.start < other.end and other.start < span.end for other in kept):
            kept.append(span)
    return kept


def _stuck(record: Record, name: str) -> list[_Span]:
    value = record[name]
    at = np.flatnonzero(np.isfinite(value))
    if len(at) < 2:
        return []
    known, one = value[at], np.zeros(len(at))
    same = np.zeros(len(at), dtype=bool)
    near_in_time = np.diff(record.time_ms[at]) <= 4 * 1000 * record.step_s
    same[1:] = (np.abs(np.diff(known)) <= 1e-6 * np.maximum(1e-3, np.abs(known[1:]))) & near_in_time
    found = []
    for start, end in runs(same, one):
        first, last = int(at[start - 1]), int(at[end - 1]) + 1
        long_s = (record.time_ms[last - 1] - record.time_ms[first]) / 1000
        if long_s < STILL_S[name]:
            continue
        text = _why(record, name, slice(first, last), float(known[start]))
        if text:
            found.append(_Span(name, first, last, text, min(0.95, 0.7 + 0.02 * long_s / 3600)))
    return _together(record, found)


def _together(record: Record, spans: list[_Span]) -> list[_Span]:
    """Spans of one sensor that are stuck again within a day are one."""
    joined: list[_Span] = []
    for span in spans:
        if joined and record.time_ms[span.start] - record.time_ms[joined[-1].end - 1] < DAY_MS:
            last = joined[-1]
            joined[-1] = _Span(
                last.name, last.start, span.end, last.text, max(last.confidence, span.confidence)
            )
        else:
            joined.append(span)
    return joined


def _why(record: Record, name: str, here: slice, value: float) -> str | None:
    """What moved while the value stood still; None where it may stand still."""
    hours = (record.time_ms[here][-1] - record.time_ms[here][0]) / HOUR_MS
    text = f"The {NAMES[name]} stood at {value:g} {UNITS[name]} for {hours:.1f} hours, while "
    bright = record.bright[here]
    if name in ("power_W", "array_current_A", "charge_current_A"):
        return _current_why(record, name, here, value, text)
    if name == "array_voltage_V":
        dark = record.elevation_deg[here] < DARK_DEG
        if value > 0.5 * record.supply.panel_vmp_V and dark.sum() * record.step_s >= 3600:
            return text + "it was night for a part of them."
        moved = _range(record["power_W"][here][bright])
        if record.supply.controller != "mppt" or moved < MOVES * record.rated_W:
            return None
        return text + f"the array's power changed by {moved:.0f} W."
    if name == "battery_current_A":
        moved = _range(record["charge_current_A"][here])
        if not moved > MOVES * record.rated_W / record.supply.charging_V:
            return None
        return text + f"the charge current changed by {moved:.1f} A."
    if name == "battery_voltage_V":
        stage = record.stage[here]
        if (
            np.isin(stage, [Stage.ABSORPTION, Stage.FLOAT, Stage.EQUALIZATION]).any()
            or record.held[here].any()
        ):
            return None
        moved = _range(record["charge_current_A"][here])
        if not moved > MOVES * record.rated_W / record.supply.charging_V:
            return None
        return text + f"the charge current changed by {moved:.1f} A."
    other = "battery_temperature_C" if name.startswith("controller") else "controller_temperature_C"
    warmed = _range(record[other][here])
    power = _range(record["power_W"][here])
    if warmed >= WARMS_C:
        return text + f"the {NAMES[other]} changed by {warmed:.0f} °C."
    usual = _usual_swing(record, name, here.start)
    if hours >= SWING_HOURS and usual is not None and usual >= SWING_C:
        stood = f"The {NAMES[name]} stood at {value:g} °C for {hours:.1f} hours"
        return f"{stood}; it used to change by {usual:.1f} °C a day."
    if name.startswith("controller") and power >= 2 * MOVES * record.rated_W:
        return text + f"the power through it changed by {power:.0f} W."
    return None


def _usual_swing(record: Record, name: str, before: int) -> float | None:
    """How much a value used to change within a day, median; None with too few days."""
    swings = [np.ptp(part) for part in _parts(record, name, int(record.day[before])) if len(part)]
    return float(np.median(swings)) if len(swings) >= SWING_DAYS else None


def _parts(record: Record, name: str, before_day: int) -> list[Column]:
    days = (record[name][record.of_day(number)] for number in range(before_day))
    return [part[np.isfinite(part)] for part in days]


def _current_why(record: Record, name: str, here: slice, value: float, text: str) -> str | None:
    """A power or current that stands still in light, though light or another meter moves."""
    bright = record.bright[here]
    rating_A = record.supply.rating_A or np.inf
    if bright.sum() * record.step_s < STILL_S[name] * 0.75:
        return None
    charge = record["charge_current_A"][here]
    if np.nanmax(np.append(charge, -1.0)) > CLIP_SHARE * rating_A:
        return None
    others = [n for n in ("power_W", "charge_current_A", "array_current_A") if n != name]
    moved = {n: _range(record[n][here][bright]) / _scale(record, n) for n in others}
    best = max(moved, key=lambda n: moved[n])
    if moved[best] >= MOVES:
        return text + f"the {NAMES[best]} changed by {moved[best] * _scale(record, best):.1f} {UNITS[best]}."
    nothing = value <= 0.02 * _scale(record, name)
    if bright.sum() * record.step_s < (NOTHING_LIT_S if nothing else STILL_LIT_S):
        return None
    array_V = _range(record["array_voltage_V"][here][bright])
    if array_V >= MOVES_V * record.supply.panel_vmp_V * record.supply.panels_in_series:
        return text + f"the array's voltage changed by {array_V:.1f} V."
    if nothing:
        return None
    return text + f"a clear sky's power changed by {_range(record.passed_W[here][bright]):.0f} W."


def _scale(record: Record, name: str) -> float:
    if name == "power_W":
        return record.rated_W
    if name == "array_current_A":
        return record.supply.panel_imp_A * record.supply.strings_in_parallel
    return record.rated_W / record.supply.charging_V


def _range(value: Column) -> float:
    known = value[np.isfinite(value)]
    return float(np.quantile(known, 0.95) - np.quantile(known, 0.05)) if len(known) >= 4 else 0.0


def _reversed(record: Record, name: str) -> list[_Span]:
    """Negative in daylight, for an hour in all within a stretch of such readings."""
    value = record[name]
    lit = np.flatnonzero(record.bright & np.isfinite(value))
    negative = value[lit] < -REVERSED_SHARE * _scale(record, name)
    found = []
    for start, end in runs(negative, np.zeros(len(lit))):
        if (end - start) * record.step_s >= REVERSED_S:
            low = float(np.median(value[lit[start:end]]))
            text = (
                f"The {NAMES[name]} read negative in daylight (median {low:.1f} {UNITS[name]}): an array"
                " cannot take power by day, so its sign is reversed."
            )
            # by night nobody can tell: what is reversed at the last light is not over
            until = len(value) if end == len(lit) else int(lit[end - 1]) + 1
            found.append(_Span(name, int(lit[start]), until, text, 0.9))
    return _together(record, found)


def _bank_reversed(record: Record) -> list[_Span]:
    """Days on which the bank's current falls when the charge rises: its shunt is wired or read the wrong way.

    Loads only shift the current; the slope of one over the other is near 1 by day, near -1 if reversed.
    """
    bank, charge = record["battery_current_A"], record["charge_current_A"]
    if not np.isfinite(charge).any():
        charge = record["power_W"] / record.supply.charging_V
    slope = np.full(record.count, np.nan)
    for number in range(record.count):
        here = record.of_day(number)
        known = np.isfinite(bank[here]) & np.isfinite(charge[here])
        if known.sum() * record.step_s < 6 * 3600:
            continue
        part = charge[here][known]
        if np.ptp(part) >= REVERSED_MOVES * record.rated_W / record.supply.charging_V:
            slope[number] = np.polyfit(part, bank[here][known], 1)[0]
    against_health = np.where(slope < -REVERSED_SLOPE, 1.0, 0.0)
    against_fault = np.where(slope > REVERSED_SLOPE, 1.0, 0.0)
    found = []
    for first, last in two_state(against_fault, against_health, 1.5):
        start, end = record.of_day(first).start, record.of_day(last - 1).stop
        text = (
            f"On {int(against_health[first:last].sum())} days the bank's current fell when the charge rose"
            f" (by {-float(np.nanmedian(slope[first:last])):.2f} A for each ampere): its sign is reversed."
        )
        found.append(_Span("battery_current_A", start, end, text, 0.9))
    return found


def _lost(record: Record, name: str) -> list[_Span]:
    """A quantity that was read for days and is not read any more, while the bank's voltage is."""
    value, alive = np.isfinite(record[name]), record.read
    known = np.flatnonzero(value)
    if len(np.unique(record.day[known])) < KNOWN_DAYS:
        return []
    at = np.flatnonzero(alive)
    found = []
    for start, end in runs(~value[at], np.zeros(len(at))):
        if start > 0 and (end - start) * record.step_s >= LOST_S:
            text = (
                f"The {NAMES[name]} is missing for {(end - start) * record.step_s / 3600:.0f} hours in which"
                " the device gave other readings."
            )
            found.append(_Span(name, int(at[start]), int(at[end - 1]) + 1, text, 0.7))
    return found


def _finding(record: Record, span: _Span) -> Finding:
    end_ms = int(record.time_ms[span.end - 1]) + 1000 * record.step_s
    hours = (end_ms - int(record.time_ms[span.start])) / HOUR_MS
    return Finding(
        Kind.SENSOR_STUCK,
        int(record.time_ms[span.start]),
        None if end_ms >= record.end_ms else end_ms,
        hours,
        span.confidence,
        span.text,
        LOOK.format(name=NAMES[span.name]),
    )
