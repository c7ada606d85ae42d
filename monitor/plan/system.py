"""Bank and array as they are or might become, and how many nights a charge lasts. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from monitor.plan import nature, sizing
from monitor.site.chemistry import capacity_at_20_h
from monitor.site.model import Chemistry, Site
from monitor.sun.expected import CONVERTER_EFFICIENCY


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
