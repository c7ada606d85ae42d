"""The voltage and currents on which charge, loads and bank agree at one moment."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from simulator.array import Array, Light
from simulator.bank import Bank
from simulator.controller import Controller
from simulator.wiring import Leads


@dataclass(frozen=True, slots=True)
class Demand:
    """What the loads ask for: through the controller's load output, and straight from the bank."""

    metered_W: float
    unseen_W: float

    @property
    def total_W(self) -> float:
        return self.metered_W + self.unseen_W


NOTHING = Demand(0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Balance:
    """What flows at one moment. held: the controller regulates at its set point; lit: the loads are fed."""

    bank_V: float
    charge_A: float
    metered_A: float
    unseen_A: float
    awake: bool
    held: bool
    lit: bool

    @property
    def bank_A(self) -> float:
        return self.charge_A - self.metered_A - self.unseen_A


def balance(
    bank: Bank | Leads,
    controller: Controller,
    array: Array | None,
    light: Light,
    demand: Demand,
    bank_C: float | None,
    lowest_V: float,
    longest_h: float,
) -> Balance:
    """Solve for the bank's voltage, held at the controller's set point where it would pass it.

    Loads take constant power. Where the bank cannot carry them above lowest_V for longest_h they go out.
    """
    rest_V = max(bank.voltage_V(0.0), 0.1)
    awake = controller.awake(rest_V, light)

    def offered_A(bank_V: float) -> float:
        return controller.offered_A(bank_V, array, light) if awake and array is not None else 0.0

    def beyond_V(bank_V: float, wanted: Demand) -> float:
        """How far the bank would stand above an assumed voltage; falls with it."""
        return bank.voltage_V(offered_A(bank_V) - wanted.total_W / bank_V) - bank_V

    def at(bank_V: float, charge_A: float, held: bool) -> Balance:
        wanted = demand if lit else NOTHING
        return Balance(
            bank_V, charge_A, wanted.metered_W / bank_V, wanted.unseen_W / bank_V, awake, held, lit
        )

    missing_A = demand.total_W / rest_V - offered_A(rest_V)
    lit = missing_A <= bank.largest_discharge_A(longest_h) and beyond_V(lowest_V, demand) >= 0
    wanted = demand if lit else NOTHING
    if awake:
        set_V = controller.set_point_V(bank_C)
        if bank.voltage_V(-wanted.total_W / set_V) >= set_V:
            # the bank still stands above the set point (just come down from absorption): charge nothing
            idle_V = root(
                lambda volts: bank.voltage_V(-wanted.total_W / volts) - volts, set_V, 2 * set_V, set_V
            )
            return at(idle_V, 0.0, held=True)
        if beyond_V(set_V, wanted) >= 0:
            loads_A = wanted.total_W / set_V
            into_A = root(
                lambda amps: set_V - bank.voltage_V(amps), -loads_A, offered_A(set_V) - loads_A + 1e-9, 0.0
            )
            return at(set_V, into_A + loads_A, held=True)
    # constant power has a second, unstable answer at a low voltage: stay above it
    low_V = lowest_V if lit else 0.05
    bank_V = root(lambda volts: beyond_V(volts, wanted), low_V, rest_V * 1.5 + 3.0, rest_V)
    return at(bank_V, offered_A(bank_V), held=False)


def floating(
    controller: Controller, array: Array | None, light: Light, demand: Demand, bank_C: float | None
) -> Balance:
    """What stands where no bank is connected: the controller holds its set point while the array carries the
    loads, else everything is dark (our choice; makers differ, and some are destroyed).
    """
    set_V = controller.set_point_V(bank_C)
    lit = array is not None and controller.awake(set_V, light)
    if array is None or not lit or controller.offered_A(set_V, array, light) * set_V < demand.total_W:
        return Balance(0.0, 0.0, 0.0, 0.0, awake=False, held=False, lit=False)
    metered_A, unseen_A = demand.metered_W / set_V, demand.unseen_W / set_V
    return Balance(set_V, metered_A + unseen_A, metered_A, unseen_A, awake=True, held=True, lit=True)


def root(f: Callable[[float], float], low: float, high: float, guess: float) -> float:
    """Where a falling function crosses zero between low and high: secant steps kept inside the bracket."""
    f_low, f_high = f(low), f(high)
    if f_low <= 0:
        return low
    if f_high >= 0:
        return high
    x = guess if low < guess < high else (low + high) / 2
    for _ in range(60):
        y = f(x)
        if abs(y) < 1e-7 or high - low < 1e-9:
            return x
        if y > 0:
            low, f_low, f_high = x, y, f_high / 2  # Illinois: halve the end that stays
        else:
            high, f_high, f_low = x, y, f_low / 2
        x = (low * f_high - high * f_low) / (f_high - f_low)
    return x
