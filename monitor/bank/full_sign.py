"""What a voltage that is held high by a small current says of the charge. Pure.

Units as in `priors.py`. May import cell.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from monitor.bank.cell import Floats

Held = Literal["absorption", "float"] | None
"""Whether a controller holds the voltage, and in which stage (equalization counts as absorption)."""

FULL_LITHIUM_V = 3.40
"""A LiFePO4 cell held above it by little current, and any lead-acid bank that its controller holds at
absorption or float by little current, is nearly full."""

LEAST_INTO = -0.003
"""A current no farther below zero than a meter's offset (our choice)."""

FULL_MOST_CURRENT = {False: 0.03, True: 0.06}
FULL_PER_CURRENT, FULL_SD = 2.5, 0.05
FULL_BEFORE: dict[str, float] = {"absorption": 0.06, "float": 0.0}
"""...but how nearly is a constant of the bank (`priors.py: full_at`), so that the same sign day after day
tells nothing new. Less by so much for each unit of current and before float, and only against lower charges
(our choice: in bank models absorption ends at 0.69 to 1.00, float at 0.79 to 0.99)."""

WASTE_MOST, WASTE_GAS, WASTE_SD = 0.002, 2.0, 0.002
"""A bank held at float lets so much of a current go to waste, and so many times what it gasses: twice the
milliampere an ampere-hour that the ventilation rule of IEC 62485-2 takes for a float current (from memory).
What is beyond it speaks against such a bank by this deviation (our choice)."""

WASTE_LITHIUM_V = 3.33
"""A LiFePO4 cell held above it wastes as little: the plateau's upper end (our choice)."""


def full_sign(
    cell_V: float, current: float, soc: Floats, full_at: Floats, held: Held, *, lithium: bool
) -> Floats | float:
    """Log likelihood for an hour of each supposed bank's charge; 0 where the voltage says nothing."""
    if not LEAST_INTO < current < FULL_MOST_CURRENT[lithium]:
        return 0.0
    if lithium:
        if cell_V <= FULL_LITHIUM_V:
            return 0.0
        at_least = full_at
    else:
        if held is None:
            return 0.0
        at_least = full_at - FULL_BEFORE[held] - FULL_PER_CURRENT * max(current, 0.0)
    return np.asarray(-0.5 * np.clip((at_least - soc) / FULL_SD, 0.0, 3.0) ** 2)


def wasted_sign(cell_V: float, lost: Floats, gas: Floats, held: Held, *, lithium: bool) -> Floats | float:
    """Log likelihood for an hour of each supposed bank, by what of its current it neither stores nor gasses.

    Held at float, a full bank takes next to nothing. What a controller gives beyond that flows somewhere
    else: to a load that no meter sees, or into a bank that is not full. gas is what each gasses; 0 where the
    voltage says nothing.
    """
    if (cell_V <= WASTE_LITHIUM_V) if lithium else (held != "float"):
        return 0.0
    most = WASTE_MOST + WASTE_GAS * gas
    return np.asarray(-0.5 * np.clip((lost - most) / WASTE_SD, 0.0, 3.0) ** 2)
