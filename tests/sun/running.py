"""The site step by step: light to array, array through the controller to bank and loads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tests.banks.charger import ChargeController, Flow
from tests.banks.consumption import Consumption
from tests.sun.clearsky import Floats
from tests.sun.panels import Curves, Strings
from tests.sun.plant import Plant
from tests.sun.records import Weather

DIODE_V = 0.4
"""Between array and bank of a PWM controller (our choice)."""

LEAST_OVER_V = 1.0
"""Small MPPT controllers only step down, the array must stand above (common practice, no source)."""

CASE_H = 0.4
"""Time constant of the controller's case (our choice)."""

DEAD_V = {"lifepo4": 2.6, "flooded": 1.7, "agm": 1.7}


@dataclass(frozen=True, slots=True)
class Drive:
    """What reaches the array at each moment, faults worked in.

    light_W_m2 is what the cells see; strings and connected tell the wiring. hot_from_C: above it the
    controller passes DERATE_PER_C less of the array's rated current for each degree. case_K: the controller's
    heat over air at full current.
    """

    light_W_m2: Floats
    strings: tuple[Strings, ...]
    connected: np.ndarray
    hot_from_C: Floats
    case_K: Floats


DERATE_PER_C = 0.05
"""Share of the array's rated current for each degree too hot (our choice)."""

NEVER_HOT_C = 200.0


class Instant(NamedTuple):
    """What was true at one moment. potential_W: what the array would have given to a bank that takes all."""

    battery_V: float
    bank_A: float
    charge_A: float
    metered_A: float
    battery_C: float
    case_C: float
    array_V: float
    array_A: float
    array_W: float
    potential_W: float
    stage: str
    held: bool


def run(plant: Plant, weather: Weather, drive: Drive) -> list[Instant]:
    """The course of the whole record, one Instant a moment of the weather."""
    bank = plant.bank()
    consumption = Consumption(plant.uses, f"{weather.name}/{plant.seed}/use")
    controller = ChargeController(plant.charger, plant.rated_Ah, bank.cells)
    hours = weather.step_s / 3600
    local = weather.times.tz_convert(weather.time_zone)
    clock_h = (local.hour + local.minute / 60).to_numpy()
    volts, dead, case_C = bank.voltage_V(0.0), False, float(weather.air_C[0])
    course = []
    for at in range(len(weather.times)):
        air_C = float(weather.air_C[at])
        lit = float(drive.light_W_m2[at])
        curves = _curves(plant, drive, at, lit, air_C)
        metered_W, straight_W = consumption.powers_W(int(weather.day_of[at]), float(clock_h[at]))
        dead = volts < (DEAD_V[plant.chemistry] + (0.15 if dead else 0.0)) * bank.cells
        metered_A = metered_W / volts if controller.load_on and not dead else 0.0
        straight_A = straight_W / volts if not dead else 0.0
        best_V, best_W = curves.best() if curves is not None and lit > 1 else (0.0, 0.0)
        offered_A = min(plant.rating_A, _offered_A(plant, curves, best_V, best_W, volts))
        too_hot_K = case_C - float(drive.hot_from_C[at])
        if too_hot_K > 0:
            offered_A = min(offered_A, plant.most_A * max(0.0, 1 - DERATE_PER_C * too_hot_K))
        flow = controller.balance(bank, offered_A, metered_A + straight_A)
        bank.step(flow.bank_A, hours, air_C)
        controller.advance(hours, flow, offered_A > 0, bank.temperature_C)
        volts = flow.voltage_V
        array_V, array_A, array_W = _array(plant, curves, best_V, best_W, flow)
        potential_W = (
            array_W if not flow.held else _potential_W(plant, curves, best_V, best_W, offered_A, volts)
        )
        case_goal = air_C + float(drive.case_K[at]) * flow.charge_A / plant.rating_A
        case_C += (case_goal - case_C) * min(1.0, hours / CASE_H)
        course.append(
            Instant(
                volts,
                flow.bank_A,
                flow.charge_A,
                metered_A,
                bank.temperature_C,
                case_C,
                array_V,
                array_A,
                array_W,
                max(potential_W, array_W),
                controller.stage,
                flow.held,
            )
        )
    return course


def _curves(plant: Plant, drive: Drive, at: int, lit: float, air_C: float) -> Curves | None:
    if not drive.connected[at] or lit <= 0.2:
        return None
    cell_C = air_C + plant.heating * lit
    return Curves(plant.series, drive.strings[at], *plant.panel.curve(plant.condition * lit, cell_C))


def _offered_A(plant: Plant, curves: Curves | None, best_V: float, best_W: float, bank_V: float) -> float:
    """Most current the array could send into the bank's voltage."""
    if curves is None or best_W <= 0:
        return 0.0
    if plant.kind == "pwm":
        return curves.current_A(bank_V + DIODE_V)
    if best_V < bank_V + LEAST_OVER_V:
        least_V = bank_V + LEAST_OVER_V
        best_W = least_V * curves.current_A(least_V)
    return max(0.0, best_W * plant.efficiency - plant.own_W) / bank_V


def _array(
    plant: Plant, curves: Curves | None, best_V: float, best_W: float, flow: Flow
) -> tuple[float, float, float]:
    """Voltage, current and power of the array as they stand."""
    if curves is None:
        return 0.0, 0.0, 0.0
    if flow.charge_A <= 0:
        return curves.open_V, 0.0, 0.0
    if plant.kind == "pwm":
        straight_V = flow.voltage_V + DIODE_V
        whole_A = curves.current_A(straight_V)
        on = min(1.0, flow.charge_A / whole_A) if whole_A > 0 else 1.0
        return on * straight_V + (1 - on) * curves.open_V, flow.charge_A, flow.charge_A * straight_V
    power_W = (flow.charge_A * flow.voltage_V + plant.own_W) / plant.efficiency
    if power_W >= 0.998 * best_W:
        return best_V, best_W / best_V, best_W
    array_V = curves.voltage_for(power_W, best_V)
    return array_V, power_W / array_V, power_W


def _potential_W(
    plant: Plant, curves: Curves | None, best_V: float, best_W: float, offered_A: float, bank_V: float
) -> float:
    """The array's power had the bank taken all that was offered at this voltage."""
    if curves is None:
        return 0.0
    if plant.kind == "pwm":
        return offered_A * (bank_V + DIODE_V)
    return min(best_W, (offered_A * bank_V + plant.own_W) / plant.efficiency)
