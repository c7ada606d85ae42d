"""What is looked for, and how devices usually write it.

All numbers here are our choice. They say what is common in the trade's devices as far as anyone knows (no
source), never what one device does, and only weigh what the display leaves open.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Sought:
    """One quantity that a display may show.

    low and high bound what is plausible. spread is the span over which a value may lie that nothing is known
    about, moved the one over which it may have gone since the last look: both say how much a match is worth.
    slack is how far it may go within the display's lag, as a share of itself, at least slack_least.
    """

    unit: str
    low: float
    high: float
    spread: float
    moved: float
    slack: float
    slack_least: float
    rests: float
    """How often it shows the same at two looks."""


SOUGHT: dict[str, Sought] = {
    "battery_voltage_V": Sought("V", 5, 70, 6, 0.8, 0.02, 0.2, 0.25),
    "charge_current_A": Sought("A", -2, 200, 8, 4, 0.4, 0.3, 0.3),
    "battery_current_A": Sought("A", -300, 300, 8, 4, 0.4, 0.3, 0.2),
    "array_voltage_V": Sought("V", -1, 400, 30, 8, 0.08, 0.5, 0.25),
    "array_current_A": Sought("A", -1, 200, 8, 4, 0.4, 0.3, 0.3),
    "array_power_W": Sought("W", -5, 10_000, 150, 80, 0.4, 2.0, 0.25),
    "load_current_A": Sought("A", -200, 200, 5, 3, 0.4, 0.3, 0.35),
    "battery_temperature_C": Sought("°C", -40, 80, 25, 4, 0.0, 0.1, 0.25),
    "controller_temperature_C": Sought("°C", -40, 110, 30, 8, 0.0, 0.2, 0.2),
    "energy_today_Wh": Sought("Wh", 0, 60_000, 800, 300, 0.001, 1.0, 0.2),
    "state_of_charge_percent": Sought("%", 0, 100, 50, 6, 0.0, 0.5, 0.35),
}

SCALES: dict[str, Mapping[float, float]] = {
    "V": {0.1: 0.35, 0.01: 0.45, 0.001: 0.12, 1.0: 0.08},
    "A": {0.1: 0.3, 0.01: 0.45, 0.001: 0.18, 1.0: 0.07},
    "W": {1.0: 0.45, 0.1: 0.28, 0.01: 0.18, 0.001: 0.06, 10.0: 0.03},
    "°C": {0.1: 0.45, 1.0: 0.4, 0.01: 0.12, 0.001: 0.03},
    "Wh": {1.0: 0.4, 10.0: 0.25, 0.1: 0.1, 100.0: 0.1, 1000.0: 0.05, 0.01: 0.05, 0.001: 0.05},
    "%": {1.0: 0.78, 0.1: 0.12, 0.01: 0.06, 0.001: 0.04},
}
"""How a whole number counts, with how common that is."""

FLOAT_SCALES: dict[str, Mapping[float, float]] = {
    "Wh": {1.0: 0.72, 1000.0: 0.23, 0.001: 0.05},
    "%": {1.0: 0.9, 100.0: 0.05, 0.001: 0.05},
    "W": {1.0: 0.94, 0.001: 0.05, 1000.0: 0.01},
}
USUAL_FLOAT_SCALES: Mapping[float, float] = {1.0: 0.95, 0.001: 0.05}

POINT_SCALES: Mapping[str, Mapping[float, float]] = {
    "W": {1.0: 0.9, 1000.0: 0.09, 0.001: 0.01},
    "Wh": {1.0: 0.55, 1000.0: 0.44, 0.001: 0.01},
    "%": {1.0: 0.95, 100.0: 0.05},
    "°C": {1.0: 1.0},
}
USUAL_POINT_SCALES: Mapping[float, float] = {1.0: 0.98, 0.001: 0.02}
"""A number in a line of text that has its point already is in its unit, or in a thousand of them."""

ENCODINGS: dict[str, Mapping[str, float]] = {
    "V": {"word": 0.76, "pair": 0.12, "float": 0.11, "half": 0.01},
    "A": {"word": 0.74, "pair": 0.14, "float": 0.11, "half": 0.01},
    "W": {"word": 0.5, "pair": 0.38, "float": 0.115, "half": 0.005},
    "°C": {"word": 0.66, "pair": 0.04, "float": 0.1, "half": 0.2},
    "Wh": {"word": 0.42, "pair": 0.46, "float": 0.115, "half": 0.005},
    "%": {"word": 0.66, "pair": 0.04, "float": 0.1, "half": 0.2},
}
"""One register, two, a float in two, or half of one: how common each is."""

OFFSETS: Mapping[float, float] = {
    -40.0: 0.3,
    -50.0: 0.15,
    -30.0: 0.08,
    -100.0: 0.12,
    -20.0: 0.05,
    -25.0: 0.04,
    -60.0: 0.03,
    -273.15: 0.13,
    -273.0: 0.05,
    -273.1: 0.02,
    -128.0: 0.03,
}
"""Where an unsigned temperature may begin, °C at raw 0; Kelvin among them."""

OFFSET_SHARE = 0.22
"""So many unsigned temperatures begin elsewhere than at zero."""

FAHRENHEIT_SHARE = 0.005
FAHRENHEIT_SCALE, FAHRENHEIT_OFFSET = 5 / 9, -160 / 9

ABSENT = 0.22
"""So many quantities that a display shows are in no register."""

HALF_SCALES: Mapping[float, float] = {1.0: 0.95, 0.1: 0.05}


def scales(unit: str, kind: str) -> Mapping[float, float]:
    """In what a number of a unit counts, by the kind of column that holds it."""
    if kind == "half":
        return HALF_SCALES
    if kind == "point":
        return POINT_SCALES.get(unit, USUAL_POINT_SCALES)
    return FLOAT_SCALES.get(unit, USUAL_FLOAT_SCALES) if kind == "float" else SCALES[unit]


NAMES: Mapping[str, str] = {
    "battery_voltage_V": "battery voltage",
    "charge_current_A": "charge current",
    "battery_current_A": "battery current",
    "array_voltage_V": "array voltage",
    "array_current_A": "array current",
    "array_power_W": "array power",
    "load_current_A": "load current",
    "battery_temperature_C": "battery temperature",
    "controller_temperature_C": "controller temperature",
    "energy_today_Wh": "energy today",
    "state_of_charge_percent": "state of charge",
}
"""How a person is told of a quantity."""
