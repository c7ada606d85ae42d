"""How a supply was wired up, and what a person's hands do to it: switches, covered panels, a held probe.

The scenario's [wiring] table makes a mistake; hands come from outside while the plant runs. Strings are
numbered from 1; those beyond what the scenario has (a link left off) are switched and covered to no effect.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import exp

from simulator.array import Array, ArraySettings
from simulator.bank import Bank

SHUNT_SEES = ("all", "charge", "loads")
PROBE_SPOTS = ("bank", "controller", "air")
HAND_C, HAND_SHARE, HAND_S = 33.0, 0.3, 20.0
"""A hand around a probe on a post brings it this share of the way to skin warmth, in this time constant (our
choice)."""


@dataclass(frozen=True, slots=True)
class WiringSettings:
    """The scenario's [wiring] table, right as it stands by default.

    A switch that is False is a path that stays open whatever anyone switches. bank_lead_ohm: there and back
    between controller and bank. shunt_sees: charge (the loads' return is wired past it), loads (the
    controller's is), all. probe_at: where the controller's probe of the bank's temperature really is.
    """

    array_switch: bool = True
    battery_switch: bool = True
    bank_lead_ohm: float = 0.0
    shunt_reversed: bool = False
    shunt_sees: str = "all"
    probe_at: str = "bank"


@dataclass(slots=True)
class Hands:
    """What has been done by hand: switches opened, strings switched off, panels covered, the probe held."""

    array_off: bool = False
    battery_off: bool = False
    strings_off: set[int] = field(default_factory=set)
    covered: set[int] = field(default_factory=set)
    on_probe: bool = False


class Leads:
    """A bank as the controller sees it through its leads, with as many strings as are switched on."""

    def __init__(self, bank: Bank, ohm: float) -> None:
        self._bank, self._ohm = bank, ohm

    def voltage_V(self, current_A: float) -> float:
        return self._bank.voltage_V(current_A) + self._ohm * current_A

    def largest_discharge_A(self, hours: float) -> float:
        return self._bank.largest_discharge_A(hours)


class Probe:
    """The warmth of a probe by itself: where it lies, and a hand that may be around the one on the bank."""

    def __init__(self) -> None:
        self._warmer_C = 0.0

    def after(self, seconds: float, bank_C: float, held: bool) -> None:
        goal = HAND_SHARE * (HAND_C - bank_C) if held else 0.0
        self._warmer_C = goal + (self._warmer_C - goal) * exp(-seconds / HAND_S)

    def reads_C(self, spot: str, bank_C: float, controller_C: float, air_C: float) -> float:
        return {"bank": bank_C + self._warmer_C, "controller": controller_C, "air": air_C}[spot]


def array_as_covered(settings: ArraySettings, covered: set[int], least_V: float, tied: bool) -> Array | None:
    """The array while one panel of each covered string lies in the dark; None where nothing is left.

    A covered panel is bridged by its bypass diode, so its string gives the voltage of one panel less. Of the
    steps that the whole curve then has, the controller works at the best one above least_V, and every string
    that reaches it gives its current there. Tied to the bank (PWM) it works where most current flows.
    """
    series, strings = settings.panels_in_series, settings.strings_in_parallel
    if not strings:
        return None
    short = len([number for number in covered if 1 <= number <= strings])
    steps = [(series, strings - short)] + ([(series - 1, strings)] if short else [])
    possible = [
        (count if tied else panels * count, panels, count)
        for panels, count in steps
        if panels * count and (panels == series or panels * settings.panel_vmp_V > least_V)
    ]
    if not possible:
        return None
    _, panels, count = max(possible)
    return Array(replace(settings, panels_in_series=panels, strings_in_parallel=count))


def through_shunt_A(settings: WiringSettings, charge_A: float, loads_A: float) -> float:
    """What the shunt shows while charge and loads flow; into the bank is positive if it is turned right."""
    seen_A = {"all": charge_A - loads_A, "charge": charge_A, "loads": -loads_A}[settings.shunt_sees]
    return -seen_A if settings.shunt_reversed else seen_A
