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

OPEN_S, OPEN_BLIND_S = 5400, 3 * 3600
"""So long it must last by a measured array voltage, and without one (our choice)."""

BURIED, BURIED_DEEP = 0.07, 0.02
"""Snow lets less than the first share of a clear sky's power through. The darkest days reach that, too; so it
must either slide off, which no cloud does so fast, or let no more than the second through (our choice)."""

BURIED_S, BURIED_DEEP_S = 9000, 6 * 3600
BURIED_SHARE = 0.9
"""So long, in the two cases, and for this share of the light hours between, it must be so (our choice)."""

RELEASE_STEPS, RELEASE_SHARE, RELEASE_TIMES = 2, 0.2, 4.0
"""Slid off: in the two steps after, the power is this share of a clear sky's and so many times what it was
in the two before (our choice)."""

FELL_S = 5 * 3600
"""Snow falls at night, or lies for five hours before it slides: shorter spells are a cloud's (our choice)."""

COLD_C = 3.0
"""Snow lies where the coldest reading of the time is at most this: sensors stand in a sheltered box."""

EDGE_S, EDGE_SHARE, EDGE_VOLTAGE = 1800, 0.04, 1.05
"""An open array goes and comes back at once: in the half hour before or after, it gives at least this share
of a clear sky's power, or stands above its best-point voltage because nothing is taken (our choice)."""

OPEN_LONG_S = 12 * 3600
"""Without such an edge (it went or came in the night) so much daylight without a voltage is needed."""

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
            sharp = _edge(record, start, -1) or _edge(record, end - 1, 1)
            if lasted_s < least_s or not (sharp or lasted_s >= OPEN_LONG_S):
                continue
            if not by_voltage and (cold is None or cold <= COLD_C):
                continue
            mask[inside] |= record.bright[inside]
            findings.append(_opened(record, start, end, lasted_s, by_voltage))
    return findings, mask


def _edge(record: Record, at: int, way: int) -> bool:
    """Whether the array was alive on the same day just before (-1) or after (1) a step."""
    reach = max(1, EDGE_S // record.step_s)
    near = at + way * np.arange(1, reach + 1)
    near = near[(near >= 0) & (near < len(record.day))]
    near = near[(record.day[near] == record.day[at]) & record.bright[near] & record.read[near]]
    if not len(near):
        return False
    best_V = EDGE_VOLTAGE * record.supply.panel_vmp_V * record.supply.panels_in_series
    gives = np.nan_to_num(record["power_W"][near]) >= EDGE_SHARE * record.passed_W[near]
    return bool((gives | (record["array_voltage_V"][near] > best_V)).any())


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
    lit = _wanting(record) & ~taken & ~record.blind & np.isfinite(power)
    little = lit & (power < BURIED * record.passed_W) & ~(voltage < NO_VOLTAGE * vmp_V)
    mask = np.zeros(len(lit), dtype=bool)
    findings = []
    for start, end in _joined(little, lit, record, slack=2):
        inside = slice(start, end)
        lasted_s = int(little[inside].sum()) * record.step_s
        cold = _cold(record, start, end)
        share = float(np.nansum(power[inside][lit[inside]]) / record.passed_W[inside][lit[inside]].sum())
        deep = share <= BURIED_DEEP and lasted_s >= BURIED_DEEP_S
        slid = lasted_s >= BURIED_S and _slid(record, lit, start, end, lasted_s)
        if not (deep or slid) or little[inside].sum() < BURIED_SHARE * lit[inside].sum():
            continue
        if cold is None or cold > COLD_C:
            continue
        mask[inside] |= record.bright[inside]
        known_V = voltage[inside][lit[inside] & np.isfinite(voltage[inside])]
        median_V = float(np.median(known_V)) if len(known_V) else 0.0
        alive = median_V if median_V > NO_VOLTAGE * vmp_V else None
        text = (
            f"In {lasted_s / 3600:.0f} hours of daylight the array gave {100 * share:.1f} % of what a clear"
            f" sky allows; the coldest reading of the time was {cold:z.1f} °C"
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


def _slid(record: Record, lit: Mask, start: int, end: int, lasted_s: int) -> bool:
    """Whether the power came back at once, on the same day, after a stretch that began in the night."""
    after = np.flatnonzero(lit[end:])[:RELEASE_STEPS] + end
    before = np.flatnonzero(lit[:end])[-RELEASE_STEPS:]
    if not len(after) or record.day[after[-1]] != record.day[end - 1]:
        return False
    first = not (lit[:start] & (record.day[:start] == record.day[start])).any()
    ratio = record["power_W"] / np.maximum(record.passed_W, 1.0)
    least = max(RELEASE_SHARE, RELEASE_TIMES * float(ratio[before].mean()))
    return (first or lasted_s >= FELL_S) and float(ratio[after].min()) >= least


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
