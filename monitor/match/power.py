"""Whether a power is the array's or what reaches the bank, by the registers themselves: watts are volts times
amperes.
"""

from __future__ import annotations

from collections.abc import Mapping

from monitor.match.alike import COMMON_LOSS, THROUGH
from monitor.match.candidates import Candidate

CLEAR = 2.0
"""The loss must be so many times what the registers' steps leave unsure, at two snapshots (our choice)."""

SNAPSHOTS = 2

NEEDED = ("array_power_W", "array_voltage_V", "array_current_A", "battery_voltage_V")


def before_converter(best: Mapping[str, Candidate]) -> bool:
    """Whether the power is the array's volts times its amperes in every snapshot, while the bank's power
    would be less by more than the steps hide: by what a converter keeps, or by the drop of a controller
    without one.

    Found places of current and voltage that are wrong would not give the power, so they need not be certain.
    """
    if any(quantity not in best for quantity in NEEDED):
        return False
    watts, volts, amperes, bank = (best[quantity] for quantity in NEEDED)
    steps = [one.column.step * abs(one.form.scale) for one in (watts, volts, amperes)]
    clear = 0
    for W, U, A, B in zip(watts.values(), volts.values(), amperes.values(), bank.values(), strict=True):
        if W is None or U is None or A is None or B is None:
            continue
        unsure = steps[0] + steps[1] * abs(A) + steps[2] * abs(U)
        if abs(W - U * A) > unsure:
            return False
        loss = COMMON_LOSS if U >= THROUGH * B else 1 - B / U if U > 0 else 0.0
        clear += loss * W >= CLEAR * unsure
    return clear >= SNAPSHOTS
