"""The panels: a one-diode model from the values every data sheet prints.

I = Isc (1 - exp((V + I Rs - Voc) / a)); a and Rs follow from Voc, Isc, Vmp, Imp and from the power's being at
its maximum there. Derived here from the one-diode equation without shunt resistance.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

ISC_TEMPERATURE_COEFFICIENT_PER_C = 0.0005  # crystalline silicon: 0.05 to 0.06 % a degree (secondary source)
STC_IRRADIANCE_W_M2 = 1000.0
STC_TEMPERATURE_C = 25.0
DARK_W_M2 = 0.05  # our choice: below this the array gives nothing


@dataclass(frozen=True, slots=True)
class ArraySettings:
    """The scenario's [array] table; electrical values of one panel at standard test conditions."""

    panel_power_W: float
    panel_voc_V: float
    panel_isc_A: float
    panel_vmp_V: float
    panel_imp_A: float
    voc_temperature_coefficient_per_C: float
    power_temperature_coefficient_per_C: float
    panels_in_series: int
    strings_in_parallel: int
    tilt_deg: float
    azimuth_deg: float
    noct_C: float


@dataclass(frozen=True, slots=True)
class ArrayPoint:
    """A working point of the whole array."""

    voltage_V: float
    current_A: float

    @property
    def power_W(self) -> float:
        return self.voltage_V * self.current_A


@dataclass(frozen=True, slots=True)
class Light:
    """What the array could do in the present light: its best point and its voltage without current."""

    irradiance_W_m2: float
    cell_C: float
    best: ArrayPoint
    open_V: float


def cell_temperature_C(air_C: float, irradiance_W_m2: float, noct_C: float) -> float:
    """Ta + (NOCT - 20) / 800 G. Source: Ross 1981, the NOCT formula (as in pvlib)."""
    return air_C + (noct_C - 20.0) / 800.0 * irradiance_W_m2


class Array:
    """Panels in series and strings in parallel, all alike and evenly lit."""

    def __init__(self, settings: ArraySettings) -> None:
        """Raises ValueError where the data-sheet values contradict one another."""
        self.settings = settings
        voc, isc, vmp, imp = (
            settings.panel_voc_V,
            settings.panel_isc_A,
            settings.panel_vmp_V,
            settings.panel_imp_A,
        )
        if not (voc / 2 < vmp < voc and 0 < imp < isc):
            raise ValueError(
                f"array: needs panel_voc_V/2 < panel_vmp_V < panel_voc_V and panel_imp_A < panel_isc_A, "
                f"got Voc {voc:g}, Vmp {vmp:g}, Isc {isc:g}, Imp {imp:g}; copy them from one data sheet"
            )
        ratio = log(1 - imp / isc)
        self.a_V = (2 * vmp - voc) / (imp / (isc - imp) + ratio)
        self.series_ohm = max(0.0, (voc - vmp + self.a_V * ratio) / imp)
        self._share = imp / isc
        self._power_correction_per_C = 0.0
        hot, stc = STC_TEMPERATURE_C + 20, STC_TEMPERATURE_C
        ours = (self._best(1000.0, hot).power_W / self._best(1000.0, stc).power_W - 1) / (hot - stc)
        self._power_correction_per_C = settings.power_temperature_coefficient_per_C - ours

    def light(self, irradiance_W_m2: float, air_C: float) -> Light:
        """What is possible at an irradiance and an air temperature."""
        cell_C = cell_temperature_C(air_C, irradiance_W_m2, self.settings.noct_C)
        best = self.maximum_power(irradiance_W_m2, cell_C)
        return Light(irradiance_W_m2, cell_C, best, self.open_circuit_V(irradiance_W_m2, cell_C))

    def maximum_power(self, irradiance_W_m2: float, cell_C: float) -> ArrayPoint:
        """The point of highest power."""
        if irradiance_W_m2 < DARK_W_M2:
            return ArrayPoint(0.0, 0.0)
        return self._scaled(self._best(irradiance_W_m2, cell_C))

    def open_circuit_V(self, irradiance_W_m2: float, cell_C: float) -> float:
        """Voltage without current; 0 in the dark."""
        if irradiance_W_m2 < DARK_W_M2:
            return 0.0
        return max(0.0, self._voc_V(irradiance_W_m2, cell_C)) * self.settings.panels_in_series

    def at_voltage(self, voltage_V: float, irradiance_W_m2: float, cell_C: float) -> ArrayPoint:
        """The point at a voltage someone else holds; current never negative (blocking diode)."""
        if irradiance_W_m2 < DARK_W_M2:
            return ArrayPoint(0.0, 0.0)
        panel_V = voltage_V / self.settings.panels_in_series
        light, voc = self._light_A(irradiance_W_m2, cell_C), self._voc_V(irradiance_W_m2, cell_C)
        if panel_V >= voc:
            return self._scaled(ArrayPoint(voc, 0.0))
        low, high = 0.0, 1 - 1e-12
        for _ in range(40):
            share = (low + high) / 2
            if voc + self.a_V * log(1 - share) - share * light * self.series_ohm > panel_V:
                low = share
            else:
                high = share
        return self._scaled(ArrayPoint(panel_V, low * light))

    def at_power(self, power_W: float, irradiance_W_m2: float, cell_C: float) -> ArrayPoint:
        """The point above the best voltage where a throttling controller takes just power_W.

        The best point itself where the array has no more.
        """
        best = self.maximum_power(irradiance_W_m2, cell_C)
        if power_W >= best.power_W:
            return best
        panels = self.settings.panels_in_series * self.settings.strings_in_parallel
        wanted = max(0.0, power_W) / panels
        light, voc = self._light_A(irradiance_W_m2, cell_C), self._voc_V(irradiance_W_m2, cell_C)
        share = wanted / (light * voc)
        for _ in range(8):  # power is concave in the current: Newton comes from below and never overshoots
            falling = share * light * self.series_ohm
            power = share * light * (voc + self.a_V * log(1 - share) - falling)
            slope = light * (voc + self.a_V * (log(1 - share) - share / (1 - share)) - 2 * falling)
            step = (wanted - power) / slope if slope > 1e-9 else 0.0
            share += step
            if abs(step) < 1e-9:
                break
        return self._scaled(
            ArrayPoint(voc + self.a_V * log(1 - share) - share * light * self.series_ohm, share * light)
        )

    def irradiance_for(self, power_W: float, air_C: float) -> float:
        """The irradiance at which the array's best power is power_W: the way back from a power record."""
        if power_W <= 0:
            return 0.0
        settings = self.settings
        rated = settings.panel_power_W * settings.panels_in_series * settings.strings_in_parallel
        low, high = 0.0, 4000.0
        guess = min(high, 1000.0 * power_W / rated)
        for _ in range(12):
            power = self.maximum_power(guess, cell_temperature_C(air_C, guess, settings.noct_C)).power_W
            if power < power_W:
                low = guess
            else:
                high = guess
            following = guess * power_W / power if power > 0 else (low + high) / 2
            if abs(following - guess) < 1e-6 * guess:
                return following
            guess = following if low < following < high else (low + high) / 2
        return guess

    def _light_A(self, irradiance_W_m2: float, cell_C: float) -> float:
        delta = cell_C - STC_TEMPERATURE_C
        correction = 1 + (ISC_TEMPERATURE_COEFFICIENT_PER_C + self._power_correction_per_C) * delta
        return self.settings.panel_isc_A * irradiance_W_m2 / STC_IRRADIANCE_W_M2 * correction

    def _voc_V(self, irradiance_W_m2: float, cell_C: float) -> float:
        settings = self.settings
        warm = settings.panel_voc_V * (
            1 + settings.voc_temperature_coefficient_per_C * (cell_C - STC_TEMPERATURE_C)
        )
        return max(1e-3, warm + self.a_V * log(irradiance_W_m2 / STC_IRRADIANCE_W_M2))

    def _best(self, irradiance_W_m2: float, cell_C: float) -> ArrayPoint:
        light, voc = self._light_A(irradiance_W_m2, cell_C), self._voc_V(irradiance_W_m2, cell_C)
        fall = 2 * light * self.series_ohm
        a = self.a_V
        share = self._share  # warm start: the last best point
        for _ in range(30):
            rest = 1 - share
            slope = voc + a * (log(rest) - share / rest) - fall * share
            curve = -a * (1 / rest + 1 / rest**2) - fall
            following = share - slope / curve
            if following >= 1:
                following = (1 + share) / 2
            elif following <= 0:
                following = share / 2
            if abs(following - share) < 1e-10:
                share = following
                break
            share = following
        self._share = share
        return ArrayPoint(voc + a * log(1 - share) - share * light * self.series_ohm, share * light)

    def _scaled(self, panel: ArrayPoint) -> ArrayPoint:
        settings = self.settings
        return ArrayPoint(
            panel.voltage_V * settings.panels_in_series, panel.current_A * settings.strings_in_parallel
        )
