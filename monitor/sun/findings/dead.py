"""Hours of daylight in which next to nothing came: an open array, or snow on the panels.

An open disconnect, a tripped breaker or a pulled connector takes voltage and current both: clouds never do
that by day. Under snow the panels still make a voltage, but hardly any current, for hours, and it is cold.
"""

from __future__ import annotations

import numpy as np

from monitor.quantities import Stage
from monitor.sun.findings.finding import Finding, Kind
from monitor.sun.findings.record import Mask, Record, runs

NO_VOLTAGE = 0.15
"""Below this share of the rated best-point voltage the array counts as absent (our choice): under the darkest
cloud a panel reaches more than half of it."""

NO_POWER = 0.003
"""Power below this share of a clear sky's is none: heavy rain leaves some percent (our choice)."""

OPEN_S, OPEN_BLIND_S = 2700, 3 * 3600
"""So long it must last by a measured array voltage, and without one (our choice)."""

BURIED = 0.035
"""Snow on the panels lets less than this share of a clear sky's power through (our choice; the rain-darkest
days' hours lie above it nearly always)."""

BURIED_S = 5 * 3600
BURIED_SHARE = 0.9
"""So long, and for this share of the light hours between, it must be so to be snow (our choice)."""

COLD_C = 3.0
"""Snow lies where the coldest reading of the time is at most this: sensors stand in a sheltered box."""

LOOK_OPEN = (
    "Look first whether the array's disconnect or breaker is open or a fuse has blown, then at the"
    " connectors. A panel is live in daylight: touch no bare metal, cover the panels or wait for dusk before"
    " working on the wires, and open or close a disconnect under load only if it is rated for it. A breaker"
    " that trips again has a reason: have a licensed person look. Local codes come first."
)
LOOK_SNOW = (
    "Look at the panels from the ground. Snow slides off by itself once the sun reaches a free edge; if you"
    " brush it, use something soft, stay off roofs and ladders in ice and put no weight on the glass, which"
    " is live in daylight."
)


def find(record: Record) -> tuple[list[Finding], Mask]:
    """The findings, and the steps they explain."""
    opened, open_mask = _open(record)
    buried, buried_mask = _buried(record, open_mask)
    return opened + buried, open_mask | buried_mask


def _wanting(record: Record) -> Mask:
    """Bright steps with readings in which the bank was not full, as far as stage and split tell."""
    full = np.isin(record.stage, [Stage.ABSORPTION, Stage.FLOAT, Stage.EQUALIZATION])
    known = np.isfinite(record.stage)
    return record.bright & record.read & np.where(known, ~full, ~record.held)


def _cold(record: Record, start: int, end: int) -> float | None:
    """The coldest reading within half a day around some steps; None where no temperature is read."""
    wide = record.between(int(record.time_ms[start]) - 43_200_000, int(record.time_ms[end - 1]) + 43_200_000)
    both = np.concatenate([record["battery_temperature_C"][wide], record["controller_temperature_C"][wide]])
    both = both[np.isfinite(both)]
    return float(both.min()) if len(both) else None


def _open(record: Record) -> tuple[list[Finding], Mask]:
    voltage, power = record["array_voltage_V"], record["power_W"]
    vmp_V = record.supply.panel_vmp_V * record.supply.panels_in_series
    nothing = ~(power > NO_POWER * record.passed_W)
    absent = record.bright & record.read & (voltage < NO_VOLTAGE * vmp_V) & nothing
    blind = np.isnan(voltage) & _wanting(record) & (power <= NO_POWER * record.passed_W)
    mask = np.zeros(len(absent), dtype=bool)
    findings = []
    for sign, least_s, by_voltage in ((absent, OPEN_S, True), (blind, OPEN_BLIND_S, False)):
        lit = record.bright & record.read
        for start, end in _joined(sign, lit, record):
            inside = slice(start, end)
            lasted_s = int(sign[inside].sum()) * record.step_s
            cold = _cold(record, start, end)
            if lasted_s < least_s or (not by_voltage and cold is not None and cold <= COLD_C):
                continue
            mask[inside] |= record.bright[inside]
            findings.append(_opened(record, start, end, lasted_s, by_voltage))
    return findings, mask


def _opened(record: Record, start: int, end: int, lasted_s: int, by_voltage: bool) -> Finding:
    inside = slice(start, end)
    power = record["power_W"][inside]
    known = power[np.isfinite(power)]
    most_W = float(known.max()) if len(known) else 0.0
    sign = (
        f"the array's voltage stayed at or below {np.nanmax(record['array_voltage_V'][inside]):.1f} V"
        if by_voltage
        else f"the array gave no more than {most_W:.1f} W"
    )
    text = (
        f"In {lasted_s / 3600:.1f} hours of daylight {sign}, while a clear sky would have allowed up to"
        f" {record.passed_W[inside].max():.0f} W; clouds do not do that."
    )
    return Finding(
        Kind.ARRAY_OPEN,
        int(record.time_ms[start]),
        _end_ms(record, end),
        1.0,
        min(0.98, (0.85 if by_voltage else 0.65) + 0.02 * lasted_s / 3600),
        text,
        LOOK_OPEN,
    )


def _buried(record: Record, taken: Mask) -> tuple[list[Finding], Mask]:
    voltage, power = record["array_voltage_V"], record["power_W"]
    vmp_V = record.supply.panel_vmp_V * record.supply.panels_in_series
    lit = _wanting(record) & ~taken & np.isfinite(power)
    little = lit & (power < BURIED * record.passed_W) & ~(voltage < NO_VOLTAGE * vmp_V)
    mask = np.zeros(len(lit), dtype=bool)
    findings = []
    for start, end in _joined(little, lit, record, slack=2):
        inside = slice(start, end)
        lasted_s = int(little[inside].sum()) * record.step_s
        cold = _cold(record, start, end)
        if lasted_s < BURIED_S or little[inside].sum() < BURIED_SHARE * lit[inside].sum():
            continue
        if cold is None or cold > COLD_C:
            continue
        mask[inside] |= record.bright[inside]
        share = float(np.nansum(power[inside][lit[inside]]) / record.passed_W[inside][lit[inside]].sum())
        alive = (
            float(np.nanmedian(voltage[inside][lit[inside]])) if np.isfinite(voltage[inside]).any() else None
        )
        text = (
            f"In {lasted_s / 3600:.0f} hours of daylight the array gave {100 * share:.1f} % of what a clear"
            f" sky allows; the coldest reading of the time was {cold:.1f} °C"
            + (f", and the array's voltage was there ({alive:.1f} V)." if alive is not None else ".")
        )
        confidence = 0.6 + (0.15 if alive is not None else 0) + (0.1 if cold < 0 else 0)
        confidence += min(0.12, 0.01 * lasted_s / 3600)
        findings.append(
            Finding(
                Kind.SNOW,
                int(record.time_ms[start]),
                _end_ms(record, end),
                1 - share,
                confidence,
                text,
                LOOK_SNOW,
            )
        )
    return findings, mask


def _joined(sign: Mask, lit: Mask, record: Record, slack: int = 0) -> list[tuple[int, int]]:
    """Stretches of a sign over the lit steps alone, nights between left out; up to `slack` steps may lack
    it."""
    at = np.flatnonzero(lit)
    if not len(at):
        return []
    one = np.zeros(len(at), dtype=np.int64)
    spans = [(a, b) for a, b in runs(sign[at], one)]
    joined: list[tuple[int, int]] = []
    for a, b in spans:
        if joined and a - joined[-1][1] <= slack:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    return [(int(at[a]), int(at[b - 1]) + 1) for a, b in joined]


def _end_ms(record: Record, end: int) -> int | None:
    """The end of a span of steps; None if no bright step with readings follows it."""
    if not (record.bright & record.read)[end:].any():
        return None
    return int(record.time_ms[end - 1]) + 1000 * record.step_s
