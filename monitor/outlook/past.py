"""What the site drew, got from its array and how warm its bank was: the last weeks in slots of five minutes.

A ring of fixed size: the newest slot overwrites the oldest. Rows may come in any order and any width up to a
slot; several rows of one slot are averaged. Unknown is NaN.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from monitor.bank.cell import Floats
from monitor.quantities import Stage
from monitor.site.model import Site

SLOT_MS = 300_000
"""Fridges and pumps show, and the estimator weighs as often (our choice)."""

DAY = 86_400_000 // SLOT_MS
KEPT_DAYS = 35
"""Five weeks: every day of the week five times; older nights weigh next to nothing (our choice)."""

SIZE = KEPT_DAYS * DAY

UNSEEN_HOLDS_MS = 3_600_000
"""An unseen load is stored only where it has changed; a value is used for so long (our choice)."""

PASSED_ON = 0.94
"""Of the array's power, where what comes out of the controller is not read (common practice, no source)."""

LOAD, TEMPERATURE, POWER, FREE = range(4)

QUANTITIES = (
    "battery_voltage_V",
    "battery_current_A",
    "charge_current_A",
    "load_current_A",
    "battery_temperature_C",
    "array_power_W",
    "charge_stage",
    "unseen_load_A",
)
"""What a row of the past may hold, by the names of the store."""

FREE_STAGES = (Stage.OFF, Stage.BULK)
"""The stages in which the bank takes all that the array gives."""


class SitePast:
    """The last weeks of one site."""

    def __init__(self, site: Site) -> None:
        self._level = site.metering.level
        self._monitor_A = site.metering.monitor_power_W / site.bank.voltage_V
        self._sums = np.zeros((4, SIZE), dtype=np.float32)
        self._counts = np.zeros((4, SIZE), dtype=np.uint16)
        self._slots = np.full(SIZE, -1, dtype=np.int64)
        self._unseen: tuple[int, float] | None = None
        self.newest = -1

    def add(self, time_ms: int, row: Mapping[str, float]) -> None:
        """Take one row of good readings: {quantity: value} of QUANTITIES."""
        slot = time_ms // SLOT_MS
        if slot <= self.newest - SIZE:
            return
        place = slot % SIZE
        if self._slots[place] != slot:
            self._slots[place] = slot
            self._sums[:, place] = 0.0
            self._counts[:, place] = 0
        self.newest = max(self.newest, slot)
        if "unseen_load_A" in row:
            self._unseen = (time_ms, row["unseen_load_A"])
        values = (
            self._load_A(time_ms, row),
            row.get("battery_temperature_C"),
            _power_W(row),
            float(row["charge_stage"] in FREE_STAGES) if "charge_stage" in row else None,
        )
        for kind, value in enumerate(values):
            if value is not None:
                self._sums[kind, place] += value
                self._counts[kind, place] += 1

    def _load_A(self, time_ms: int, row: Mapping[str, float]) -> float | None:
        """All that flows out of the bank and to the loads, however it is metered; None where not known."""
        charge_A, net_A = row.get("charge_current_A"), row.get("battery_current_A")
        if self._level == "shunt" and net_A is not None:
            if charge_A is not None:
                return max(0.0, charge_A - net_A)
            return -net_A if net_A <= 0.0 else None
        seen_A = row.get("load_current_A")
        if self._unseen is not None and 0 <= time_ms - self._unseen[0] <= UNSEEN_HOLDS_MS:
            return (seen_A or 0.0) + self._unseen[1]
        return None if seen_A is None else seen_A + self._monitor_A

    def before(self, slot: int, kind: int) -> Floats:
        """The SIZE slots before this one, oldest first; NaN where nothing is known."""
        wanted = np.arange(slot - SIZE, slot)
        place = wanted % SIZE
        known = (self._slots[place] == wanted) & (self._counts[kind, place] > 0)
        with np.errstate(invalid="ignore", divide="ignore"):
            values = self._sums[kind, place] / self._counts[kind, place]
        return np.where(known, values.astype(np.float64), np.nan)


def _power_W(row: Mapping[str, float]) -> float | None:
    """What the controller gives to bank and loads."""
    charge_A, voltage_V = row.get("charge_current_A"), row.get("battery_voltage_V")
    if charge_A is not None and voltage_V is not None:
        return max(0.0, charge_A * voltage_V)
    array_W = row.get("array_power_W")
    return None if array_W is None else max(0.0, array_W * PASSED_ON)
