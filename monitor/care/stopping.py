"""When to stop a capacity test: half of the bank's charge taken, or its voltage down at a safe one. Pure.

The voltage under load tells nothing by itself: it falls with the current and with the cold. So the safe one
is what Copetti's model gives for a lead-acid cell that still holds LEFT_AT_STOP at the present current and
temperature. A sound bank has given its half long before; a weak one is stopped by it.
"""

from __future__ import annotations

from monitor.care.capacity import END_CELL_V
from monitor.site.chemistry import capacity_at_20_h
from monitor.site.model import Chemistry

TAKE = 0.5
"""The share of the capacity that a gentle test takes (maker's manual [RLS], read: no more than half as a
habit; for less than 0.3 the rest voltage tells no capacity, `capacity.SHALLOWEST`)."""

LEFT_AT_STOP = 0.3
"""The charge that is left at the safe voltage (our choice: between the half that a sound bank still has and
the 20 % below which a maker's guide [TRJ], read, never goes)."""

USUAL_C = 20.0
"""The temperature taken where none is measured (our choice: a room)."""


def copetti_cell_V(charge: float, rate_C10: float, current_A: float, temperature_C: float) -> float:
    """Voltage of a lead-acid cell under load, by its charge (above 0, to 1).

    rate_C10 is the current over the 10-hour capacity. Source: Copetti, Lorenzo, Chenlo 1993, Prog.
    Photovolt. 1(4), 283-292, discharge (secondary source: two independent codes agree).
    """
    rest_V = 2.085 - 0.12 * (1 - charge)
    drop_V = 4 / (1 + current_A**1.3) + 0.27 / charge**1.5 + 0.02
    return float(rest_V - rate_C10 * drop_V * (1 - 0.007 * (temperature_C - 25)))


def safe_cell_V(
    chemistry: Chemistry, capacity_Ah: float, current_A: float, temperature_C: float | None
) -> float:
    """The voltage of a cell at which a test of a lead-acid bank ends, at this current; never below the rated
    end. capacity_Ah is at the 20-hour rate; temperature_C None takes USUAL_C."""
    at_10_h = capacity_at_20_h(chemistry, 1.0, 10.0) or 1.0
    rate_C10 = current_A * at_10_h / capacity_Ah
    warmth_C = USUAL_C if temperature_C is None else temperature_C
    return max(END_CELL_V, copetti_cell_V(LEFT_AT_STOP, rate_C10, max(0.0, current_A), warmth_C))
