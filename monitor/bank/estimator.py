"""State of charge, first cut: count the current from the last full charge and say how sure that is.

The seam is `Estimator`: a sample in, an estimate out, the state as text. What stands here,
`BankEstimator`, is the plain method; a better filter answers the same protocol and nothing else changes.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from typing import Protocol

from monitor.bank.description import BankDescription
from monitor.bank.sample import BankEstimate, BankSample
from monitor.bank.stage import detect_stage
from monitor.quantities import Stage


class Estimator(Protocol):
    """Turns samples into estimates, causally. Times that go back are ignored, gaps widen the band."""

    def update(self, sample: BankSample) -> BankEstimate:
        """The estimate after one more sample."""

    def state(self) -> str:
        """All that must survive a restart, as JSON text."""


# Ah out over Ah in between two full charges. Flooded: 'coulombic 85 %, typical' (PVEducation as quoted) and
# 91 % mean up to 84 % charge (Stevens & Corey, from memory), ours between. AGM and gel: recharge factor 105
# to 110 % (a battery maker's user manual), so 0.91 to 0.95. LiFePO4: from memory, no source seen.
COULOMBIC_EFFICIENCY = {"flooded": 0.88, "agm": 0.93, "gel": 0.93, "lifepo4": 0.99}
EFFICIENCY_TOLERANCE = {"flooded": 0.06, "agm": 0.04, "gel": 0.04, "lifepo4": 0.01}

FULL_SD = 0.06
"""What 'full' by a controller's signs is worth: such banks were measured at 66 to 100 % true charge, the
low ones with sulfated plates or too high a tail limit; our choice for a tended bank."""

FULL_HELD_S = 900.0
"""The tail current must stay below its limit this long (our choice; makers speak of hourly readings)."""

ABSORPTION_HELD_S = 1800.0
"""A controller that goes to float after this long in absorption took the bank for full (our choice)."""

LONGEST_STEP_S = 300.0
"""A longer silence is a gap: nothing is counted across it, the band widens instead (our choice)."""

UNIFORM_SD = 1 / math.sqrt(12)
"""Standard deviation of a charge of which nothing is known: uniform on 0..1."""


@dataclass(slots=True)
class _State:
    """What survives a restart."""

    last_ms: int | None = None
    soc: float | None = None
    full_ms: int | None = None
    error_Ah: float = 0.0  # what the systematic errors may have added since full, at one deviation
    dark_h: float = 0.0  # hours without readings since full
    stage: Stage = Stage.OFF
    tail_s: float = 0.0  # how long the current has stayed below the tail limit in absorption
    absorption_s: float = 0.0  # how long this charge has been in absorption
    latched: bool = False  # this charge has been counted as full already


class BankEstimator:
    """Coulomb counting anchored at full. Unknown until the first full charge that it sees."""

    def __init__(self, bank: BankDescription, saved: str | None = None) -> None:
        """saved is the text of an earlier `state()`; unusable text starts from nothing."""
        self._bank = bank
        self._use_A = bank.use_A or bank.monitor_A
        self._state = _restored(saved)

    def state(self) -> str:
        return json.dumps(asdict(self._state))

    def update(self, sample: BankSample) -> BankEstimate:
        state = self._state
        if sample.battery_voltage_V is None or not math.isfinite(sample.battery_voltage_V):
            return self._estimate(sample.time_ms, became_full=False)
        if state.last_ms is not None and sample.time_ms <= state.last_ms:
            return self._estimate(state.last_ms, became_full=False)
        step_s = 0.0 if state.last_ms is None else (sample.time_ms - state.last_ms) / 1000
        state.last_ms = sample.time_ms
        became_full = False
        if step_s > LONGEST_STEP_S:
            self._lose(step_s)
        else:
            self._count(sample, step_s)
            became_full = self._watch_for_full(sample, step_s)
        return self._estimate(sample.time_ms, became_full)

    def _count(self, sample: BankSample, step_s: float) -> None:
        state, bank = self._state, self._bank
        hours = step_s / 3600
        current_A = sample.battery_current_A
        if current_A is None or not math.isfinite(current_A):
            charge_A = sample.charge_current_A or 0.0
            current_A = charge_A - self._use_A
            state.error_Ah += self._use_A * hours
        moved_Ah = current_A * hours
        if moved_Ah > 0:
            state.error_Ah += EFFICIENCY_TOLERANCE[bank.chemistry] * moved_Ah
            moved_Ah *= COULOMBIC_EFFICIENCY[bank.chemistry]
        state.error_Ah += (
            bank.meters.current_gain_tolerance * abs(moved_Ah)
            + bank.meters.current_offset_tolerance_A * hours
        )
        if state.soc is not None:
            state.soc = min(1.0, max(0.0, state.soc + moved_Ah / bank.capacity_Ah))

    def _lose(self, step_s: float) -> None:
        """A gap: the declared loads may or may not have run."""
        hours = step_s / 3600
        self._state.error_Ah += self._use_A * hours
        self._state.dark_h += hours
        self._state.tail_s = self._state.absorption_s = 0.0

    def _watch_for_full(self, sample: BankSample, step_s: float) -> bool:
        state, bank = self._state, self._bank
        assert sample.battery_voltage_V is not None
        before = state.stage
        charge_A = sample.charge_current_A
        if charge_A is None:
            charge_A = max(0.0, sample.battery_current_A or 0.0)
        state.stage = (
            sample.stage
            if sample.stage is not None
            else detect_stage(
                sample.battery_voltage_V,
                charge_A,
                sample.battery_temperature_C,
                set_points=bank.set_points,
                cells=bank.cells,
                capacity_Ah=bank.capacity_Ah,
                before=before,
            )
        )
        net_A = sample.battery_current_A if sample.battery_current_A is not None else charge_A
        in_absorption = state.stage in (Stage.ABSORPTION, Stage.EQUALIZATION)
        if in_absorption:
            state.absorption_s += step_s
            state.tail_s = state.tail_s + step_s if 0 <= net_A <= bank.tail_current_A else 0.0
        finished = (in_absorption and state.tail_s >= FULL_HELD_S) or (
            state.stage is Stage.FLOAT and before is not Stage.OFF and state.absorption_s >= ABSORPTION_HELD_S
        )
        became_full = finished and not state.latched
        if finished:
            state.latched = True
            state.soc, state.full_ms = 1.0, sample.time_ms
            state.error_Ah = state.dark_h = 0.0
        if state.stage in (Stage.OFF, Stage.BULK):
            state.absorption_s = state.tail_s = 0.0
            state.latched = False
        elif state.stage is Stage.FLOAT:
            state.absorption_s = state.tail_s = 0.0
        return became_full

    def _estimate(self, time_ms: int, became_full: bool) -> BankEstimate:
        state, bank = self._state, self._bank
        sd: float | None = None
        basis: list[str] = []
        if state.soc is None or state.full_ms is None:
            basis.append("no full charge seen yet")
        else:
            sd = min(UNIFORM_SD, math.hypot(FULL_SD, state.error_Ah / bank.capacity_Ah))
            basis.append(f"full seen {_ago(time_ms - state.full_ms)}")
            if state.dark_h >= 0.1:
                basis.append(f"{state.dark_h:.1f} h without readings since")
        return BankEstimate(
            time_ms, state.soc, sd, state.stage, bank.capacity_Ah, None, None, tuple(basis), became_full
        )


def _restored(saved: str | None) -> _State:
    if saved is None:
        return _State()
    try:
        state = _State(**json.loads(saved))
        state.stage = Stage(state.stage)
    except (TypeError, ValueError):
        return _State()
    return state


def _ago(age_ms: int) -> str:
    hours = age_ms / 3_600_000
    if hours < 1:
        return "within the hour"
    return f"{hours:.0f} h ago" if hours < 48 else f"{hours / 24:.0f} days ago"
