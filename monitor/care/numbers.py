"""The numbers that an entry of the log may hold: which belong to a kind of entry, each checked. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from monitor.care.gravity import TEMPERATURE, as_gravity, cell_count, cell_of
from monitor.care.units import as_unit_voltage, unit_count, unit_of
from monitor.records import LogKind
from monitor.site.chemistry import capacity_at_20_h
from monitor.site.model import Bank

WATER = "water_L"
CAPACITY, BAND = "capacity_Ah", "capacity_band_Ah"
"""A tested capacity at the 20-hour rate, and how far it may be off to either side: two deviations."""

MOST_WATER_L = 100.0
"""More at a time is a slip of the finger (our choice: a large bank's cells take a litre or two each)."""

MOST_CAPACITIES = 2.0
"""More than so many rated capacities is a slip of the finger (our choice: no new bank gives half as much
again)."""

TEMPERATURE_RANGE_C = (-40.0, 70.0)
"""What electrolyte can have and still be measured with a hydrometer (our choice)."""


def belongs(name: str, kind: LogKind) -> bool:
    """Whether an entry of a kind may hold a number of this name."""
    if kind is LogKind.HYDROMETER and cell_of(name) is not None:
        return True
    return (kind is LogKind.VOLTAGES and unit_of(name) is not None) or name in NAMED.get(kind, {})


def checked(name: str, number: float, kind: LogKind, bank: Bank) -> float:
    """A number that belongs to the kind, as it is written down. Raises ValueError, in words."""
    cell, unit = cell_of(name), unit_of(name)
    if cell is not None:
        return _gravity(cell, number, bank)
    return NAMED[kind][name](number, bank) if unit is None else _unit_voltage(unit, number, bank)


def rated_at_20_h(bank: Bank) -> float:
    """A bank's rated capacity at the 20-hour rate; as it is where no correction is published for its own."""
    return capacity_at_20_h(bank.chemistry, bank.capacity_Ah, bank.capacity_rate_h) or bank.capacity_Ah


def _gravity(cell: int, number: float, bank: Bank) -> float:
    if cell > cell_count(bank):
        raise ValueError(f"The bank has {cell_count(bank)} cells, there is no cell {cell}.")
    try:
        return as_gravity(number)
    except ValueError as error:
        raise ValueError(f"Cell {cell}: {error}.") from None


def _unit_voltage(unit: int, number: float, bank: Bank) -> float:
    if unit > unit_count(bank):
        raise ValueError(f"The bank has {unit_count(bank)} batteries, there is no battery {unit}.")
    try:
        return as_unit_voltage(number, bank)
    except ValueError as error:
        raise ValueError(f"Battery {unit}: {error}.") from None


def _temperature(number: float, _bank: Bank) -> float:
    low_C, high_C = TEMPERATURE_RANGE_C
    if not low_C <= number <= high_C:
        raise ValueError(f"Electrolyte of {number:g} °C cannot be: write degrees Celsius.")
    return number


def _water(number: float, _bank: Bank) -> float:
    if not 0 < number <= MOST_WATER_L:
        raise ValueError(f"{number:g} litres cannot be: write more than 0 and at most {MOST_WATER_L:g}.")
    return number


def _ampere_hours(number: float, bank: Bank) -> float:
    most_Ah = MOST_CAPACITIES * rated_at_20_h(bank)
    if not 0 < number <= most_Ah:
        raise ValueError(f"{number:g} Ah cannot be: write more than 0 and at most {most_Ah:.0f}.")
    return number


NAMED: Mapping[str, Mapping[str, Callable[[float, Bank], float]]] = {
    LogKind.HYDROMETER: {TEMPERATURE: _temperature},
    LogKind.WATER: {WATER: _water},
    LogKind.CAPACITY: {CAPACITY: _ampere_hours, BAND: _ampere_hours},
}
"""The numbers of a kind that have a name of their own, beside those of cells and batteries."""
