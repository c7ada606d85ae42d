"""What a hydrometer's readings say: corrected for temperature, and how far the cells differ. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from monitor.bank.tables import HYDROMETER_C, charge_by_gravity, corrected_gravity
from monitor.records import LogEntry
from monitor.site.model import Bank

GRAVITY = "gravity_"
TEMPERATURE = "electrolyte_temperature_C"

LOWEST_READING, HIGHEST_READING = 1.000, 1.350
"""Water and, by the table in `bank/tables.py`, the strongest battery acid (1.300), read in the cold: what a
hydrometer shows grows by 0.034 down to -20 °C."""

UNEVEN = 0.030
"""Cells that differ by more want an equalization (a battery maker's guide for owners, read)."""

MOST_CELLS = 96
"""Readings of so many cells are taken (our choice: a 48 V bank of four strings)."""

_NAME = re.compile(rf"{GRAVITY}([1-9]\d{{0,2}})")


@dataclass(frozen=True, slots=True)
class Gravities:
    """Readings of cells by number, as read and, where the temperature is known, as they would be at 80 °F."""

    read: Mapping[int, float]
    temperature_C: float | None
    corrected: Mapping[int, float] | None

    @property
    def lowest(self) -> float:
        return min((self.corrected or self.read).values())

    @property
    def highest(self) -> float:
        return max((self.corrected or self.read).values())

    @property
    def spread(self) -> float:
        """How far the cells differ: of one temperature, so that it needs no correction."""
        return round(max(self.read.values()) - min(self.read.values()), 4)

    @property
    def is_uneven(self) -> bool:
        return self.spread > UNEVEN

    @property
    def lowest_cell(self) -> int:
        """The number of the lowest cell, of equal ones the first."""
        return min(self.read, key=lambda cell: self.read[cell])


def cell_count(bank: Bank) -> int:
    """The cells of a whole bank, as far as readings of them are taken."""
    return min(MOST_CELLS, bank.cells_in_series * bank.strings_in_parallel)


def cell_name(bank: Bank, number: int) -> str:
    """'string 1, battery 2, cell 3' for a cell's number, leaving out what there is only one of.

    Cells are counted from the positive pole of the first string on.
    """
    string, within = divmod(number - 1, bank.cells_in_series)
    battery, cell = divmod(within, bank.cells_per_unit)
    parts = [
        f"string {string + 1}" if bank.strings_in_parallel > 1 else "",
        f"battery {battery + 1}" if bank.units_in_series > 1 else "",
        f"cell {cell + 1}" if bank.cells_per_unit > 1 else "",
    ]
    return ", ".join(part for part in parts if part) or "cell 1"


def cell_of(name: str) -> int | None:
    """The cell's number in a detail's name, None for another detail."""
    found = _NAME.fullmatch(name)
    return int(found[1]) if found else None


def as_gravity(typed: float) -> float:
    """A reading as people write it, 1.265 or 1265, as specific gravity. Raises ValueError, in words."""
    gravity = typed / 1000 if typed >= 100 else typed
    if not LOWEST_READING <= gravity <= HIGHEST_READING:
        raise ValueError(
            f"{typed:g} is no hydrometer's reading of battery acid: that lies between {LOWEST_READING:.3f}"
            f" (or {LOWEST_READING * 1000:.0f}) and {HIGHEST_READING:.3f} (or {HIGHEST_READING * 1000:.0f})"
        )
    return gravity


def gravities_of(entry: LogEntry) -> Gravities | None:
    """The readings in an entry of the log, None where it has none.

    Corrected by 0.004 for each 10 °F from 80 °F (the same guide; `bank.tables.corrected_gravity`).
    """
    read = {cell: value for name, value in entry.details.items() if (cell := cell_of(name)) is not None}
    if not read:
        return None
    temperature_C = entry.details.get(TEMPERATURE)
    corrected = None
    if temperature_C is not None:
        corrected = {cell: corrected_gravity(value, temperature_C) for cell, value in read.items()}
    return Gravities(read, temperature_C, corrected)


def charge_span(gravity: float) -> tuple[float, float]:
    """Between which charges (0..1) a cell of this corrected gravity lies, by the tables of two makers: their
    acids differ in strength, and nobody tells which one a bank was filled with.

    Source: two makers' tables, [guide] (from memory) and [manual] of `bank/tables.py`.
    """
    by_table = charge_by_gravity(gravity, "guide"), charge_by_gravity(gravity, "manual")
    return min(by_table), max(by_table)


def charge_text(gravity: float) -> str:
    """The charge of a cell in words, by its corrected gravity: '82 to 86 %'."""
    low, high = (f"{100 * each:.0f}" for each in charge_span(gravity))
    return f"{low} %" if low == high else f"{low} to {high} %"


def cell_rows(found: Gravities, bank: Bank) -> list[tuple[str, str, str, str]]:
    """Each cell that was read: its name, the reading, the corrected one and its charge, '' where the
    electrolyte's temperature was not measured."""
    corrected = found.corrected or {}
    return [
        (
            cell_name(bank, cell),
            f"{found.read[cell]:.3f}",
            f"{corrected[cell]:.3f}" if cell in corrected else "",
            charge_text(corrected[cell]) if cell in corrected else "",
        )
        for cell in sorted(found.read)
    ]


def gravity_words(found: Gravities, bank: Bank | None = None) -> str:
    """The readings in a sentence or two: range, correction, charge, and how far the cells differ; the lowest
    cell by its name where the bank is known."""
    low, high = f"{found.lowest:.3f}", f"{found.highest:.3f}"
    span = low if low == high else f"{low} to {high}"
    cells = "1 cell" if len(found.read) == 1 else f"{len(found.read)} cells"
    how = (
        "not corrected, since the electrolyte's temperature was not measured"
        if found.corrected is None
        else f"corrected to {HYDROMETER_C:.1f} °C from {found.temperature_C:g} °C"
    )
    text = f"{cells}, {span} ({how})"
    if len(found.read) == 1:
        return f"{text}{_charge_words(found, None)}."
    judged = (
        f": more than {UNEVEN:.3f}, where makers ask for an equalization (your maker's sheet comes first)"
        if found.is_uneven
        else ""
    )
    return f"{text}; they differ by {found.spread:.3f}{judged}{_charge_words(found, bank)}."


def _charge_words(found: Gravities, bank: Bank | None) -> str:
    """The charge of the lowest cell, '' where its gravity is not corrected."""
    if found.corrected is None:
        return ""
    lowest = "the lowest" if bank is None else f"the lowest, {cell_name(bank, found.lowest_cell)},"
    which = f"{lowest} is " if len(found.read) > 1 else ""
    return f"; {which}{charge_text(found.lowest)} charged by two makers' tables"
