"""Where the full bank holds the array back, step by step. Pure.

A bank in absorption, float or equalization takes what it needs and no more. That shows in its voltage, which
is held, and in the array's, which rises from its best point toward open circuit. Under a dark sky a bank in
absorption may take all there is: its voltage then sags, and the array stands at its best point.
"""

from __future__ import annotations

from collections.abc import Sequence

from monitor.quantities import Stage
from monitor.sun.day import Clear, Day, Step
from monitor.sun.expected import Supply

REGULATED = (Stage.ABSORPTION, Stage.FLOAT, Stage.EQUALIZATION)

SAG = 0.006
"""A bank that stands lower than it is held at by this share (0.07 V of 12 V) takes all there is: more than
the coarse meters' half step of 0.05 V (our choice)."""

AROUND_S = 5400
"""What it is held at is seen from so long before and after; its temperature changes little (our choice)."""

RISEN, RISEN_FAR = 0.12, 0.25
"""The array's height above its best point that agrees with being held back, and that shows it whatever the
bank's voltage: at less a one-diode curve still gives 97 and 92 percent (our choice)."""

GIVES = 0.05
"""Taking less than this of a clear sky's power says nothing of a best point (our choice)."""

FLOATING, CHARGED, ABSORBING = 0.91, 0.95, 0.97
"""A bank above the first share of its absorption voltage may be in float though no stage tells, one above the
second be regulated, one above the third be in absorption: 13.1, 13.7 and 14.0 of 14.4 V (our choice)."""

RISEN_HALF = 0.5
"""An array so high is held back though the voltage of a bank in absorption moves with loads, and though that
of the bank is one of float only (our choice)."""

FLAT, FLAT_S = 0.003, 1200
"""Without an array voltage: a bank in absorption that for so long before and after comes back to its highest
voltage within so much of it, for half of the time, is regulated, since one that takes all moves by more (our
choice: 0.04 of 14.4 V, 40 minutes),"""

THROTTLED = 0.9
"""and takes less than this of a clear sky's power (our choice)."""

AFTER_S = 7200
"""So long before or after regulation a bank that takes nothing at a charged voltage may be held back, too:
controllers without a float stage switch off (our choice)."""

IDLE = 0.02
"""Less than this of the rated power is nothing taken (our choice)."""


def held_back(day: Day, supply: Supply, heights: Sequence[float | None]) -> tuple[bool, ...]:
    """Whether the full bank held the array back, step by step."""
    around = max(1, AROUND_S // day.step_s)
    after = max(1, AFTER_S // day.step_s)
    beside = max(1, FLAT_S // day.step_s)
    held = []
    for at, step in enumerate(day.steps):
        near = day.steps[max(0, at - around) : at + around + 1]
        if day.clear[at].passed_W <= 0 or step.battery_voltage_V is None:
            held.append(False)
        elif step.stage in REGULATED:
            height = heights[at] if _gives(step, day.clear[at]) else None
            held.append(_regulates(step, step.battery_voltage_V, near, height))
        elif step.stage is Stage.OFF:
            before = any(each.stage in REGULATED for each in day.steps[max(0, at - after) : at])
            held.append(before and _stands_open(step, supply, heights[at]))
        elif heights[at] is None:
            next_to = day.steps[max(0, at - beside) : at + beside + 1]
            held.append(_stands_flat(step, day.clear[at], next_to, supply))
        else:
            held.append(_shows_held(step.battery_voltage_V, near, supply, heights[at] or 0.0))
    return tuple(held)


def _gives(step: Step, clear: Clear) -> bool:
    """Whether enough is taken for a low array voltage to speak of a best point: at dawn an open array, too,
    stands low."""
    return step.power_W is not None and step.power_W > GIVES * clear.passed_W


def _regulates(step: Step, voltage_V: float, near: Sequence[Step], height: float | None) -> bool:
    if height is not None and height > RISEN_FAR:
        return True
    if height is not None and height < RISEN:
        return False
    same = [each for each in near if each.stage is step.stage]
    # a bank comes down to float slowly from above
    return voltage_V >= (1 - SAG) * _usual_V(same, 0.5 if step.stage is Stage.FLOAT else 0.8)


def _usual_V(steps: Sequence[Step], share: float) -> float:
    """The bank voltage that so large a share of the steps does not exceed."""
    volts = sorted(each.battery_voltage_V for each in steps if each.battery_voltage_V is not None)
    return volts[int(share * (len(volts) - 1))]


def _shows_held(voltage_V: float, near: Sequence[Step], supply: Supply, height: float) -> bool:
    """Whether the array shows that it is held back though no stage tells: it stands high while the bank
    stands flat and high, as under heat or at the controller's rating it would not."""
    if height < RISEN_FAR or supply.absorption_V is None:
        return False
    half = height > RISEN_HALF
    if half and voltage_V >= ABSORBING * supply.absorption_V:
        return True
    flat = (1 - SAG) * _usual_V(near, 0.8) <= voltage_V <= (1 + SAG) * _usual_V(near, 0.8)
    return flat and voltage_V >= (FLOATING if half else CHARGED) * supply.absorption_V


def _stands_flat(step: Step, clear: Clear, next_to: Sequence[Step], supply: Supply) -> bool:
    """Whether the bank's voltage alone shows regulation though no stage tells."""
    volts = [each.battery_voltage_V for each in next_to if each.battery_voltage_V is not None]
    if supply.absorption_V is None or step.power_W is None or step.power_W >= THROTTLED * clear.passed_W:
        return False
    high_V = (1 - FLAT) * max(volts)
    often = 2 * sum(volt >= high_V for volt in volts) >= len(next_to)
    return often and (step.battery_voltage_V or 0.0) >= max(high_V, ABSORBING * supply.absorption_V)


def _stands_open(step: Step, supply: Supply, height: float | None) -> bool:
    """Whether nothing is taken from a lit array by a bank that still stands above its nominal voltage."""
    idle = step.power_W is None or step.power_W < IDLE * supply.power_W
    lit = height is None or height > RISEN_FAR
    charged = step.battery_voltage_V is not None and step.battery_voltage_V > 1.04 * supply.bank_V
    return idle and lit and charged
