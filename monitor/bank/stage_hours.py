"""What stored stages and voltages tell afterwards: hours in each stage, set points that were held. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from monitor.bank.setpoints import REFERENCE_C, SetPoints
from monitor.quantities import Stage
from monitor.records import HOUR_MS
from monitor.site.chemistry import USUAL, SetPoint
from monitor.site.model import Chemistry

LONGEST_S = 900.0
"""A stage counts until the next reading, at most so long (our choice: three rows of five minutes)."""

LEAST_HELD = 15
"""Fewer readings at about the same voltage show no set point (our choice)."""


def stage_hours(
    rows: Iterable[tuple[int, Mapping[str, float]]], start_ms: int, end_ms: int
) -> dict[Stage, float]:
    """Hours in each stage in [start, end) from `charge_stage` rows in order; silence counts nowhere."""
    hours = dict.fromkeys(Stage, 0.0)
    before: tuple[int, Stage] | None = None
    for time_ms, row in rows:
        code = row.get("charge_stage")
        if code is None or not start_ms <= time_ms < end_ms:
            continue
        if before is not None and time_ms - before[0] <= LONGEST_S * 1000:
            hours[before[1]] += (time_ms - before[0]) / HOUR_MS
        before = (time_ms, Stage(int(code)))
    return hours


@dataclass(slots=True)
class HeldSeen:
    """Counts the voltages, referred to 25 °C, that stood while a stage was told; memory is bounded.

    compensation_V_per_C is that of the whole bank; a row without a temperature counts as at 25 °C.
    """

    compensation_V_per_C: float
    step_V: float
    _counts: dict[Stage, Counter[int]] = field(default_factory=dict)
    _degrees: dict[Stage, tuple[float, int]] = field(default_factory=dict)

    def take(self, row: Mapping[str, float]) -> None:
        """One row with battery_voltage_V, charge_stage and, where known, battery_temperature_C."""
        code, voltage_V = row.get("charge_stage"), row.get("battery_voltage_V")
        if code is None or voltage_V is None or int(code) not in (Stage.ABSORPTION, Stage.FLOAT):
            return
        stage = Stage(int(code))
        temperature_C = row.get("battery_temperature_C", REFERENCE_C)
        at_25_V = voltage_V - self.compensation_V_per_C * (temperature_C - REFERENCE_C)
        self._counts.setdefault(stage, Counter())[round(at_25_V / self.step_V)] += 1
        total_C, count = self._degrees.get(stage, (0.0, 0))
        self._degrees[stage] = (total_C + temperature_C, count + 1)

    def held_V(self, stage: Stage) -> float | None:
        """The voltage (at 25 °C) that stood most often in a stage: sags and decays stand nowhere for long."""
        counts = self._counts.get(stage, Counter())
        if not counts:
            return None
        most = max(counts, key=lambda at: counts[at - 1] + 2 * counts[at] + counts[at + 1])
        near = {at: counts[at] for at in (most - 1, most, most + 1) if counts[at]}
        if sum(near.values()) < LEAST_HELD:
            return None
        return self.step_V * sum(at * count for at, count in near.items()) / sum(near.values())

    def mean_C(self, stage: Stage) -> float | None:
        """The bank's mean temperature in a stage."""
        total_C, count = self._degrees.get(stage, (0.0, 0))
        return total_C / count if count else None


def set_points_in_words(seen: HeldSeen, configured: SetPoints, chemistry: Chemistry, cells: int) -> str:
    """The held voltages beside the configured and the usual ones, in one sentence."""
    usual = USUAL[chemistry]
    parts = [
        _held_words(seen, Stage.ABSORPTION, configured.absorption_V, usual.absorption, cells),
        _held_words(seen, Stage.FLOAT, configured.float_V, usual.float_charge, cells),
    ]
    told = [part for part in parts if part]
    if not told:
        return "No absorption or float voltage was held long enough to be seen."
    return f"Seen {'; '.join(told)}."


def _held_words(seen: HeldSeen, stage: Stage, configured_V: float | None, usual: SetPoint, cells: int) -> str:
    held_V = seen.held_V(stage)
    if held_V is None:
        return ""
    low_V, high_V = (cells * volts for volts in usual.usual_V)
    mean_C = seen.mean_C(stage)
    at = "" if mean_C is None else f" (bank at {mean_C:z.0f} °C)"
    asked = "not configured" if configured_V is None else f"configured {configured_V:.2f} V"
    beside = "" if low_V <= held_V <= high_V else ", outside of it"
    name = stage.name.lower()
    return (
        f"{name} {held_V:.2f} V referred to 25 °C{at}, {asked}, usual {low_V:.2f} to {high_V:.2f} V{beside}"
    )
