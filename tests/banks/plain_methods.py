"""The plain methods that the estimator is compared with: what a hobby script does.

They know what the bank file says and see the rows in order. The rest tables are those of `two_wells` and
`lithium` beside this, at 25 °C. Charge is counted with the usual efficiencies of 0.9 (lead-acid; 0.85 by a
teaching text, secondary source, to 0.95 by a battery maker's manual) and 0.99 (from memory). Where loads are
not metered only the charge is seen.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping
from math import sqrt
from typing import Any, Protocol

from tests.banks.site import Row

UNKNOWN_SD = 1 / sqrt(12)
WRONG_START = 0.5
LONGEST_STEP_H = 0.5

TABLES: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "flooded": (
        (1.893, 1.918, 1.943, 1.969, 1.993, 2.017, 2.040, 2.062, 2.083, 2.103, 2.122),
        (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0),
    ),
    "agm": ((1.967, 2.0, 2.05, 2.1, 2.133), (0.0, 0.25, 0.5, 0.75, 1.0)),
    "gel": ((1.967, 2.0, 2.058, 2.108, 2.142), (0.0, 0.25, 0.5, 0.75, 1.0)),
    "lifepo4": (
        (2.5, 3.0, 3.125, 3.2, 3.225, 3.25, 3.275, 3.3, 3.325, 3.35, 3.4),
        (0.0, 0.09, 0.14, 0.17, 0.20, 0.30, 0.40, 0.70, 0.90, 0.99, 1.0),
    ),
}


OHM_V = {"flooded": 0.4, "agm": 0.3, "gel": 0.35, "lifepo4": 0.1}
"""Cell voltage drop per share of the capacity drawn in an hour (ours)."""


class Plain(Protocol):
    """A plain method: rows in, charge and what it would call its standard deviation out."""

    def update(self, row: Row) -> tuple[float, float]: ...


class _Bank:
    """What the methods take from the bank file."""

    def __init__(self, tables: Mapping[str, Any]) -> None:
        bank: dict[str, Any] = tables["bank"]
        controller: dict[str, Any] = tables["controller"]
        self.chemistry: str = bank["chemistry"]
        cell_V = 3.2 if self.chemistry == "lifepo4" else 2.0
        self.cells: int = round(bank["unit_voltage_V"] / cell_V) * bank["units_in_series"]
        self.capacity_Ah: float = bank["unit_capacity_Ah"]
        self.efficiency = 0.99 if self.chemistry == "lifepo4" else 0.9
        self.absorption_V: float = controller["absorption_V"]
        self.absorption_h: float = controller["absorption_h"]
        self.compensation_V: float = controller["temperature_compensation_V_per_C"]
        self.tail_A: float = controller["tail_current_fraction"] * self.capacity_Ah

    def by_voltage(self, bank_V: float) -> float:
        volts, socs = TABLES[self.chemistry]
        cell_V = bank_V / self.cells
        place = bisect_right(volts, cell_V)
        if place == 0:
            return 0.0
        if place == len(volts):
            return 1.0
        share = (cell_V - volts[place - 1]) / (volts[place] - volts[place - 1])
        return socs[place - 1] + share * (socs[place] - socs[place - 1])

    def rest_V(self, soc: float) -> tuple[float, float]:
        """Rest voltage and its slope."""
        volts, socs = TABLES[self.chemistry]
        place = min(len(socs) - 1, max(1, bisect_right(socs, soc)))
        slope = (volts[place] - volts[place - 1]) / (socs[place] - socs[place - 1])
        return (volts[place - 1] + slope * (soc - socs[place - 1])) * self.cells, slope * self.cells


def net_A(row: Row) -> float:
    """Net current as far as the meters show it."""
    if row.battery_current_A is not None:
        return row.battery_current_A
    return (row.charge_current_A or 0.0) - (row.load_current_A or 0.0)


class VoltageTable:
    """The voltage that is read now, looked up in the rest table."""

    def __init__(self, tables: Mapping[str, Any]) -> None:
        self._bank = _Bank(tables)

    def update(self, row: Row) -> tuple[float, float]:
        return self._bank.by_voltage(row.battery_voltage_V or 0.0), 0.1


class Counting:
    """Counting from a start that is taken for right."""

    def __init__(self, tables: Mapping[str, Any]) -> None:
        self._bank = _Bank(tables)
        self._soc = WRONG_START
        self._last_ms: int | None = None
        self._hours = 0.0

    def update(self, row: Row) -> tuple[float, float]:
        bank = self._bank
        passed_h = 0.0 if self._last_ms is None else (row.time_ms - self._last_ms) / 3_600_000
        self._last_ms = row.time_ms
        self._hours = min(passed_h, LONGEST_STEP_H)
        moved_Ah = net_A(row) * self._hours
        moved_Ah *= bank.efficiency if moved_Ah > 0 else 1.0
        self._soc = min(1.0, max(0.0, self._soc + moved_Ah / bank.capacity_Ah))
        return self._soc, 0.05


class ResetAtFull(Counting):
    """Counting from what the first voltage says; set to 100 % when absorption ends, by time or tail."""

    def __init__(self, tables: Mapping[str, Any]) -> None:
        super().__init__(tables)
        self._absorbed_h = self._tail_h = 0.0

    def update(self, row: Row) -> tuple[float, float]:
        bank = self._bank
        if self._last_ms is None:
            self._soc = bank.by_voltage(row.battery_voltage_V or 0.0)
        super().update(row)
        warmer_C = 0.0 if row.battery_temperature_C is None else row.battery_temperature_C - 25
        limit_V = bank.absorption_V + bank.compensation_V * warmer_C - 0.01 * bank.cells
        current_A = net_A(row)
        if (row.battery_voltage_V or 0.0) < limit_V:
            self._absorbed_h = self._tail_h = 0.0
            return self._soc, 0.05
        self._absorbed_h += self._hours
        self._tail_h = self._tail_h + self._hours if current_A < bank.tail_A else 0.0
        if self._absorbed_h >= 0.98 * bank.absorption_h or self._tail_h >= 0.1:
            self._soc = 1.0
        return self._soc, 0.05


class OneStateFilter(Counting):
    """A Kalman filter on the charge alone: counting corrected by the rest table and one resistance."""

    METER_SD_V_PER_CELL = 0.01
    CURRENT_SD = 0.005

    def __init__(self, tables: Mapping[str, Any]) -> None:
        super().__init__(tables)
        self._variance = UNKNOWN_SD**2

    def update(self, row: Row) -> tuple[float, float]:
        super().update(row)
        bank = self._bank
        self._variance += (self.CURRENT_SD * self._hours) ** 2 + 1e-9
        rest_V, slope_V = bank.rest_V(self._soc)
        drop_V = OHM_V[bank.chemistry] * bank.cells * net_A(row) / bank.capacity_Ah
        missed_V = (row.battery_voltage_V or 0.0) - rest_V - drop_V
        noise = (self.METER_SD_V_PER_CELL * bank.cells) ** 2 * 60  # minutes are not independent readings
        gain = self._variance * slope_V / (slope_V**2 * self._variance + noise)
        self._soc = min(1.0, max(0.0, self._soc + gain * missed_V))
        self._variance *= 1 - gain * slope_V
        return self._soc, sqrt(self._variance)


METHODS: dict[str, Callable[[Mapping[str, Any]], Plain]] = {
    "voltage": VoltageTable,
    "counting": Counting,
    "reset-at-full": ResetAtFull,
    "one-state": OneStateFilter,
}
