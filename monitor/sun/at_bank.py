"""What a clear sky passes on at the voltage that the bank really had. Pure.

A PWM controller is a switch: the array gives about the same current into any bank and its power goes with the
bank's voltage. The tables of a clear sky are made beforehand, for a bank that is halfway charged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from monitor.sun.day import Clear, Step
from monitor.sun.expected import Supply

FARTHEST = 0.2
"""A bank's voltage is no further from the supposed one while it charges; what is, is a fault of the reading
(our choice: 10.6 to 16 V for 13.3)."""


def at_bank(clear: Sequence[Clear], steps: Sequence[Step], supply: Supply) -> tuple[Clear, ...]:
    """The clear steps with passed_W at the bank voltage that was read; unchanged behind a converter."""
    if supply.controller != "pwm":
        return tuple(clear)
    return tuple(_at(each, step, supply.charging_V) for each, step in zip(clear, steps, strict=True))


def _at(clear: Clear, step: Step, supposed_V: float) -> Clear:
    if step.battery_voltage_V is None or clear.passed_W <= 0:
        return clear
    share = min(1 + FARTHEST, max(1 - FARTHEST, step.battery_voltage_V / supposed_V))
    return replace(clear, passed_W=clear.passed_W * share)
