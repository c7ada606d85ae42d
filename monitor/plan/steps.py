"""What bank and array should be, step by step by the published methods, each step with its source. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.plan import sizing
from monitor.plan.sunlight import Month
from monitor.plan.system import System

SAND = "SAND87-7023, handbook of design practices for stand-alone systems"
IEEE_BANK = "IEEE 1013-2019 6.3, secondary source"
IEEE_BANK_FORM = "IEEE 1013, worksheet's form from memory"
IEEE_ARRAY = "IEEE 1562-2021 9.1: array-to-load ratio, secondary source; count of strings, from memory"
COLD = "battery-bank worksheets of the trade, 20 to 80 °F; colder an army manual on motive-power batteries"
DERATE = "0.90 of a crystalline panel's rated current: SAND87-7023, from memory"

NO_SUN = (
    "no number is enough, since no sun reaches the array in that month: the bank or another source must carry"
    " the loads (another month can be planned for)"
)
"""Beyond the polar circles no number of panels is enough."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What the plan is to reach: days of storage without sun, the array-to-load ratio, the margin."""

    days: float
    ratio: float
    margin: float = sizing.MARGIN


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a calculation: value (None: unknown) in unit, how it comes about, where that is from."""

    name: str
    title: str
    value: float | None
    unit: str
    words: str
    source: str


def load_steps(energy_Wh: float, bank_V: float) -> list[Step]:
    """The load as charge, and what the array must give for it."""
    load_Ah = sizing.load_Ah(energy_Wh, bank_V)
    corrected_Ah = sizing.corrected_Ah(load_Ah)
    return [
        Step("load_Ah", "Load", load_Ah, "Ah a day", f"{energy_Wh:.4g} Wh / {bank_V:g} V", SAND),
        Step(
            "corrected_Ah",
            "With the losses in wire and bank",
            corrected_Ah,
            "Ah a day",
            f"{load_Ah:.4g} Ah / {sizing.WIRE_EFFICIENCY} / {sizing.BATTERY_EFFICIENCY}",
            f"{SAND}, secondary source",
        ),
    ]


def bank_steps(system: System, load_Ah: float, wish: Wish) -> list[Step]:
    """The bank: the cold, the standard's two forms, the handbook's, and the units for the largest."""
    cold, deepest, days = system.cold, system.deepest, wish.days
    steps = [Step("cold_factor", "Factor for the cold", cold, "", _cold_words(system), COLD)]
    if cold is None:
        return steps
    by_product_Ah = sizing.bank_by_product_Ah(load_Ah, days, deepest, cold, wish.margin)
    by_worksheet_Ah = sizing.bank_by_worksheet_Ah(load_Ah, days, deepest, cold, wish.margin)
    corrected_Ah = sizing.corrected_Ah(load_Ah)
    by_handbook_Ah = sizing.bank_by_handbook_Ah(corrected_Ah, days, deepest, 1 / cold)
    needed_Ah = max(by_product_Ah, by_worksheet_Ah, by_handbook_Ah)
    strings = sizing.whole(needed_Ah / system.unit_Ah)
    whole_Ah = strings * system.unit_Ah
    daily = load_Ah / system.capacity_Ah
    return [
        *steps,
        Step(
            "bank_by_product_Ah",
            "Bank, product of all factors",
            by_product_Ah,
            "Ah",
            f"{load_Ah:.4g} Ah × {days:g} days / ({deepest:g} to the reserve × {sizing.END_OF_LIFE} worn out)"
            f" × {cold:.3g} × margin {wish.margin:g}",
            IEEE_BANK,
        ),
        Step(
            "bank_by_worksheet_Ah",
            "Bank, largest of three",
            by_worksheet_Ah,
            "Ah",
            f"largest of {load_Ah * days / deepest:.4g} (storage), {load_Ah / sizing.DAILY_DISCHARGE:.4g}"
            f" (no day deeper than {sizing.DAILY_DISCHARGE}), {load_Ah * days / sizing.END_OF_LIFE:.4g} (worn"
            f" out), × {cold:.3g} × margin {wish.margin:g}",
            IEEE_BANK_FORM,
        ),
        Step(
            "bank_by_handbook_Ah",
            "Bank, by the handbook",
            by_handbook_Ah,
            "Ah",
            f"{corrected_Ah:.4g} Ah × {days:g} days / {deepest:g} × {cold:.3g}",
            SAND,
        ),
        Step(
            "bank_strings",
            "Strings of batteries for the largest",
            strings,
            "",
            f"{needed_Ah:.4g} Ah / {system.unit_Ah:g} Ah = {needed_Ah / system.unit_Ah:.2f}; each of"
            f" {system.units_in_series} × {system.unit_V:g} V, together {whole_Ah:g} Ah; there are"
            f" {system.bank_strings}",
            IEEE_BANK,
        ),
        Step(
            "storage_days",
            "The bank that is there, by the handbook",
            sizing.storage_days(system.capacity_Ah, deepest, 1 / cold, corrected_Ah),
            "days",
            f"{system.capacity_Ah:g} Ah × {deepest:g} / {cold:.3g} / {corrected_Ah:.4g} Ah with the losses",
            SAND,
        ),
        Step(
            "daily_depth",
            "An ordinary day takes of the bank that is there",
            100 * daily,
            "%",
            f"{load_Ah:.4g} Ah / {system.capacity_Ah:g} Ah",
            IEEE_BANK_FORM,
        ),
    ]


def _cold_words(system: System) -> str:
    if not system.lead_acid:
        return "none is published for LiFePO4"
    if system.temperature_C is None:
        return "the bank's temperature is not known: counted as warm, so that the bank comes out too small"
    words = f"at {system.temperature_C:.3g} °C"
    return words if system.cold is not None else f"{words} nothing is published; it ends at -17.8 °C"


def array_steps(system: System, load_Ah: float, wish: Wish, sun: Month) -> list[Step]:
    """The array in the month that decides; where its clouds are unknown, under a clear sky every day, which
    tells the least that is needed. The system has an array."""
    sun_h, sky = (sun.clear_h, " under a clear sky") if sun.sun_h is None else (sun.sun_h, "")
    string_A = system.string_A
    assert string_A is not None, "asked only where there is an array"
    if sun_h <= 0:
        return [Step("array_strings", "Strings of panels", None, "", NO_SUN, IEEE_ARRAY)]
    design_A = sizing.design_current_A(sizing.corrected_Ah(load_Ah), sun_h)
    rated_A = sizing.rated_current_A(design_A)
    needed = sizing.strings_needed(load_Ah, wish.ratio, sun_h, string_A)
    gives_Ah = system.gives_Ah(sun_h)
    return [
        Step(
            "design_current_A",
            "Current in the peak sun hours",
            design_A,
            "A",
            f"{sizing.corrected_Ah(load_Ah):.4g} Ah / {sun_h:.3g} h{sky}",
            SAND,
        ),
        Step(
            "array_current_A",
            "Rated current of the array",
            rated_A,
            "A",
            f"{design_A:.4g} A / {sizing.MODULE_DERATE}",
            DERATE,
        ),
        Step(
            "array_strings",
            "Strings of panels",
            sizing.whole(needed),
            "",
            f"{rated_A:.4g} A × array-to-load ratio {wish.ratio:g} / {string_A:.3g} A a string"
            f" = {needed:.2f}; there are {system.strings}",
            IEEE_ARRAY,
        ),
        Step(
            "array_to_load",
            "Array-to-load ratio as it is",
            gives_Ah / load_Ah,
            "",
            f"{system.strings} × {string_A:.3g} A × {sizing.MODULE_DERATE} × {sun_h:.3g} h{sky}"
            f" = {gives_Ah:.4g} Ah a day / {load_Ah:.4g} Ah",
            IEEE_ARRAY,
        ),
    ]
