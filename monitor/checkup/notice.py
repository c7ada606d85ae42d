"""Whether the readings show by themselves that an act was done, so that nobody need say so. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.checkup.levels import Level, level, step_of
from monitor.checkup.meter_checks import HAND_C
from monitor.checkup.recording import ARRAY_OFF, ARRAY_ON, HELD, LOADS_OFF, LOADS_ON, Phase, Recording, Sample
from monitor.checkup.roles import LIT_SHARE, Roles, rated_V

NOTICED = (HELD, ARRAY_OFF, LOADS_OFF, LOADS_ON, ARRAY_ON)
"""The phases whose acts readings can show."""

IN_A_ROW = 2
"""So many samples must show it (our choice: one may be a spike)."""

LOAD_A, LOAD_STEPS = 0.3, 4
"""A switched load moves a current by more than this, and by so many of the meter's steps (our choice)."""


def shows(recording: Recording, roles: Roles, phase: str, before: Phase, since_ms: int) -> bool:
    """Whether the samples since a moment show the act that leads to a phase; before is the phase that was
    read last. False where only the person can say."""
    if roles.charger is None:
        return False
    recent = _recent(recording.samples, roles.charger, since_ms)
    if len(recent) < IN_A_ROW:
        return False
    if phase == ARRAY_OFF and not any(sample.answered for sample in recent):
        return True
    rated = rated_V(recording)
    if phase in (ARRAY_OFF, ARRAY_ON) and rated is not None:
        was = level(recording, before, roles.charger, "array_voltage_V")
        lit = [_above(sample, "array_voltage_V", LIT_SHARE * rated) for sample in recent]
        if phase == ARRAY_ON:
            return all(each is True for each in lit)
        return was is not None and was.mean > LIT_SHARE * rated and all(each is False for each in lit)
    if phase == HELD:
        was = level(recording, before, roles.charger, "battery_temperature_C")
        return was is not None and all(
            _above(sample, "battery_temperature_C", was.mean + HAND_C + 1.5 * was.step) for sample in recent
        )
    if phase in (LOADS_OFF, LOADS_ON):
        seen = [(roles.charger, "load_current_A")]
        seen += [(roles.shunt, "battery_current_A")] if roles.shunt is not None else []
        return any(
            _moved(
                level(recording, before, device, quantity),
                _recent(recording.samples, device, since_ms),
                quantity,
                step_of(recording.site.meters, quantity),
            )
            for device, quantity in seen
        )
    return False


def _recent(samples: Sequence[Sample], device: str, since_ms: int) -> list[Sample]:
    return [each for each in samples if each.device == device and each.time_ms >= since_ms][-IN_A_ROW:]


def _above(sample: Sample, quantity: str, limit: float) -> bool | None:
    value = sample.values.get(quantity)
    return None if value is None else value > limit


def _moved(was: Level | None, recent: Sequence[Sample], quantity: str, step: float) -> bool:
    """Whether the samples lie on one side of what was, and far."""
    values = [value for sample in recent if (value := sample.values.get(quantity)) is not None]
    if was is None or len(values) < IN_A_ROW:
        return False
    least = max(LOAD_A, LOAD_STEPS * step, 3 * was.sd)
    return min(values) > was.mean + least or max(values) < was.mean - least
