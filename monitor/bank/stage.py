"""The charge stage from voltage, current, array and set points, and a cross-check of the controller's word.

What shows a stage: whether current comes from the array's side, and which set point the voltage is held at
(`held.py`). Float is told from a bulk that passes the same voltage by what came before.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from monitor.bank.description import BankDescription
from monitor.bank.held import HeldVoltage
from monitor.bank.sample import BankSample
from monitor.bank.signs import Signs, signs_of
from monitor.bank.stage_shown import COLLAPSE_S, FLAT_S, LONG_FLAT_S, SAG_V_PER_CELL, StageShown
from monitor.bank.stage_state import HALF_HOURS, NIGHT_S, restored
from monitor.quantities import Stage

LONGEST_STEP_S = 900.0
"""A longer silence is a gap: no time is counted across it (our choice: three rows of five minutes)."""

CONFIRM_S = 30.0
"""A new stage must show so long before it is believed (our choice: a load's switching is shorter)."""

DAYLIGHT_S = 900.0
"""An idle array in light for so long, with the bank not full, is worth telling (our choice)."""

TAIL_HELD_S = 900.0
"""The tail current must stay below its limit this long (our choice; makers speak of hourly readings)."""

CROSS_S = 1200.0
"""The controller's word is contradicted after readings have shown another stage so long (our choice)."""

SUN_FORGOTTEN_S = 20 * 1800.0
"""Where only the net current is seen, loads may hide the charge current. A half-hour of the day in which the
bank was charged is taken for daylight until twenty days without have gone (our choice)."""

SUN_BELIEVED = 0.37
"""e to the minus one: SUN_FORGOTTEN_S without charge."""

LEAST_A = 0.02
"""Below this no meter of such a system tells a current from nothing (our choice)."""

CLOCK_SET_BACK = 3
"""So many samples in a row, each later than the one before and all before the newest known one, mean that the
clock was set back and not that they came late (our choice)."""


@dataclass(frozen=True, slots=True)
class StageView:
    """What is known of charging after a sample.

    stage: the controller's own word where it gives one, else what the readings show. detected: what the
    readings show, either way. contradicts: the detected stage where it has differed from the controller's
    word for some time, else None. night: off, and dark as far as is seen. not_charging_in_daylight: light on
    the array, a bank below its set points, and no current for some time. absorption_finished: True for the
    one sample of a charge at which the tail current has been held below its limit long enough.
    absorption_s: time in absorption during this charge; tail_s how long the current has been below the limit.
    """

    stage: Stage
    detected: Stage
    contradicts: Stage | None
    night: bool
    not_charging_in_daylight: bool
    absorption_finished: bool
    absorption_s: float
    tail_s: float


class StageTracker:
    """Follows one bank's charging. Unusable samples and times that go back change nothing."""

    def __init__(self, bank: BankDescription, saved: dict[str, Any] | None = None) -> None:
        """saved is an earlier `state()`; an unusable one starts from nothing."""
        self._bank = bank
        self._state = restored(saved)
        self._held = HeldVoltage(bank, self._state.held)
        self._noise_A = 0.6 * bank.meters.current_step_A
        self._sag_V = SAG_V_PER_CELL * bank.cells
        self._shown = StageShown(self._state, self._held, self._sag_V, self._noise_A)

    def state(self) -> dict[str, Any]:
        """All that must survive a restart; JSON can hold it."""
        return asdict(self._state)

    def update(self, sample: BankSample) -> StageView:
        """The view after one more sample."""
        state = self._state
        signs = signs_of(sample, self._bank)
        if signs is None or not self._advances(signs.time_ms):
            return self._view(None, finished_now=False)
        step_s = 0.0 if state.last_ms is None else (signs.time_ms - state.last_ms) / 1000
        state.last_ms = signs.time_ms
        if step_s > LONGEST_STEP_S:
            self._lose(step_s)
            step_s = 0.0
        before = state.stage
        current_A = signs.net_A if signs.charge_A is None else signs.charge_A
        self._held.follow(signs.voltage_V, current_A, signs.temperature_C, step_s)
        charging = self._charging(signs, step_s)
        self._sag(signs, charging, step_s)
        self._settle(self._shown.at(signs, charging, step_s), step_s)
        self._learn_end(before, charging)
        self._learn(signs, charging, step_s)
        self._count(signs, charging, step_s)
        finished_now = self._watch_tail(signs, step_s)
        return self._view(signs, finished_now)

    def move(self, from_ms: int, by_ms: int) -> None:
        """The clock that stamped all from from_ms on was off by by_ms."""
        if self._state.last_ms is not None and self._state.last_ms >= from_ms:
            self._state.last_ms += by_ms

    def _advances(self, time_ms: int) -> bool:
        """Whether the time is later than all before, or the clock has been set back for good."""
        state = self._state
        if state.last_ms is None or time_ms > state.last_ms:
            state.behind, state.behind_ms = 0, None
            return True
        later = state.behind_ms is not None and time_ms > state.behind_ms
        state.behind = state.behind + 1 if later else 1
        state.behind_ms = time_ms
        if state.behind < CLOCK_SET_BACK:
            return False
        state.behind, state.behind_ms, state.last_ms = 0, None, None
        self._lose(0.0)
        return True

    def _lose(self, step_s: float) -> None:
        """A time without samples: nothing that must last may be counted across it."""
        state = self._state
        state.sag_s = state.idle_s = state.cross_s = state.tail_s = state.pending_s = 0.0
        state.since_held_s = state.since_near_s = NIGHT_S
        state.held.flat_V, state.held.flat_s = None, 0.0
        if step_s >= NIGHT_S:
            self._new_charge()
            state.begun_unseen = True

    def _new_charge(self) -> None:
        state = self._state
        state.absorbed_s = state.tail_s = 0.0
        state.finished = state.reached = state.begun_unseen = False

    def _charging(self, signs: Signs, step_s: float) -> bool:
        """Whether current comes from the array's side."""
        state, meters = self._state, self._bank.meters
        if signs.dark:
            if signs.charge_A is not None:
                share = min(1.0, step_s / 600.0)
                worst_A = meters.current_offset_tolerance_A + meters.current_step_A
                seen_A = max(-worst_A, min(worst_A, signs.charge_A))
                state.zero_A += share * (seen_A - state.zero_A)
            return False
        if signs.charge_A is None:
            if signs.net_A is None:
                return bool(signs.lit) and signs.voltage_V > self._held.now.absorption_V - self._sag_V
            # a bank does not stand at its absorption voltage by itself
            held = signs.voltage_V >= self._held.now.absorption_V - self._held.band_V
            return self._sun(
                signs, held or signs.net_A > meters.current_offset_tolerance_A + self._noise_A, step_s
            )
        if signs.lit is None:
            return signs.charge_A > meters.current_offset_tolerance_A + self._noise_A
        return signs.charge_A > state.zero_A + max(self._noise_A, LEAST_A)

    def _sun(self, signs: Signs, charging: bool, step_s: float) -> bool:
        """Whether the array gives current, for which the hour may speak where no meter does."""
        if signs.lit is not None:
            return charging
        at = signs.time_ms // 1_800_000 % HALF_HOURS
        daylight = self._state.daylight
        daylight[at] = 1.0 if charging else daylight[at] * math.exp(-step_s / SUN_FORGOTTEN_S)
        return charging or daylight[at] > SUN_BELIEVED

    def _sag(self, signs: Signs, charging: bool, step_s: float) -> None:
        """How long the voltage has been too low for the stage, and how long ago it was held high."""
        state, now = self._state, self._held.now
        goal_V = now.float_V if state.stage is Stage.FLOAT else now.absorption_V
        sagging = charging and goal_V is not None and signs.voltage_V < goal_V - self._sag_V
        state.sag_s = state.sag_s + step_s if sagging else 0.0
        state.since_near_s = min(NIGHT_S, state.since_near_s + step_s)
        if charging and signs.voltage_V >= now.absorption_V - self._held.wide_V:
            state.reached = True
            if self._held.flat_for(FLAT_S):
                state.since_near_s = 0.0
        if charging and signs.voltage_V >= now.absorption_V - self._held.absorption_band_V:
            state.since_held_s = 0.0
        else:
            state.since_held_s = min(NIGHT_S, state.since_held_s + step_s)

    def _settle(self, candidate: Stage, step_s: float) -> None:
        """Believe a new stage once it has shown for long enough."""
        state = self._state
        if candidate is state.stage:
            state.pending, state.pending_s = candidate, 0.0
            return
        if candidate is not state.pending:
            state.pending, state.pending_s = candidate, 0.0
        state.pending_s += step_s
        if state.pending_s >= CONFIRM_S or state.last_ms is None or step_s == 0.0:
            state.stage, state.pending_s, state.sag_s = candidate, 0.0, 0.0

    def _learn_end(self, before: Stage, charging: bool) -> None:
        """Learn where absorption is held from the voltage that was flat before the controller ended it."""
        state = self._state
        if state.stage is Stage.ABSORPTION or (state.stage is Stage.BULK and self._held.fine):
            # an absorption held a little lower than expected, or ended soon, may have passed for bulk
            near = state.since_near_s if state.stage is Stage.BULK else state.since_held_s
            lasting_s = FLAT_S if state.stage is Stage.BULK else LONG_FLAT_S
            if charging and near == 0.0 and self._held.flat_for(lasting_s):
                state.lasting_V = state.held.flat_V
            return
        soon = before is Stage.ABSORPTION or state.since_near_s <= LONG_FLAT_S + COLLAPSE_S
        if soon and state.stage is Stage.FLOAT and state.lasting_V is not None:
            self._held.learn_absorption(state.lasting_V)
        state.lasting_V = None

    def _learn(self, signs: Signs, charging: bool, step_s: float) -> None:
        """Move the expected set points toward what is held."""
        state, held = self._state, self._held
        if not charging or step_s == 0.0:
            return
        current_A = signs.net_A if signs.charge_A is None else signs.charge_A
        held.settle_compensation(signs.voltage_V, current_A, signs.temperature_C, step_s)
        if not held.regulated(current_A):
            return
        if state.stage is Stage.FLOAT:
            held.learn_float(signs.voltage_V, step_s)

    def _count(self, signs: Signs, charging: bool, step_s: float) -> None:
        """Keep the times that the view and the next sample go by."""
        state = self._state
        if signs.told is None:
            state.shown, state.cross_s = state.stage, 0.0
        else:
            state.shown = signs.told
            state.cross_s = state.cross_s + step_s if signs.told is not state.stage else 0.0
        state.off_s = min(NIGHT_S, state.off_s + step_s) if state.shown is Stage.OFF else 0.0
        if state.off_s >= NIGHT_S:
            self._new_charge()
        state.unlit_idle_s = state.unlit_idle_s + step_s if signs.lit is None and not charging else 0.0
        idle = bool(signs.lit) and not charging and state.stage is Stage.OFF
        state.idle_s = state.idle_s + step_s if idle else 0.0

    def _watch_tail(self, signs: Signs, step_s: float) -> bool:
        """Whether this sample is the one at which absorption is finished by its tail current."""
        state, limit_A = self._state, self._bank.tail_current_A
        if state.shown not in (Stage.ABSORPTION, Stage.EQUALIZATION):
            state.tail_s = 0.0
            return False
        state.absorbed_s += step_s
        held = signs.voltage_V >= self._held.now.absorption_V - self._sag_V
        into_A = signs.charge_A if signs.net_A is None else signs.net_A
        if into_A is None or into_A > limit_A or not held:
            state.tail_s = 0.0
        elif into_A >= -self._noise_A:
            state.tail_s += step_s
        if state.finished or state.tail_s < TAIL_HELD_S:
            return False
        state.finished = True
        return True

    def _view(self, signs: Signs | None, finished_now: bool) -> StageView:
        state = self._state
        contradicts = None
        if signs is not None and signs.told is not None and state.cross_s >= CROSS_S:
            contradicts = state.stage
        off = state.shown is Stage.OFF
        night = off and (signs.dark if signs is not None and signs.lit is not None else state.off_s >= 1800.0)
        return StageView(
            stage=state.shown,
            detected=state.stage,
            contradicts=contradicts,
            night=night,
            not_charging_in_daylight=off and state.idle_s >= DAYLIGHT_S,
            absorption_finished=finished_now,
            absorption_s=state.absorbed_s,
            tail_s=state.tail_s,
        )
