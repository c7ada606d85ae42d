"""What the site drew, got from its array and how warm its bank was: the last weeks in slots of five minutes.

A ring of fixed size: the newest slot overwrites the oldest. Rows may come in any order and any width up to a
slot; several rows of one slot are averaged. Unknown is NaN.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from monitor.bank.cell import Floats
from monitor.quantities import Stage
from monitor.records import DAY_MS, HOUR_MS
from monitor.site.model import Site

Singles = NDArray[np.float32]
"""Tables of many slots and banks: seven digits are more than any meter has, at half the memory."""

SLOT_MS = 300_000
"""Fridges and pumps show, and the estimator weighs as often (our choice)."""

DAY = DAY_MS // SLOT_MS
KEPT_DAYS = 35
"""Five weeks: every day of the week five times; older nights weigh next to nothing (our choice)."""

SIZE = KEPT_DAYS * DAY

UNSEEN_HOLDS_MS = HOUR_MS
"""An unseen load is stored only where it has changed; a value is used for so long (our choice)."""

PASSED_ON = 0.94
"""Of the array's power, where what comes out of the controller is not read (common practice, no source)."""

SEEN, UNSEEN, TEMPERATURE, POWER, FREE, CHARGE, SOC, VOLTAGE = range(8)
KINDS = 8

USUAL_HALF_DAYS = 6.0
"""Of the usual unseen load of an hour a day so many days back counts half (our choice)."""

STORED = {False: 0.94, True: 0.99}
"""Of the charge into the bank, what comes out again, lead-acid and LiFePO4 (True): 6 and 1 % are lost (the
published 0.85 to 0.95 of lead-acid is of whole cycles to full; our choice)."""

BALANCE_DAYS, BALANCE_MOST = 5.0, 1.8
"""So many days make the balance count half, and it changes the loads by this factor at most (our choice)."""

QUANTITIES = (
    "battery_voltage_V",
    "battery_current_A",
    "charge_current_A",
    "load_current_A",
    "battery_temperature_C",
    "array_power_W",
    "charge_stage",
    "state_of_charge",
    "unseen_load_A",
)
"""What a row of the past may hold, by the names of the store."""

NEAR_DISCONNECT, NOTHING_SHARE = 0.015, 0.1
"""A five-minute mean so near the disconnect voltage may hold the cut itself (0.17 V of 11.4 V), and less than
this share of the mean load is none (our choice)."""

FREE_STAGES = (Stage.OFF, Stage.BULK)
"""The stages in which the bank takes all that the array gives."""


class SitePast:
    """The last weeks of one site."""

    def __init__(self, site: Site) -> None:
        self._level = site.metering.level
        controller = site.controller
        self._disconnect_V = controller.disconnect_V if controller else None
        self._reconnect_V = (controller.reconnect_V if controller else None) or np.inf
        self._capacity_Ah = site.bank.capacity_Ah
        self._stored = STORED[site.bank.chemistry == "lifepo4"]
        self._monitor_A = site.metering.monitor_power_W / site.bank.voltage_V
        self._sums = np.zeros((KINDS, SIZE), dtype=np.float32)
        self._counts = np.zeros((KINDS, SIZE), dtype=np.uint16)
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
            self._seen_A(row),
            self._unseen_A(time_ms, row),
            row.get("battery_temperature_C"),
            _power_W(row),
            float(row["charge_stage"] in FREE_STAGES) if "charge_stage" in row else None,
            row.get("charge_current_A"),
            row.get("state_of_charge"),
            row.get("battery_voltage_V"),
        )
        for kind, value in enumerate(values):
            if value is not None:
                self._sums[kind, place] += value
                self._counts[kind, place] += 1

    def _seen_A(self, row: Mapping[str, float]) -> float | None:
        """What the meters see of all that flows to the loads; None where they do not tell."""
        charge_A, net_A = row.get("charge_current_A"), row.get("battery_current_A")
        if self._level == "shunt" and net_A is not None:
            if charge_A is not None:
                return max(0.0, charge_A - net_A)
            return -net_A if net_A <= 0.0 else None
        return row.get("load_current_A")

    def _unseen_A(self, time_ms: int, row: Mapping[str, float]) -> float | None:
        """What the estimator believes to flow past the meters."""
        if self._level == "shunt" and "battery_current_A" in row:
            return None if self._seen_A(row) is None else 0.0
        if "charge_current_A" not in row and "load_current_A" not in row:
            return None  # where no current is read, the voltage alone tells nothing of a load
        if self._unseen is not None and 0 <= time_ms - self._unseen[0] <= UNSEEN_HOLDS_MS:
            return self._unseen[1]
        return self._monitor_A if "load_current_A" in row else None

    def load_before(self, slot: int) -> Floats:
        """All that was drawn in the slots before this one [A], however it is metered.

        Where the meters see most of it, of the rest only the usual course of a day is believed: what one
        night's voltage tells of a small load is mostly error. Hours in which the controller had cut the loads
        tell nothing of the habit.
        """
        seen, unseen = self.before(slot, SEEN), self.before(slot, UNSEEN)
        seen[self.cut_before(slot)] = np.nan
        if not np.isfinite(seen).any():
            return np.asarray(unseen * self._balance(slot, unseen))
        if np.isfinite(unseen).any() and np.nanmean(unseen) < np.nanmean(seen):
            days = unseen.reshape(-1, DAY)
            known = np.isfinite(days)
            weights = known * 0.5 ** (np.arange(len(days))[::-1, None] / USUAL_HALF_DAYS)
            total = float(np.nansum(days * weights) / weights.sum())
            usual = (np.nansum(days * weights, axis=0) + total) / (weights.sum(axis=0) + 1)
            return np.asarray(seen + np.tile(usual, len(days)))
        return np.asarray(np.where(np.isfinite(seen), seen, 0.0) + unseen)

    def cut_before(self, slot: int) -> NDArray[np.bool_]:
        """In which of the slots before this one the controller had cut the loads: from a voltage about at its
        disconnect, with next to nothing drawn, until its reconnect voltage or the first load."""
        seen, voltage_V = self.before(slot, SEEN), self.before(slot, VOLTAGE)
        cut = np.zeros(SIZE, dtype=bool)
        if self._disconnect_V is None or not np.isfinite(seen).any():
            return cut
        nothing_A = max(2 * self._monitor_A, NOTHING_SHARE * float(np.nanmean(seen)))
        low = np.nan_to_num(voltage_V, nan=np.inf) <= self._disconnect_V * (1 + NEAR_DISCONNECT)
        idle = np.nan_to_num(seen, nan=np.inf) <= nothing_A
        ends = (np.nan_to_num(voltage_V, nan=0.0) >= self._reconnect_V) | (np.isfinite(seen) & ~idle)
        begins = idle & (low | np.roll(low, 1) | np.roll(low, 2))
        begins[:2] = False
        free = 0
        for begin in np.flatnonzero(begins & ~ends):
            if begin >= free:
                later = np.flatnonzero(ends[begin:])
                free = int(begin + later[0]) if len(later) else SIZE
                cut[begin:free] = True
        return cut

    def _balance(self, slot: int, unseen: Floats) -> float:
        """By how much loads that no meter sees must be larger, so that what was charged went somewhere.

        Over days the bank's charge returns to what it was: what came in and was not lost was drawn.
        """
        charge, soc = self.before(slot, CHARGE), self.before(slot, SOC)
        charged = np.isfinite(charge)
        both = charged & np.isfinite(unseen)
        known = np.flatnonzero(charged & np.isfinite(soc))
        if len(known) < DAY or not both.any():
            return 1.0
        first, last = known[0], known[-1]
        span = slice(first, last + 1)
        more_Ah = float(soc[last] - soc[first]) * self._capacity_Ah
        drawn_Ah = float(charge[span][both[span]].sum()) / 12 * self._stored - more_Ah
        told_Ah = float(unseen[span][both[span]].sum()) / 12
        if told_Ah <= 0 or drawn_Ah <= 0:
            return 1.0
        days = int(both.sum()) / DAY
        factor = (drawn_Ah / told_Ah) ** (days / (days + BALANCE_DAYS))
        return min(BALANCE_MOST, max(1 / BALANCE_MOST, float(factor)))

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
