"""The voltages of a bank's batteries, one by one: how far they differ, and which is out of step. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from statistics import median

from monitor.bank.health import HALVES_HIGH_V_PER_CELL
from monitor.records import LogEntry
from monitor.site.model import Bank

MOST_UNITS = 48
"""Readings of so many batteries are taken (our choice: a 48 V bank of four strings of 4 V blocks)."""

HIGHEST_CELL_V = {"flooded": 3.0, "agm": 3.0, "gel": 3.0, "lifepo4": 4.2}
"""No cell stands higher, not even while a cold bank is equalized (our choice: 2.58 V and 3.65 V are the
highest set points, and the cold adds 0.2 V to the first)."""

DEAD_CELL_V = 1.5
"""A battery so far below the middle of the others lacks a cell (our choice: three quarters of the 2 V of a
lead-acid cell; one that is merely low differs by some tenths)."""

_NAME = re.compile(r"unit_([1-9]\d?)_V")


@dataclass(frozen=True, slots=True)
class UnitVoltages:
    """Voltages of a bank's batteries by number, at least one."""

    read: Mapping[int, float]
    bank: Bank

    @property
    def limit_V(self) -> float | None:
        """How far they may differ at rest, None where nothing is published.

        A battery maker's guide for owners (read) has 0.30 V for 12 V blocks and 0.15 V for 6 V ones:
        0.05 V a cell.
        """
        if self.bank.chemistry == "lifepo4":
            return None
        return round(HALVES_HIGH_V_PER_CELL * self.bank.cells_per_unit, 4)

    @property
    def spread_V(self) -> float:
        return round(max(self.read.values()) - min(self.read.values()), 4)

    @property
    def is_uneven(self) -> bool:
        return self.limit_V is not None and self.spread_V > self.limit_V

    @property
    def lowest(self) -> int:
        """The number of the lowest one, of equal ones the first."""
        return min(self.read, key=lambda number: self.read[number])

    @property
    def out_of_step(self) -> int | None:
        """The one that lies farther than the limit from the middle of all others; None where none does,
        several do, or fewer than three were read: of two nobody can tell which one is right."""
        if self.limit_V is None or len(self.read) < 3:
            return None
        far = [number for number in self.read if abs(self._off_V(number)) > self.limit_V]
        return far[0] if len(far) == 1 else None

    @property
    def lacks_a_cell(self) -> int | None:
        """The lowest one, where it lies so far below the others that a cell in it must be dead or shorted.

        Equalizing would drive what that cell does not take into the sound ones, and heat it.
        """
        if len(self.read) < 2 or self._off_V(self.lowest) > -DEAD_CELL_V:
            return None
        return self.lowest

    def _off_V(self, number: int) -> float:
        others = [value for each, value in self.read.items() if each != number]
        return round(self.read[number] - median(others), 4)


def unit_count(bank: Bank) -> int:
    """The batteries of a whole bank, as far as readings of them are taken."""
    return min(MOST_UNITS, bank.units_in_series * bank.strings_in_parallel)


def unit_name(bank: Bank, number: int) -> str:
    """'string 1, battery 2' for a battery's number, leaving out what there is only one of.

    They are counted from the positive pole of the first string on.
    """
    string, within = divmod(number - 1, bank.units_in_series)
    if bank.strings_in_parallel == 1:
        return f"battery {within + 1}"
    return (
        f"string {string + 1}, battery {within + 1}" if bank.units_in_series > 1 else f"string {string + 1}"
    )


def unit_field(number: int) -> str:
    """The name of a battery's voltage among an entry's details."""
    return f"unit_{number}_V"


def unit_of(name: str) -> int | None:
    """The battery's number in a detail's name, None for another detail."""
    found = _NAME.fullmatch(name)
    return int(found[1]) if found else None


def as_unit_voltage(typed: float, bank: Bank) -> float:
    """A voltage as it can stand on one battery. Raises ValueError, in words."""
    most_V = HIGHEST_CELL_V[bank.chemistry] * bank.cells_per_unit
    if not 0 <= typed <= most_V:
        raise ValueError(
            f"{typed:g} V is no voltage of one battery of {bank.unit_voltage_V:g} V: write one from 0 to"
            f" {most_V:g}, measured between its own two poles"
        )
    return typed


def units_of(entry: LogEntry, bank: Bank) -> UnitVoltages | None:
    """The batteries' voltages in an entry of the log, None where it has none."""
    read = {number: value for name, value in entry.details.items() if (number := unit_of(name)) is not None}
    return UnitVoltages(dict(sorted(read.items())), bank) if read else None


def unit_words(found: UnitVoltages) -> str:
    """The voltages in a sentence or two: range, how far they differ, and which battery is out of step."""
    low, high = min(found.read.values()), max(found.read.values())
    if len(found.read) == 1:
        return f"1 battery, {low:.2f} V."
    text = f"{len(found.read)} batteries, {low:.2f} to {high:.2f} V; they differ by {found.spread_V:.2f} V"
    if found.limit_V is None:
        return f"{text}; no limit is published for this kind of battery."
    if not found.is_uneven:
        return f"{text}: even."
    text += f": more than the {found.limit_V:.2f} V that a maker allows at rest"
    if found.lacks_a_cell is not None:
        return f"{text}. {lacking_words(found)}."
    odd = found.out_of_step
    if odd is not None:
        return f"{text}. Out of step is {unit_name(found.bank, odd)} with {found.read[odd]:.2f} V."
    return f"{text}. The lowest is {unit_name(found.bank, found.lowest)}."


def lacking_words(found: UnitVoltages) -> str:
    """Which battery lacks a cell, and what follows; there is one."""
    assert found.lacks_a_cell is not None, "asked only where one does"
    name = unit_name(found.bank, found.lacks_a_cell)
    return (
        f"{name[0].upper()}{name[1:]} lacks about a cell's voltage, as with a dead or shorted cell: do not"
        " equalize; measure again, and have it tested or taken out by somebody who knows batteries"
    )
