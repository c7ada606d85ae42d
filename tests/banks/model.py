"""What every bank of this package answers, and the few tools that they share."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from math import exp
from typing import Protocol

MONTH_H = 730.0


class BankModel(Protocol):
    """A bank; currents in A, into the bank positive."""

    temperature_C: float

    @property
    def cells(self) -> int:
        """Cells in series."""

    @property
    def capacity_Ah(self) -> float:
        """Present true capacity: 20-hour rate, at this temperature and age."""

    @property
    def state_of_charge(self) -> float:
        """Share of the present true capacity, 0..1."""

    def voltage_V(self, current_A: float) -> float:
        """Terminal voltage if this current flowed now; never falls as the current rises."""

    def step(self, current_A: float, hours: float, air_C: float) -> None:
        """Let the current flow for so long in air of that temperature."""


def between(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    """Straight lines between the points, held beyond the ends."""
    place = bisect_right(xs, x)
    if place == 0:
        return ys[0]
    if place == len(xs):
        return ys[-1]
    share = (x - xs[place - 1]) / (xs[place] - xs[place - 1])
    return ys[place - 1] + share * (ys[place] - ys[place - 1])


def root(f: Callable[[float], float], low: float, high: float, within: float) -> float:
    """Where a rising f crosses zero between low and high, an end if it does not (Illinois method)."""
    f_low, f_high = f(low), f(high)
    if f_low >= 0:
        return low
    if f_high <= 0:
        return high
    side = 0
    for tries in range(120):
        # a halving now and then, because an exponential holds regula falsi at one end
        x = (low * f_high - high * f_low) / (f_high - f_low) if tries % 3 else (low + high) / 2
        f_x = f(x)
        if abs(f_x) < within or high - low < 1e-9:
            return x
        if f_x < 0:
            low, f_low = x, f_x
            if side < 0:
                f_high /= 2
            side = -1
        else:
            high, f_high = x, f_x
            if side > 0:
                f_low /= 2
            side = 1
    return (low + high) / 2


def split(total_A: float, main_V: Callable[[float], float], gas_A: Callable[[float], float]) -> float:
    """Share of a total current that goes through the main reaction, beside a gassing branch.

    main_V gives a cell's voltage by the main current, gas_A the gassing current by that voltage.
    """
    least_A = total_A - gas_A(main_V(total_A))
    scale_A = abs(total_A) + 1e-3
    if total_A - least_A < 1e-5 * scale_A:
        return least_A
    return root(lambda amps: amps + gas_A(main_V(amps)) - total_A, least_A, total_A, 1e-6 * scale_A)


def settled(value: float, goal: float, hours: float, constant_h: float) -> float:
    """A first-order lag after a time at a constant goal."""
    return goal + (value - goal) * exp(-hours / constant_h)


def self_discharge_Ah(capacity_Ah: float, share_a_month: float, temperature_C: float, hours: float) -> float:
    """Charge lost by itself. The rate doubles for 10 °C (from memory)."""
    return capacity_Ah * share_a_month / MONTH_H * hours * 2 ** ((temperature_C - 25) / 10)
