"""Days of an invented small site whose array follows pvlib's single-diode curve, for the tests of the sun.

The panel's label is what its curve gives; the sky's course, the bank's demand and the
controller are the test's own. Nothing here uses the formulas of `monitor/sun`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from typing import Any

from pvlib.pvsystem import calcparams_desoto, i_from_v, singlediode

from monitor.quantities import Stage
from monitor.sun.day import STEP_S, Clear, Day, Step
from monitor.sun.expected import Supply

A_REF_V, LIGHT_A, SERIES_OHM, SHUNT_OHM = 0.925, 8.6, 0.2, 200.0
"""A panel of 36 cells as a single diode: n k T / q of all cells with n = 1, and resistances of usual size
(our choice)."""

OPEN_V = 22.3
SATURATION_A = LIGHT_A / math.expm1(OPEN_V / A_REF_V)


def _curve(light_W_m2: float, module_C: float) -> tuple[float, ...]:
    found: tuple[float, ...] = calcparams_desoto(
        light_W_m2, module_C, 0.0043, A_REF_V, LIGHT_A, SATURATION_A, SHUNT_OHM, SERIES_OHM
    )
    return found


RATED = singlediode(*_curve(1000.0, 25.0))
"""The panel at standard test conditions: what its label says."""

SUPPLY = Supply(
    latitude_deg=47.0,
    longitude_deg=8.0,
    altitude_m=500.0,
    time_zone="UTC",
    tilt_deg=35.0,
    azimuth_deg=180.0,
    panel_power_W=float(RATED["p_mp"]),
    panel_voc_V=float(RATED["v_oc"]),
    panel_isc_A=float(RATED["i_sc"]),
    panel_vmp_V=float(RATED["v_mp"]),
    panel_imp_A=float(RATED["i_mp"]),
    voc_temperature_coefficient_per_C=-0.0030,
    power_temperature_coefficient_per_C=-0.0040,
    panels_in_series=1,
    strings_in_parallel=2,
    controller="mppt",
    rating_A=30.0,
    array_voltage_limit_V=100.0,
    bank_V=12.0,
    absorption_V=14.4,
)

AIR_C = 15.0
NOON_W_M2 = 950.0
RISE_H, SET_H = 6.0, 18.0

Sky = Callable[[float], float]
"""The true index of light at an hour of the day."""

Demand = Callable[[float], float]
"""What the bank takes at an hour of the day [W]; infinite in bulk."""


def clear_W_m2(hour: float) -> float:
    """A clear sky's light on the array: a half sine from six to six."""
    return NOON_W_M2 * max(0.0, math.sin(math.pi * (hour - RISE_H) / (SET_H - RISE_H)))


@cache
def best(light_W_m2: float, module_C: float) -> tuple[float, float, float]:
    """Voltage, power and open voltage of one panel."""
    if light_W_m2 < 1:
        return 0.0, 0.0, 0.0
    found = singlediode(*_curve(light_W_m2, module_C))
    return float(found["v_mp"]), float(found["p_mp"]), float(found["v_oc"])


def voltage_for(power_W: float, light_W_m2: float, module_C: float) -> float:
    """Where between best point and open circuit one panel gives that power."""
    low, _, high = best(light_W_m2, module_C)
    curve = _curve(light_W_m2, module_C)
    for _ in range(40):
        middle = (low + high) / 2
        if middle * float(i_from_v(middle, *curve)) > power_W:
            low = middle
        else:
            high = middle
    return low


def module_C(light_W_m2: float) -> float:
    return AIR_C + 0.03 * light_W_m2


def sun_day(
    day: date,
    sky: Sky,
    demand: Demand = lambda hour: math.inf,
    *,
    condition: float = 1.0,
    stage: Callable[[float, bool], Stage] | None = None,
    step_s: int = STEP_S,
    battery_C: float | None = AIR_C,
) -> tuple[Day, list[float]]:
    """A day and what the array could have given in each step [W]. condition: what it gives of its rating."""
    start = datetime(day.year, day.month, day.day, tzinfo=UTC)
    start_ms = round(start.timestamp() * 1000)
    clear, steps, could = [], [], []
    for at in range(86_400 // step_s):
        hour = (at + 0.5) * step_s / 3600
        light = clear_W_m2(hour)
        clear_C = module_C(light)
        rated_W = 2 * best(light, clear_C)[1]
        clear.append(
            Clear(
                start_ms + at * step_s * 1000,
                elevation_deg=60 * math.sin(math.pi * (hour - RISE_H) / (SET_H - RISE_H)),
                azimuth_deg=15 * hour,
                beam_W_m2=0.85 * light,
                diffuse_W_m2=0.15 * light,
                module_C=clear_C,
                power_W=rated_W,
                passed_W=rated_W,
            )
        )
        lit = condition * light * sky(hour)
        steps.append(_step(start_ms + at * step_s * 1000, lit, demand(hour), stage, hour, battery_C))
        could.append(2 * best(lit, module_C(lit))[1])
    end_ms = start_ms + 86_400_000
    return Day(day, start_ms, end_ms, step_s, tuple(clear), tuple(steps)), could


def _step(
    start_ms: int,
    light: float,
    demand_W: float,
    stage: Callable[[float, bool], Stage] | None,
    hour: float,
    battery_C: float | None,
) -> Step:
    best_V, best_W, _ = best(light, module_C(light))
    held = demand_W < 2 * best_W
    power_W = min(demand_W, 2 * best_W)
    volts = voltage_for(power_W / 2, light, module_C(light)) if held else best_V
    if stage is not None:
        shown = stage(hour, held)
    else:
        shown = Stage.ABSORPTION if math.isfinite(demand_W) else Stage.BULK if power_W > 0 else Stage.OFF
    bank_V = 14.4 if held else 13.0 if shown is not Stage.ABSORPTION else 14.1
    return Step(
        start_ms,
        1.0,
        power_W=round(power_W, 1),
        power_low_W=round(power_W, 1),
        power_high_W=round(power_W, 1),
        array_voltage_V=round(volts, 2),
        battery_voltage_V=bank_V,
        battery_temperature_C=battery_C,
        stage=shown,
    )


def without(day: Day, *names: str) -> Day:
    """The day with some quantities unread."""
    unread: dict[str, Any] = dict.fromkeys(names)
    return replace(day, steps=tuple(replace(step, **unread) for step in day.steps))


def unused_Wh(day: Day, could: Sequence[float]) -> float:
    """The truth: what could have come and did not."""
    return (
        day.step_s
        / 3600
        * sum(best_W - (step.power_W or 0.0) for best_W, step in zip(could, day.steps, strict=True))
    )


def days_from(first: date, count: int) -> list[date]:
    return [first + timedelta(days=at) for at in range(count)]
