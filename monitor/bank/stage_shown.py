"""Which stage one sample shows, given what came before it. Pure.

Whether current comes from the array's side is known; which set point the voltage is held at says `held.py`.
"""

from __future__ import annotations

from monitor.bank.held import HeldVoltage
from monitor.bank.signs import Signs
from monitor.bank.stage_state import StageState
from monitor.quantities import Stage

SAG_V_PER_CELL, SAG_S = 0.05, 660.0
"""So far and so long below its set point a stage has been left for bulk (our choice; makers differ)."""

FLAT_S = 120.0
"""Flat so long at the float voltage right after absorption, the bank is in float (our choice)."""

LONG_FLAT_S = 600.0
"""As long where it was not seen to come down from absorption (our choice)."""

COLLAPSE_S = 150.0
"""A current that ends so soon after the voltage was held was switched to float; clouds and dusk let the
voltage sag first (our choice)."""

IDLE_FLOAT_S = 2 * 3600.0
"""Without an array voltage to tell light, float without current is believed so long (our choice)."""


class StageShown:
    """Answers for one bank from the state that its tracker keeps."""

    def __init__(self, state: StageState, held: HeldVoltage, sag_V: float, noise_A: float) -> None:
        """So far below its set point a stage has been left (sag_V); less no meter of the bank tells
        (noise_A)."""
        self._state, self._held = state, held
        self._sag_V, self._noise_A = sag_V, noise_A

    def at(self, signs: Signs, charging: bool, step_s: float) -> Stage:
        """The stage that this sample shows."""
        return self._while_charging(signs) if charging else self._while_idle(signs, step_s)

    def _while_idle(self, signs: Signs, step_s: float) -> Stage:
        state, held, now = self._state, self._held, self._held.now
        if signs.dark or now.float_V is None:
            return Stage.OFF
        high = signs.voltage_V >= now.float_V - held.float_band_V
        if state.stage in (Stage.ABSORPTION, Stage.EQUALIZATION):
            if signs.charge_A is None and signs.voltage_V >= now.absorption_V - self._sag_V:
                return state.stage  # the loads take more than the array gives
            return Stage.FLOAT if state.since_held_s - step_s <= COLLAPSE_S else Stage.OFF
        if state.stage is Stage.FLOAT:
            return Stage.FLOAT if high and state.unlit_idle_s < IDLE_FLOAT_S else Stage.OFF
        if state.stage is Stage.BULK and state.since_near_s - step_s > COLLAPSE_S:
            return Stage.OFF
        return Stage.FLOAT if signs.lit and high and state.reached else Stage.OFF

    def _while_charging(self, signs: Signs) -> Stage:
        state, held, now = self._state, self._held, self._held.now
        before, voltage_V = state.stage, signs.voltage_V
        band_V = held.absorption_band_V
        above_V = voltage_V - now.absorption_V
        if now.equalization_V is not None and voltage_V > held.highest_absorption_V:
            return Stage.EQUALIZATION
        if above_V >= -band_V and not (signs.tied and before in (Stage.OFF, Stage.BULK)):
            if before is Stage.EQUALIZATION and not held.flat_for(LONG_FLAT_S):
                return before
            return Stage.ABSORPTION
        at_float = now.float_V is not None and abs(voltage_V - now.float_V) <= held.float_band_V
        if before in (Stage.ABSORPTION, Stage.EQUALIZATION):
            if at_float and held.flat_for(FLAT_S):
                return Stage.FLOAT
            if self._left_high(signs):
                return Stage.FLOAT
            return before if state.sag_s < SAG_S else Stage.BULK
        if before is Stage.FLOAT and now.float_V is not None:
            return before if state.sag_s < SAG_S else Stage.BULK
        if held.near_absorption(voltage_V, signs.charge_A if signs.charge_A is not None else signs.net_A):
            return Stage.ABSORPTION
        follows = state.reached or state.begun_unseen
        return Stage.FLOAT if at_float and follows and held.flat_for(LONG_FLAT_S) else Stage.BULK

    def _left_high(self, signs: Signs) -> bool:
        """Whether the loads live from a bank that only slowly comes down to float; seen by a shunt alone."""
        if signs.charge_A is not None or signs.net_A is None or self._held.now.float_V is None:
            return False
        lasting = self._state.since_held_s >= LONG_FLAT_S
        return lasting and signs.net_A < -self._noise_A and signs.voltage_V > self._held.now.float_V
