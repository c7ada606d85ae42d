"""Bank and array as they are or might become: how long they last, and their sizing step by step. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from monitor.plan import nature, sizing
from monitor.plan.sunlight import Month
from monitor.site.chemistry import capacity_at_20_h
from monitor.site.model import Chemistry, Site

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

CONVERTER_EFFICIENCY = 0.95
"""Share of a converter's input that reaches the bank, as in `sun/panel.py` (our choice; makers print 0.93 to
0.98); a switch passes the array's current on."""


@dataclass(frozen=True, slots=True)
class System:
    """A bank and an array. rating_20_h is the bank's capacity at the 20-hour rate over the rated one,
    cut_off_soc the charge at which a controller cuts the loads off. temperature_C is the bank's in the cold
    season, None where it is not known; string_A the current of one string of panels into the bank in full
    sun, None without an array; converts: a converter stands between array and bank."""

    bank_V: float
    chemistry: Chemistry
    unit_V: float
    unit_Ah: float
    units_in_series: int
    bank_strings: int
    reserve_soc: float
    temperature_C: float | None
    string_A: float | None
    strings: int
    cells: int
    rating_20_h: float = 1.0
    cut_off_soc: float = 0.0
    charging_V: float | None = None
    converts: bool = True

    @property
    def lead_acid(self) -> bool:
        return self.chemistry != "lifepo4"

    @property
    def capacity_Ah(self) -> float:
        return self.unit_Ah * self.bank_strings

    @property
    def deepest(self) -> float:
        """The share of the capacity that may be taken."""
        return 1 - self.reserve_soc

    @property
    def cold(self) -> float | None:
        """The cold's factor on the size; 1 where temperature or chemistry leave it unsaid, None where it is
        too cold for what is published."""
        if self.temperature_C is None or not self.lead_acid:
            return 1.0
        return sizing.cold_factor(self.temperature_C)

    @property
    def present_Ah(self) -> float:
        """Capacity at the 20-hour rate in the cold season, as the estimator supposes it of a bank as
        rated."""
        return self.capacity_Ah * self.rating_20_h * nature.capacity_share(self.chemistry, self.temperature_C)

    @property
    def usable_Ah(self) -> float | None:
        """Charge of the full bank down to the reserve in the cold season; None where it is too cold for what
        is published."""
        return None if self.cold is None else self.present_Ah * self.deepest

    @property
    def giving_V(self) -> float:
        """The bank's mean voltage while the loads take it from full to the reserve."""
        return nature.giving_cell_V(self.chemistry, self.reserve_soc) * self.cells

    def gives_Ah(self, sun_h: float) -> float:
        """What the array gives into the bank in a day with so many peak sun hours, by the handbook."""
        return sizing.array_Ah(self.strings, self.string_A or 0.0, sun_h)

    def clear_Ah(self, array_Wh: float, scale: float) -> float:
        """What reaches the bank on a clear day on which the controller could take so much from the array as
        rated; scale is what this array gives of that."""
        if self.charging_V is None:
            return 0.0
        converted = CONVERTER_EFFICIENCY if self.converts else 1.0
        return array_Wh * scale * converted / self.charging_V

    def grown(self, panels: int = 0, batteries: int = 0, colder_C: float = 0.0) -> System:
        """The same with more strings of panels and of batteries, in a colder month."""
        cold_C = None if self.temperature_C is None else self.temperature_C - colder_C
        strings, bank_strings = self.strings + panels, self.bank_strings + batteries
        return replace(self, strings=strings, bank_strings=bank_strings, temperature_C=cold_C)


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


def system_of(site: Site, charging_V: float | None, temperature_C: float | None) -> System:
    """The system that a site file describes, set points filled in; charging_V is the bank's voltage while it
    charges.

    A PWM controller passes on the panel's current, an MPPT controller its power (our reading of the published
    method, which knows only the first).
    """
    bank, array, controller = site.bank, site.array, site.controller
    converts = controller is None or controller.kind == "mppt"
    string_A = None
    if array is not None:
        string_A = array.panel_imp_A
        if controller is not None and converts and charging_V is not None:
            string_A = array.panel_power_W * array.panels_in_series / charging_V
    # loads that no controller feeds go on until the bank is empty
    cuts = site.metering.level == "controller"
    disconnect_V = controller.disconnect_V if controller is not None and cuts else None
    cut_cell_V = None if disconnect_V is None else disconnect_V / bank.cells_in_series
    at_20_h_Ah = capacity_at_20_h(bank.chemistry, bank.capacity_Ah, bank.capacity_rate_h)
    return System(
        bank_V=bank.voltage_V,
        chemistry=bank.chemistry,
        unit_V=bank.unit_voltage_V,
        unit_Ah=bank.unit_capacity_Ah,
        units_in_series=bank.units_in_series,
        bank_strings=bank.strings_in_parallel,
        reserve_soc=bank.reserve_soc,
        temperature_C=temperature_C,
        string_A=string_A,
        strings=array.strings_in_parallel if array else 0,
        cells=bank.cells_in_series,
        rating_20_h=1.0 if at_20_h_Ah is None else at_20_h_Ah / bank.capacity_Ah,
        cut_off_soc=nature.cut_off(bank.chemistry, cut_cell_V),
        charging_V=charging_V,
        converts=converts,
    )


def nights(charge_Ah: float, load_Ah: float, gives_Ah: float = 0.0) -> float | None:
    """Days and nights until so much charge is gone; None where the array keeps up.

    What the array gives counts with the losses in wire and bank (SAND87-7023, secondary source).
    """
    lacking_Ah = load_Ah - gives_Ah * sizing.WIRE_EFFICIENCY * sizing.BATTERY_EFFICIENCY
    return max(0.0, charge_Ah) / lacking_Ah if lacking_Ah > 0 else None


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
