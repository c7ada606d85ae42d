"""What a device's display shows: some of the quantities, a moment late, rounded or cut, digits as text."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor
from random import Random

from simulator.maps.course import Moment
from simulator.maps.layout import QUANTITIES

UNIT_STEPS = {"energy_today_Wh": (1, 10), "state_of_charge_percent": (1,), "array_power_W": (1, 0.1)}
"""What is not shown with the display's own step but with one of these; one of 0.1 shows all in tenths."""


@dataclass(frozen=True, slots=True)
class Display:
    """steps by quantity; late shows what was true a moment before; unsigned hides the sign of currents."""

    steps: dict[str, float]
    net_fact: str
    late: bool
    cut: bool
    unsigned: bool

    def read(self, moment: Moment) -> dict[str, str]:
        """The digits of each quantity that it shows."""
        facts = moment.before if self.late else moment.now
        shown = {}
        for quantity, step in self.steps.items():
            value = facts[self.net_fact if quantity == "battery_current_A" else quantity]
            if self.unsigned and quantity.endswith("current_A"):
                value = abs(value)
            shown[quantity] = digits(value, step, self.cut)
        return shown


def digits(value: float, step: float, cut: bool) -> str:
    """A value as a display with that step writes it."""
    count = floor(abs(value) / step + (1e-9 if cut else 0.5))
    sign = "-" if value < 0 and count else ""
    decimals = {0.01: 2, 0.1: 1}.get(step, 0)
    return f"{sign}{count * step:.{decimals}f}"


def draw_display(seed: int, step: float | None, net_fact: str, share: float = 0.85) -> Display:
    """A display from chance; step is that of volts, amperes and degrees, None draws it from 1, 0.1 and 0.01.

    battery_voltage_V is always shown, each other quantity with that share.
    """
    rng = Random(f"{seed}/display")
    own = step if step is not None else rng.choice((1.0, 0.1, 0.1, 0.1, 0.01))
    steps = {}
    for quantity in QUANTITIES:
        if quantity == QUANTITIES[0] or rng.random() < share:
            steps[quantity] = rng.choice(UNIT_STEPS.get(quantity, (own,)))
    return Display(steps, net_fact, rng.random() < 0.5, rng.random() < 0.4, rng.random() < 0.2)
