"""A few hundred supposed banks run on under the loads and suns ahead: charge and voltage by slot. Pure.

The controller passes on what the array offers until the bank stands at its set point, absorption first and
float after the absorption time; at its disconnect voltage it cuts the loads it feeds and connects them again
at its reconnect voltage.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.bank.ahead import Ahead, Flags
from monitor.bank.cell import Floats
from monitor.bank.setpoints import SetPoints
from monitor.outlook.past import Singles

COARSE = 3
"""Behind the night a step is three slots wide: 15 minutes (our choice: twice as fast)."""


@dataclass(frozen=True, slots=True)
class Plant:
    """What moves the banks: the bank's size, the controller's set points, what may cut the loads.

    set_points is None where no controller limits the charge; disconnect_V is None where none cuts the loads;
    cut says that they are cut now, and always_A is then all that is drawn.
    """

    capacity_Ah: float
    cells: int
    set_points: SetPoints | None
    absorption_h: float
    disconnect_V: float | None
    reconnect_V: float | None
    always_A: float
    cut: bool = False


@dataclass(frozen=True, slots=True)
class Hours:
    """What comes, by slot of five minutes from now on.

    load_A has a column a bank. The array offers clear_W under a clear sky, of which each bank gets its share
    of the day that the slot belongs to (shares: a row a day). fine counts the slots that are gone through one
    by one.
    """

    load_A: Singles
    clear_W: Floats
    day: NDArray[np.intp]
    shares: Floats
    temperature_C: Floats
    fine: int

    def until(self, slots: int, load_A: Singles) -> Hours:
        """The same for so many slots only, under other loads."""
        return replace(
            self,
            load_A=load_A,
            clear_W=self.clear_W[:slots],
            day=self.day[:slots],
            temperature_C=self.temperature_C[:slots],
        )


@dataclass(frozen=True, slots=True)
class Course:
    """What became of the banks: at the end of each step charge (0..1), the step's mean voltage of the whole
    bank, and the charge drawn since the beginning [Ah]; a row a step, a column a bank. ends are the steps'
    ends in slots from now."""

    ends: tuple[int, ...]
    soc: Singles
    voltage_V: Singles
    used_Ah: Singles
    capacity_Ah: Floats


def run(banks: Ahead, plant: Plant, hours: Hours) -> Course:
    """Let the banks run through all slots."""
    slots, count = hours.load_A.shape
    ends = _ends(slots, hours.fine)
    soc, voltage, used = (np.empty((len(ends), count), dtype=np.float32) for _ in range(3))
    drawn_Ah = np.zeros(count)
    bank_V = banks.cell_V() * plant.cells
    cut = np.full(count, plant.cut)
    absorbed_h = np.zeros(count)
    begin = 0
    for number, end in enumerate(ends):
        width_h = (end - begin) / 12
        load_A = hours.load_A[begin:end].mean(axis=0).astype(np.float64)
        if cut.any():
            load_A = np.where(cut, np.minimum(load_A, plant.always_A), load_A)
        clear_W = float(hours.clear_W[begin:end].mean())
        temperature_C = float(hours.temperature_C[begin:end].mean())
        drawn = banks.drawn(load_A / plant.capacity_Ah)
        charge: Floats = np.zeros(count)
        if clear_W > 0:
            charge = clear_W * hours.shares[hours.day[begin]] / bank_V / plant.capacity_Ah
            if plant.set_points is not None:
                limit_V = _limit_V(plant.set_points, temperature_C, absorbed_h >= plant.absorption_h)
                charge, held = banks.taken(charge, drawn, limit_V / plant.cells)
                absorbed_h = absorbed_h + width_h * held
        else:
            absorbed_h[:] = 0.0
        banks.advance(width_h, charge, drawn, temperature_C)
        bank_V = banks.cell_V() * plant.cells
        if plant.disconnect_V is not None and plant.reconnect_V is not None:
            cut = np.where(cut, bank_V < plant.reconnect_V, bank_V < plant.disconnect_V)
        drawn_Ah = drawn_Ah + drawn * plant.capacity_Ah * width_h
        soc[number], voltage[number], used[number] = banks.soc(), bank_V, drawn_Ah
        begin = end
    return Course(ends, soc, voltage, used, banks.capacity() * plant.capacity_Ah)


def _ends(slots: int, fine: int) -> tuple[int, ...]:
    """The steps' ends: one by one through the fine slots, then three together."""
    fine = min(slots, fine + (slots - fine) % COARSE) if fine < slots else slots
    return (*range(1, fine + 1), *range(fine + COARSE, slots + 1, COARSE))


def _limit_V(points: SetPoints, temperature_C: float, absorbed: Flags) -> Floats:
    """The voltage not to exceed, of the whole bank."""
    at = points.at(temperature_C)
    low_V = at.absorption_V if at.float_V is None else at.float_V
    return np.where(absorbed, low_V, at.absorption_V)
