"""What a described system amounts to: bank, array, controller margins. Pure.

Series adds volts, parallel adds amperes and ampere-hours (common practice, no source). Imports of the
project only the rest of `site`.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.site.chemistry import capacity_at_20_h
from monitor.site.model import Array, Bank, Controller, Site

STC_C = 25.0
HOT_CELL_C = 65.0  # our choice: a cell in full sun on a warm day, 40 °C above standard conditions
CONTINUOUS_FACTOR = 1.25  # common practice, no source: array current is taken 125 % of Isc

COLD_VOC_FACTORS = (
    (20, 1.02),
    (15, 1.04),
    (10, 1.06),
    (5, 1.08),
    (0, 1.10),
    (-5, 1.12),
    (-10, 1.14),
    (-15, 1.16),
    (-20, 1.18),
    (-25, 1.20),
    (-30, 1.21),
    (-35, 1.23),
    (-40, 1.25),
)
"""Lowest temperature [°C] of each row and factor on Voc, crystalline silicon: NEC Table 690.7(A), from
memory; a cross-check beside the panel's own coefficient."""


@dataclass(frozen=True, slots=True)
class BankAmounts:
    """The bank: nominal voltage, rated capacity at its rate and at 20 h (None: no published conversion)."""

    voltage_V: float
    capacity_Ah: float
    capacity_rate_h: float
    capacity_20h_Ah: float | None
    energy_kWh: float
    usable_Ah: float
    cells_in_series: int


@dataclass(frozen=True, slots=True)
class ArrayAmounts:
    """The array at standard conditions, in the coldest morning and hot; coldest_assumed: by our rule."""

    power_W: float
    voc_V: float
    vmp_V: float
    vmp_hot_V: float
    isc_A: float
    isc_design_A: float
    coldest_C: float
    coldest_assumed: bool
    voc_cold_V: float
    voc_cold_table_V: float


@dataclass(frozen=True, slots=True)
class ControllerAmounts:
    """The controller beside the array: design_current_A is what its rating must cover.

    charge_current_A is what reaches the bank at most, charge_rate that over the 20-hour capacity.
    """

    design_current_A: float
    current_margin_A: float
    voltage_margin_V: float
    charge_current_A: float
    charge_rate: float


@dataclass(frozen=True, slots=True)
class Amounts:
    """All of it; array and controller are None where the file describes none (controller: no array)."""

    bank: BankAmounts
    array: ArrayAmounts | None
    controller: ControllerAmounts | None


def amounts(site: Site) -> Amounts:
    """What the described system amounts to."""
    bank = _bank(site.bank)
    array = None if site.array is None else _array(site, site.array)
    if site.array is None or array is None or site.controller is None:
        return Amounts(bank, array, None)
    return Amounts(bank, array, _controller(bank, site.array, array, site.controller))


def coldest_by_rule_C(latitude_deg: float, altitude_m: float) -> float:
    """The coldest morning to plan for where the person gave none [°C].

    Our own rule, meant to err on the cold side: 15 °C at the equator, 0.75 °C less per degree of latitude
    (52° -> -24 °C), and 6.5 °C less per 1000 m (lapse rate of the standard atmosphere, from memory).
    """
    return 15.0 - 0.75 * abs(latitude_deg) - 0.0065 * max(0.0, altitude_m)


def cold_voc_factor(temperature_C: float) -> float:
    """The table's factor on Voc at a temperature; 1 from 25 °C up, the last row's below -40 °C."""
    if temperature_C >= STC_C:
        return 1.0
    return next((factor for lowest, factor in COLD_VOC_FACTORS if temperature_C >= lowest), 1.25)


def _bank(bank: Bank) -> BankAmounts:
    return BankAmounts(
        voltage_V=bank.voltage_V,
        capacity_Ah=bank.capacity_Ah,
        capacity_rate_h=bank.capacity_rate_h,
        capacity_20h_Ah=capacity_at_20_h(bank.chemistry, bank.capacity_Ah, bank.capacity_rate_h),
        energy_kWh=bank.energy_Wh / 1000,
        usable_Ah=bank.capacity_Ah * (1 - bank.reserve_soc),
        cells_in_series=bank.cells_in_series,
    )


def _array(site: Site, array: Array) -> ArrayAmounts:
    given_C = site.site.coldest_C
    coldest_C = given_C
    if coldest_C is None:
        coldest_C = coldest_by_rule_C(site.site.latitude_deg, site.site.altitude_m)
    voc_V = array.panel_voc_V * array.panels_in_series
    vmp_V = array.panel_vmp_V * array.panels_in_series
    isc_A = array.panel_isc_A * array.strings_in_parallel
    return ArrayAmounts(
        power_W=array.power_W,
        voc_V=voc_V,
        vmp_V=vmp_V,
        # the power coefficient stands for Vmp's: Imp hardly changes with temperature
        vmp_hot_V=vmp_V * (1 + array.power_temperature_coefficient_per_C * (HOT_CELL_C - STC_C)),
        isc_A=isc_A,
        isc_design_A=isc_A * CONTINUOUS_FACTOR,
        coldest_C=coldest_C,
        coldest_assumed=given_C is None,
        voc_cold_V=voc_V * (1 + array.voc_temperature_coefficient_per_C * (coldest_C - STC_C)),
        voc_cold_table_V=voc_V * cold_voc_factor(coldest_C),
    )


def _controller(
    bank: BankAmounts, described: Array, array: ArrayAmounts, controller: Controller
) -> ControllerAmounts:
    if controller.kind == "pwm":  # a switch: the array's own current flows
        design_A = array.isc_design_A
        full_A = described.panel_imp_A * described.strings_in_parallel
    else:  # a converter: the array's watts at the bank's voltage
        design_A = full_A = array.power_W / bank.voltage_V
    charge_A = min(full_A, controller.rating_A)
    return ControllerAmounts(
        design_current_A=design_A,
        current_margin_A=controller.rating_A - design_A,
        voltage_margin_V=controller.array_voltage_limit_V - array.voc_cold_V,
        charge_current_A=charge_A,
        charge_rate=charge_A / (bank.capacity_20h_Ah or bank.capacity_Ah),
    )
