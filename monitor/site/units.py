"""Values a person plausibly typed in another unit: percent, mV, mA, mAh, kW, minutes, milliseconds.

`unit_advice` is asked where a value lies outside its limits. It answers only where the converted value lies
inside the key's own usual span, so that a plain typing error gets no wrong advice. Imports nothing of the
project.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Slip:
    """A unit someone may have typed instead: value · factor + shift must lie in [low, high]."""

    words: str
    factor: float
    low: float
    high: float
    shift: float = 0.0


def _milli(unit: str, low: float, high: float) -> Slip:
    return Slip(unit, 0.001, low, high)


def _percent(low: float, high: float) -> Slip:
    return Slip("percent", 0.01, low, high)


_BANK_mV = (_milli("mV", 5, 70),)
_CURRENT_mA = (_milli("mA", 0.05, 300),)
_POWER_kW = Slip("kW", 1000, 1, 20000)

SLIPS: dict[str, tuple[Slip, ...]] = {
    "latitude_deg": (Slip("minutes of arc", 1 / 60, 10, 90), Slip("minutes of arc", 1 / 60, -90, -10)),
    "longitude_deg": (Slip("minutes of arc", 1 / 60, 10, 180), Slip("minutes of arc", 1 / 60, -180, -10)),
    "altitude_m": (Slip("feet", 0.3048, -430, 6000), Slip("centimetres", 0.01, -430, 6000)),
    "coldest_C": (Slip("kelvin", 1, -70, 30, shift=-273.15), Slip("°F", 5 / 9, -70, 30, shift=-160 / 9)),
    "unit_voltage_V": (_milli("mV", 1.2, 60),),
    "unit_capacity_Ah": (_milli("mAh", 0.5, 5000),),
    "capacity_rate_h": (Slip("minutes", 1 / 60, 1, 240),),
    "reserve_soc": (_percent(0.05, 0.99),),
    "panel_power_W": (_POWER_kW, _milli("mW", 1, 1000)),
    "panel_voc_V": (_milli("mV", 1, 120),),
    "panel_vmp_V": (_milli("mV", 1, 120),),
    "panel_isc_A": _CURRENT_mA,
    "panel_imp_A": _CURRENT_mA,
    "power_temperature_coefficient_per_C": (_percent(-0.006, -0.0015), Slip("a fall", -1, -0.006, -0.0015)),
    "rating_A": _CURRENT_mA,
    "array_voltage_limit_V": (_milli("mV", 5, 1000), Slip("kV", 1000, 5, 1000)),
    "absorption_V": _BANK_mV,
    "float_V": _BANK_mV,
    "equalization_V": _BANK_mV,
    "disconnect_V": _BANK_mV,
    "reconnect_V": _BANK_mV,
    "supply_ends_V": _BANK_mV,
    "absorption_h": (Slip("minutes", 1 / 60, 0.25, 12),),
    "tail_current_fraction": (_percent(0.001, 0.2),),
    "hours_per_day": (Slip("minutes", 1 / 60, 0, 24),),
    "power_W": (_POWER_kW, _milli("mW", 0.01, 20000)),
    "monitor_power_W": (_milli("mW", 0.1, 50),),
    "voltage_step_V": (_milli("mV", 0.0005, 1),),
    "current_step_A": (_milli("mA", 0.0005, 1),),
    "voltage_gain_tolerance": (_percent(0.0005, 0.05),),
    "current_gain_tolerance": (_percent(0.0005, 0.1),),
    "current_offset_tolerance_A": (_milli("mA", 0, 5),),
    "every_s": (_milli("milliseconds", 0.2, 3600),),
    "night_every_s": (_milli("milliseconds", 1, 60),),
    "low_every_s": (_milli("milliseconds", 1, 60),),
    "timeout_s": (_milli("milliseconds", 0.05, 30),),
    "commit_every_s": (_milli("milliseconds", 1, 3600),),
}


def voc_coefficient_slips(panel_voc_V: float | None) -> tuple[Slip, ...]:
    """Units in which plates give the fall of Voc; those in volts need the panel's Voc to convert."""
    low, high = -0.0045, -0.0020  # crystalline silicon -0.27 to -0.33 % per °C, with room on both sides
    slips = [_percent(low, high), Slip("a fall", -1, low, high), Slip("a fall in percent", -0.01, low, high)]
    if panel_voc_V:
        slips.append(Slip("V per °C of the panel", 1 / panel_voc_V, low, high))
        slips.append(Slip("mV per °C of the panel", 0.001 / panel_voc_V, low, high))
    return tuple(slips)


def compensation_slips(cells: int | None) -> tuple[Slip, ...]:
    """Units in which controllers give temperature compensation; per cell needs the cells in series."""
    count = cells or 6
    low, high = -0.0065 * count, -0.0015 * count
    slips = [Slip("mV per °C", 0.001, low, high), Slip("a fall", -1, low, high)]
    slips.append(Slip("a fall in mV per °C", -0.001, low, high))
    if cells:
        slips.append(Slip("mV per °C and cell", 0.001 * cells, low, high))
        slips.append(Slip("V per °C and cell", cells, low, high))
    return tuple(slips)


def advice_from(slips: tuple[Slip, ...], value: float) -> str:
    """'looks like percent: write 0.5', or '' where no slip fits."""
    for slip in slips:
        converted = value * slip.factor + slip.shift
        if slip.low <= converted <= slip.high:
            if slip.words.startswith("a fall"):
                return f"looks like {slip.words} without its sign: write {converted:.5g}"
            return f"looks like {slip.words}: write {converted:.5g}"
    return ""


def unit_advice(key: str, value: float, panel_voc_V: float | None = None, cells: int | None = None) -> str:
    """Advice on a value outside its limits; key is the last part of its path."""
    if key == "voc_temperature_coefficient_per_C":
        return advice_from(voc_coefficient_slips(panel_voc_V), value)
    if key == "temperature_compensation_V_per_C":
        return advice_from(compensation_slips(cells), value)
    return advice_from(SLIPS.get(key, ()), value)
