"""The voltage a controller holds: is it held now, and how far its set points are from the configured ones.

A controller's own meter, a wire's drop, a probe that is not there or a compensation that is not made put the
voltage that is really held beside the configured set point. What is held long is learnt and expected again.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.bank.description import BankDescription
from monitor.bank.setpoints import REFERENCE_C, SetPoints

FLAT_V_PER_CELL = 0.0025
"""A held voltage wanders no more than this beside the meter's step: 15 mV on 12 V (our choice)."""

FLAT_FOLLOWS_S = 600.0
"""A held voltage follows the bank's slow temperature; what changes faster is not held (our choice)."""

LEARN_AFTER_S = 900.0
"""A voltage flat for so long may be held (our choice)."""

FALLEN = 0.7
"""It is held if the current has meanwhile fallen to this share: a bank that takes what the array gives would
have let its voltage fall, too (our choice)."""

FALLEN_SOME = 0.85
"""It may be held, if it stands about where a set point is expected, once the current has fallen so far (our
choice)."""

SETTLED_S = 7200.0
"""So long a voltage must be held where only an uncompensated controller holds it (our choice)."""

LEARN_S = 3600.0
"""Time constant with which the float voltage's distance from its set point is learnt (our choice)."""

LEARN_SHARE, SEEN_ENOUGH = 0.3, 2
"""What one more end of an absorption counts, and how many make its voltage known (our choice)."""

UNKNOWN_C = 15.0
"""How far a bank whose temperature is not measured may be from 25 °C (our choice)."""

DROP_S, DROP_FLAT_S = 3600.0, 600.0
"""A controller lets the voltage come down to float within an hour and holds it (our choice)."""

OVER_V_PER_CELL = 0.002
"""So far above what absorption may be held at, the bank is equalized (our choice)."""

FLAT_ENOUGH_S = 300.0
"""Flat so long, a voltage may be absorption some way below the set point (our choice)."""

FARTHEST_V_PER_CELL = 0.05
"""What meters, wires and a mistyped set point explain: 0.3 V on 12 V (our choice); more is another stage."""

WIRE_V_PER_CELL = 0.004
"""Wire and probe, before anything is learnt (our choice)."""

LEARNT_V_PER_CELL = 0.003
"""What is left of it afterwards (our choice)."""


@dataclass(slots=True)
class Held:
    """What survives a restart: the flat voltage, and for absorption and float how far they are held away.

    share is how much of the configured compensation the controller really makes: 1 until something held
    shows that it makes none.
    """

    flat_V: float | None = None
    flat_s: float = 0.0
    flat_A: float = 0.0  # the highest current since the voltage is flat
    last_A: float = 0.0
    uncompensated_s: float = 0.0  # how long what was held fitted only a controller without compensation
    since_plain_s: float = 2 * DROP_S  # since it was held at the uncompensated absorption voltage
    absorption_off_V: float = 0.0
    absorption_seen: int = 0
    float_off_V: float = 0.0
    share: float = 1.0


class HeldVoltage:
    """Follows the voltage and tells what is held. Voltages are of the whole bank."""

    def __init__(self, bank: BankDescription, held: Held) -> None:
        self.held = held
        self._points = bank.set_points
        self._cells = bank.cells
        step_V = bank.meters.voltage_step_V
        self._flat_V = step_V + FLAT_V_PER_CELL * bank.cells
        self.wide_V = (
            0.6 * step_V
            + bank.meters.voltage_gain_tolerance * bank.set_points.absorption_V
            + WIRE_V_PER_CELL * bank.cells
        )
        self.band_V = 0.6 * step_V + LEARNT_V_PER_CELL * bank.cells
        self._unknown_V = 0.0
        self.now = bank.set_points

    def follow(
        self, voltage_V: float, current_A: float | None, temperature_C: float | None, step_s: float
    ) -> None:
        """Take the next voltage; `now` are then the set points to expect."""
        held = self.held
        if held.flat_V is None or abs(voltage_V - held.flat_V) > self._flat_V:
            held.flat_V, held.flat_s, held.flat_A = voltage_V, 0.0, current_A or 0.0
        else:
            held.flat_s += step_s
            held.flat_A = max(held.flat_A, current_A or 0.0)
            held.flat_V += (voltage_V - held.flat_V) * min(1.0, step_s / FLAT_FOLLOWS_S)
        held.last_A = current_A or 0.0
        points = self._points
        shift_V = 0.0
        self._unknown_V = 0.0
        if temperature_C is None:
            self._unknown_V = UNKNOWN_C * abs(points.compensation_V_per_C)
        else:
            shift_V = held.share * points.compensation_V_per_C * (temperature_C - REFERENCE_C)
        self.now = SetPoints(
            points.absorption_V + shift_V + held.absorption_off_V,
            None if points.float_V is None else points.float_V + shift_V + held.float_off_V,
            None
            if points.equalization_V is None
            else points.equalization_V + shift_V + held.absorption_off_V,
            points.compensation_V_per_C,
        )

    @property
    def float_band_V(self) -> float:
        """How far beside its set point float may be held."""
        return self.wide_V + self._unknown_V

    def near_absorption(self, voltage_V: float, current_A: float | None) -> bool:
        """Whether, the temperature being unknown, a voltage is held that may be absorption."""
        if not self._unknown_V or not self.regulated(current_A):
            return False
        return voltage_V >= self.now.absorption_V - self.wide_V - self._unknown_V

    def flat_for(self, seconds: float) -> bool:
        """Whether the voltage has been flat for so long."""
        return self.held.flat_s >= seconds

    @property
    def absorption_band_V(self) -> float:
        """How far below its set point absorption is held: less once that was seen."""
        held = self.held
        fallen = self.flat_for(FLAT_ENOUGH_S) and held.last_A < FALLEN_SOME * held.flat_A
        return self.wide_V if fallen and not self.learnt else self.band_V

    @property
    def fine(self) -> bool:
        """Whether a flat reading of the voltage means that the voltage is flat."""
        return self._flat_V <= 2 * FLAT_V_PER_CELL * self._cells

    @property
    def learnt(self) -> bool:
        """Whether the end of enough absorptions was seen."""
        return self.held.absorption_seen >= SEEN_ENOUGH

    @property
    def highest_absorption_V(self) -> float:
        """Above this the bank is equalized. What was learnt lowers it by what meters explain at most."""
        lowered_V = min(0.0, self.held.absorption_off_V + self.wide_V)
        band_V = self.band_V if self.learnt else self.wide_V
        return self.now.absorption_V - lowered_V + band_V + OVER_V_PER_CELL * self._cells

    def learn_absorption(self, flat_V: float) -> None:
        """The controller ended absorption at this flat voltage."""
        held = self.held
        held.absorption_seen += 1
        share = max(LEARN_SHARE, 1 / held.absorption_seen)
        held.absorption_off_V = self._bounded(
            held.absorption_off_V + share * (flat_V - self.now.absorption_V)
        )

    def learn_float(self, voltage_V: float, step_s: float) -> None:
        """The voltage is held in float."""
        if self.now.float_V is None or abs(voltage_V - self.now.float_V) > self.wide_V:
            return
        share = min(1.0, step_s / LEARN_S)
        self.held.float_off_V = self._bounded(self.held.float_off_V + share * (voltage_V - self.now.float_V))

    def regulated(self, current_A: float | None) -> bool:
        """Whether a controller holds the voltage: flat for long, while the current fell."""
        return (
            current_A is not None and self.flat_for(LEARN_AFTER_S) and current_A < FALLEN * self.held.flat_A
        )

    def settle_compensation(
        self, voltage_V: float, current_A: float | None, temperature_C: float | None, step_s: float
    ) -> None:
        """Notice from what is held whether the controller makes the configured compensation or none."""
        held, points = self.held, self._points
        if temperature_C is None:
            return
        moved_V = points.compensation_V_per_C * (temperature_C - REFERENCE_C)
        if abs(moved_V) < (3.0 if held.share else 1.5) * self.wide_V:
            return
        self._watch_drop(voltage_V, moved_V, step_s)
        plain_V = points.absorption_V
        from_moved_V = abs(voltage_V - plain_V - moved_V)
        equalizing_V = points.equalization_V
        equalizing = equalizing_V is not None and abs(voltage_V - equalizing_V) < from_moved_V
        at_moved = from_moved_V <= self.wide_V and not equalizing
        if moved_V > 0 and voltage_V > plain_V + 2 * self.wide_V:
            held.uncompensated_s = 0.0  # without compensation it comes here only to equalize
        elif self.regulated(current_A) and abs(voltage_V - plain_V) <= self.wide_V:
            held.uncompensated_s += step_s
        if at_moved and self.flat_for(LEARN_AFTER_S):
            self._settle(1.0)
        elif held.uncompensated_s >= SETTLED_S:
            self._settle(0.0)

    def _watch_drop(self, voltage_V: float, moved_V: float, step_s: float) -> None:
        """From one uncompensated set point down to the next and held there: half of a proof."""
        held, points = self.held, self._points
        if abs(voltage_V - points.absorption_V) <= self.wide_V and self.flat_for(FLAT_ENOUGH_S):
            held.since_plain_s = 0.0
            return
        if held.since_plain_s > DROP_S or points.float_V is None:
            return
        held.since_plain_s += step_s
        off_V = voltage_V - points.float_V
        at_plain_float = abs(off_V) <= self.wide_V and abs(off_V - moved_V) > self.wide_V
        if at_plain_float and self.flat_for(DROP_FLAT_S):
            held.uncompensated_s += SETTLED_S / 2
            held.since_plain_s = 2 * DROP_S

    def _settle(self, share: float) -> None:
        held = self.held
        if share == 1.0:
            held.uncompensated_s = 0.0
        if share != held.share:
            held.share = share
            held.absorption_off_V = held.float_off_V = 0.0
            held.absorption_seen = 0

    def _bounded(self, off_V: float) -> float:
        most_V = FARTHEST_V_PER_CELL * self._cells
        return max(-most_V, min(most_V, off_V))
