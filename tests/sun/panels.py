"""Current of an array by voltage, light and cell temperature.

One panel's curve is the explicit form of Rauschenbach's handbook of 1980 (from memory):
I = Isc [1 - C1 (exp(V / (C2 Voc)) - 1)], C2 = (Vmp/Voc - 1) / ln(1 - Imp/Isc),
C1 = (1 - Imp/Isc) exp(-Vmp / (C2 Voc)).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

import numpy as np

from tests.sun.clearsky import Floats

ISC_PER_C = 0.0005
"""Crystalline silicon: +0.05 to +0.06 % a degree (secondary source)."""

VMP_PER_C_MORE = 0.0017
"""How much faster Vmp falls with heat than Voc: about -0.4 % of power a °C (common practice, no source)."""

LIGHT_V = 0.045
"""Fall of Voc with the logarithm of light, in Voc: n k T / q of a cell over its 0.62 V (from memory)."""

LEAST_LIGHT = 1e-4


@dataclass(frozen=True, slots=True)
class Panel:
    """Rated values of one panel."""

    power_W: float
    voc_V: float
    isc_A: float
    vmp_V: float
    imp_A: float
    cells: int
    voc_per_C: float
    diodes: int  # bypass diodes, each over as many cells

    def curve(self, light_W_m2: float, cell_C: float) -> tuple[float, float, float, float]:
        """Isc, Voc, C1 and C2 Voc at this light and temperature."""
        g, warmer = max(LEAST_LIGHT, light_W_m2 / 1000), cell_C - 25
        isc = self.isc_A * g * (1 + ISC_PER_C * warmer)
        dim = 1 + LIGHT_V * log(g)
        voc = self.voc_V * max(0.05, (1 + self.voc_per_C * warmer) * dim)
        vmp = self.vmp_V / self.voc_V * voc * (1 - VMP_PER_C_MORE * warmer)
        rest = 1 - self.imp_A / self.isc_A
        c2_voc = (vmp - voc) / log(rest)
        return isc, voc, rest * exp(-vmp / c2_voc), c2_voc


@dataclass(frozen=True, slots=True)
class Strings:
    """What of the array is connected at a moment.

    good strings as built; weak ones whose voltage is vshare of a good one's. Light falls alike on all.
    """

    good: int
    weak: int = 0
    vshare: float = 1.0


@dataclass(frozen=True, slots=True)
class Curves:
    """An array's curve at one moment."""

    series: int
    strings: Strings
    isc_A: float
    voc_V: float
    c1: float
    c2_voc_V: float

    def current_A(self, volts: float) -> float:
        """Array current at that array voltage; diodes in each string let none flow back."""
        found = self.strings.good * self._string_A(volts / self.series)
        if self.strings.weak:
            found += self.strings.weak * self._string_A(volts / self.series / self.strings.vshare)
        return found

    def _string_A(self, panel_V: float) -> float:
        if panel_V >= self.voc_V:
            return 0.0
        return max(0.0, self.isc_A * (1 - self.c1 * (exp(panel_V / self.c2_voc_V) - 1)))

    @property
    def open_V(self) -> float:
        if self.strings.good:
            return self.series * self.voc_V
        return self.series * self.voc_V * (self.strings.vshare if self.strings.weak else 0.0)

    def best(self) -> tuple[float, float]:
        """Voltage and power of the best point, the highest of all."""
        if self.open_V == 0:
            return 0.0, 0.0
        volts = np.linspace(0.35, 1.0, 66) * self.open_V
        powers = volts * self._currents_A(volts)
        top = int(powers.argmax())
        if 0 < top < len(volts) - 1:  # a parabola through the three highest
            low, mid, high = powers[top - 1 : top + 2]
            bend = low - 2 * mid + high
            shift = 0.5 * (low - high) / bend if bend < 0 else 0.0
            best_V = float(volts[top] + shift * (volts[1] - volts[0]))
            return best_V, float(best_V * self.current_A(best_V))
        return float(volts[top]), float(powers[top])

    def _currents_A(self, volts: Floats) -> Floats:
        def string_A(panel_V: Floats) -> Floats:
            amps = self.isc_A * (1 - self.c1 * np.expm1(np.minimum(panel_V / self.c2_voc_V, 500)))
            return np.where(panel_V >= self.voc_V, 0.0, np.maximum(amps, 0.0))

        found = self.strings.good * string_A(volts / self.series)
        if self.strings.weak:
            found = found + self.strings.weak * string_A(volts / self.series / self.strings.vshare)
        return found

    def voltage_for(self, power_W: float, best_V: float) -> float:
        """Where between best point and open circuit the array gives that power; open_V for none."""
        low, high = best_V, self.open_V
        if power_W <= 0:
            return high
        for _ in range(24):
            middle = (low + high) / 2
            if middle * self.current_A(middle) > power_W:
                low = middle
            else:
                high = middle
        return (low + high) / 2
