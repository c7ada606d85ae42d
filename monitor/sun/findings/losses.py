"""Steps that stay: a parallel panel lost (power falls, voltage stays), a diode or series panel lost
(voltage).

What is left is a known share: with n strings in parallel (n-k)/n of the power; with n panels in series less a
diode's part, or a whole panel's, of the voltage. A step is believed only if it is sharp,
fits such a share, and the moments after it agree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.records import DAY_MS
from monitor.sun.findings.finding import Finding, Kind
from monitor.sun.findings.levels import Levels, best_level
from monitor.sun.findings.record import Column, Record
from monitor.sun.findings.spans import two_state

SWITCH_S = 7200
"""A change of state must be outweighed by two hours of clear moments (our choice)."""

ROUGH_WEIGHT = 0.15
"""What a moment between clouds counts: their edges can lift the light by a fifth for minutes (our choice)."""

DAYS_BEFORE, DAYS_AFTER, DAYS_ASKED = 3, 2, 6
"""So many days with a level are needed before and after, and so many at most are asked (our choice)."""

ASKED_QUANTILE = 0.7
FIT = 0.35
"""The step must lie within this share of one string (or diode) of what is expected (our choice)."""

VOLTAGE_PER_C = -0.0042
"""A crystalline panel's best-point voltage changes by about -0.42 % for each degree (from memory)."""

VOLTAGE_LIGHT = 0.25
"""The voltage is judged where the array gives this share of a clear sky's power or more (our choice)."""

DIODES = (2, 3)
"""Bypass diodes of a panel: three for 60 cells and more, two for 36 (common practice, no source)."""

LOOK_PANEL = (
    "Look first at the string fuses or breakers in the combiner box and at the connectors behind the panels:"
    " one string of the array no longer feeds in. Panels are live in daylight and DC arcs do not go out:"
    " open the array's disconnect if it is rated for load, cover the panels, pull no connector under load."
    " If you are not sure, ask a licensed person; local codes come first."
)
LOOK_DIODE = (
    "Look first for a shaded, cracked or burnt panel and compare the open-circuit voltages of the panels one"
    " by one: the lower one has lost a part or its bypass diode. Panels are live in daylight: measure with a"
    " meter rated for the voltage, open the array's disconnect only if it is rated for load, cover panels"
    " before you open a junction box, or ask a licensed person."
)


@dataclass(frozen=True)
class _Step:
    start: int
    end: int
    share: float
    days_after: int
    gain: float


def find(record: Record, levels: Levels) -> list[Finding]:
    """Lost diodes first, since they lower the power too; then lost strings at other times."""
    diodes = _diodes(record)
    panels = _panels(record, levels)
    both = [p for p in panels if not any(_same(p, d) for d in diodes)]
    return diodes + both


def _same(one: Finding, other: Finding) -> bool:
    return abs(one.start_ms - other.start_ms) <= 3 * DAY_MS


def _panels(record: Record, levels: Levels) -> list[Finding]:
    strings = record.supply.strings_in_parallel
    share = levels.relative / levels.best[record.day]
    voltage = voltage_share(record)
    found = []
    for lost in range(1, strings):
        left = 1 - lost / strings
        low, mid = left**1.5, left**0.5
        weight = record.step_s / 300
        claims = record.smooth & (share > low) & (share < mid)
        refutes = np.where(share >= mid, np.where(record.smooth, 1.0, ROUGH_WEIGHT), 0.0)
        spans = two_state(
            np.where(record.free, refutes, 0.0) * weight, np.where(claims, weight, 0.0), SWITCH_S / 300
        )
        for start, end in spans:
            step = _sharp(record, levels.of_day, start, end, left, FIT / strings)
            if step and not _moved_voltage(record, voltage, start, end):
                gain = float(claims[start:end].sum() - refutes[start:end].sum())
                found.append(_Step(start, step[1], step[0], step[2], gain))
    return [_panel(record, step, strings) for step in _best(found)]


def _panel(record: Record, step: _Step, strings: int) -> Finding:
    lost = max(1, round((1 - step.share) * strings))
    text = (
        f"Since then clear moments of {step.days_after} days reach {100 * step.share:.0f} % of what they"
        f" reached before, and no more; without {lost} of {strings} strings it would be"
        f" {100 * (1 - lost / strings):.0f} %. The array's voltage did not fall."
    )
    fit = abs(step.share - (1 - lost / strings)) * strings
    confidence = min(0.95, 0.7 + 0.04 * step.days_after) - 0.4 * fit * FIT
    return Finding(
        Kind.PANEL_LOST,
        int(record.time_ms[step.start]),
        _end_ms(record, step.end),
        1 - step.share,
        confidence,
        text,
        LOOK_PANEL,
    )


def voltage_share(record: Record) -> Column:
    """The array's voltage over its rated best-point voltage, temperature taken out; nan where it tells
    nothing.

    The module is taken to be cooler by 0.03 °C for each W/m² that clouds take (Ross 1981 with a middle
    coefficient, from memory).
    """
    supply = record.supply
    index = np.clip(record.index, 0, 1.2)
    module_C = record.module_C - 0.03 * (1 - index) * 1000 * record.clear_W / record.rated_W
    rated_V = supply.panel_vmp_V * supply.panels_in_series * (1 + VOLTAGE_PER_C * (module_C - 25))
    told = record.free & (record.index > VOLTAGE_LIGHT) & (record["array_voltage_V"] > 1)
    return np.where(told, record["array_voltage_V"] / rated_V, np.nan)


def _by_day(record: Record, value: Column, least: int = 6) -> Column:
    found = np.full(record.count, np.nan)
    for number in range(record.count):
        part = value[record.of_day(number)]
        part = part[np.isfinite(part)]
        if len(part) * record.step_s >= least * 300:
            found[number] = np.median(part)
    return found


def _moved_voltage(record: Record, voltage: Column, start: int, end: int) -> bool:
    """Whether the voltage fell by half of a diode's part when the power did."""
    by_day = _by_day(record, voltage)
    first = int(record.day[start])
    before, after = by_day[max(0, first - 10) : first], by_day[first + 1 : int(record.day[end - 1]) + 1][:10]
    before, after = before[np.isfinite(before)], after[np.isfinite(after)]
    if not len(before) or not len(after):
        return False
    part = 1 / (3 * record.supply.panels_in_series)
    return float(np.median(after) / np.median(before)) < 1 - part / 2


def _diodes(record: Record) -> list[Finding]:
    if record.supply.controller == "pwm":
        return []
    voltage = voltage_share(record)
    by_day = _by_day(record, voltage)
    if np.isfinite(by_day).sum() < DAYS_BEFORE + DAYS_AFTER:
        return []
    share = voltage / best_level(by_day)[record.day]
    series = record.supply.panels_in_series
    part = 1 / (3 * series)
    found = []
    for lost in sorted({one for n in DIODES for one in (1 / (n * series), 1 / series)}):
        left = 1 - lost
        claims = (share > left - part / 2) & (share < left + part / 2)
        refutes = share >= left + part / 2
        weight = record.step_s / 300
        spans = two_state(np.where(refutes, weight, 0.0), np.where(claims, weight, 0.0), SWITCH_S / 300)
        for start, end in spans:
            step = _sharp(record, by_day, start, end, left, FIT * part)
            if step:
                gain = float(claims[start:end].sum() - refutes[start:end].sum())
                found.append(_Step(start, step[1], step[0], step[2], gain))
    return [_diode(record, step) for step in _best(found)]


def _diode(record: Record, step: _Step) -> Finding:
    panel = 1 / record.supply.panels_in_series
    vmp_V = record.supply.panel_vmp_V * record.supply.panels_in_series
    text = (
        f"Since then the array's voltage at work is {100 * (1 - step.share):.0f} % lower than before on"
        f" {step.days_after} days, about {(1 - step.share) * vmp_V:.1f} V of {vmp_V:.1f} V."
        f" One part of a panel with three diodes would be {100 * panel / 3:.0f} %, with two"
        f" {100 * panel / 2:.0f} %, a whole panel {100 * panel:.0f} %."
    )
    return Finding(
        Kind.DIODE_LOST,
        int(record.time_ms[step.start]),
        _end_ms(record, step.end),
        1 - step.share,
        min(0.95, 0.7 + 0.04 * step.days_after),
        text,
        LOOK_DIODE,
    )


def _sharp(
    record: Record, by_day: Column, start: int, end: int, left: float, near: float
) -> tuple[float, int, int] | None:
    """The share left, the true end and the days that tell it, if the step fits and is sharp; else None.

    A span that ends without a step up has not ended: the usual level only forgot.
    """
    if start == 0:
        return None
    first, last = int(record.day[start]), int(record.day[end - 1])
    before = _asked(by_day[:first][::-1])
    after = _asked(by_day[first + 1 : last + 1])
    if len(before) < DAYS_BEFORE or len(after) < DAYS_AFTER:
        return None
    ratio = float(np.quantile(after, ASKED_QUANTILE) / np.quantile(before, ASKED_QUANTILE))
    if abs(ratio - left) > near:
        return None
    behind = _asked(by_day[last + 1 :])
    if end < len(record.day) and len(behind):
        inside = _asked(by_day[first + 1 : last + 1][::-1])
        if np.quantile(behind, ASKED_QUANTILE) * (1 + left) / 2 < np.quantile(inside, ASKED_QUANTILE):
            end = len(record.day)
    elif end < len(record.day):
        end = len(record.day)
    return ratio, end, int(np.isfinite(by_day[first : last + 1]).sum())


def _asked(by_day: Column) -> Column:
    return by_day[np.isfinite(by_day)][:DAYS_ASKED]


def _best(found: list[_Step]) -> list[_Step]:
    """Of steps that overlap the one with most evidence."""
    kept: list[_Step] = []
    for step in sorted(found, key=lambda step: -step.gain):
        if all(step.end <= other.start or step.start >= other.end for other in kept):
            kept.append(step)
    return kept


def _end_ms(record: Record, end: int) -> int | None:
    return None if end >= len(record.day) else int(record.time_ms[end])
