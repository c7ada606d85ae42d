"""Signs of the bank: what shipped rules judge beyond stored quantities, from the values fresh now. Pure.

Each sign takes the values by quantity that are fresh (`sampling.PresentView.values`) and gives what it shows,
None where it cannot tell. Slower signs are in `slow_signs.py`, those of the computer in `computer.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import exp, isfinite, log1p

from monitor.alarms.seen import Seen
from monitor.bank.cell import ACTIVATION_CURRENT, EMPTY_KNEE, stiffness
from monitor.bank.description import BankDescription
from monitor.bank.priors import PRIORS
from monitor.bank.setpoints import REFERENCE_C
from monitor.bank.tables import freezing_point_at_C
from monitor.site.chemistry import USUAL

VOLTAGE, NET, TEMPERATURE = "battery_voltage_V", "battery_current_A", "battery_temperature_C"
CHARGE, CHARGE_SD = "state_of_charge", "state_of_charge_sd"

UNKNOWN_CHARGE = 0.5
"""The charge taken for the resistance where none is estimated (our choice)."""

UNKNOWN_TEMPERATURE_C = 0.0
"""Where the bank's temperature is not measured it may be so cold, and a compensating controller so much
higher (our choice: taken as at 25 °C, a cool shed's every absorption would be an over-voltage)."""

COLDEST_LITHIUM_CHARGE_C = 0.0
"""LiFePO4 must not be charged below: lithium plates (battery makers' sheets, read as others quote them)."""

CHARGED_FROM = 0.001
"""A current above this share of the capacity in an hour, and above what the meters are off by, charges the
bank (our choice: less than any array gives in daylight)."""

Values = Mapping[str, float]


def load_drop_V(bank: BankDescription, out_A: float, temperature_C: float, soc: float) -> float:
    """How far a discharge of out_A pulls the bank's voltage down at once.

    The bank's resistance and the logarithmic part of its drop, at the medians of `bank/priors.py`, by the
    form of `bank/cell.py: answer` without its slow part: what hours of load take is not given back here.
    """
    priors = PRIORS[bank.chemistry]
    current = out_A / bank.capacity_Ah
    ohm = exp(priors.ln_ohm_out[0]) + exp(priors.ln_low_knee[0]) / (max(soc, 0.0) + EMPTY_KNEE)
    activation_V = exp(priors.ln_activation_V[0]) * log1p(current / ACTIVATION_CURRENT)
    return bank.cells * stiffness(temperature_C) * (ohm * current + activation_V)


def unloaded_voltage(bank: BankDescription, now: Values) -> Seen | None:
    """The bank's voltage with the present load's drop added back; the plain voltage where no net current is
    known or none flows out."""
    voltage_V, net_A = now.get(VOLTAGE), now.get(NET)
    if voltage_V is None:
        return None
    values = {VOLTAGE: voltage_V, NET: net_A}
    if net_A is None or net_A >= 0:
        return Seen(voltage_V, f"the bank stands at {voltage_V:.2f} V", values)
    soc = now.get(CHARGE, UNKNOWN_CHARGE)
    drop_V = load_drop_V(bank, -net_A, now.get(TEMPERATURE, REFERENCE_C), soc)
    words = (
        f"the bank stands at {voltage_V:.2f} V while it gives {-net_A:.1f} A, without that load at about"
        f" {voltage_V + drop_V:.2f} V"
    )
    return Seen(voltage_V + drop_V, words, values)


def disconnect_margin(bank: BankDescription, now: Values) -> Seen | None:
    """How far the bank's voltage, load and all, stands above the controller's disconnect: it goes by that."""
    voltage_V = now.get(VOLTAGE)
    if voltage_V is None or bank.disconnect_V is None:
        return None
    net_A = now.get(NET)
    margin_V = voltage_V - bank.disconnect_V
    side = "above" if margin_V >= 0 else "below"
    words = (
        f"the bank stands at {voltage_V:.2f} V, {abs(margin_V):.2f} V {side} the {bank.disconnect_V:.2f} V at"
        " which the controller switches the loads off"
    )
    return Seen(margin_V, words, {VOLTAGE: voltage_V, NET: net_A})


def over_voltage(bank: BankDescription, now: Values) -> Seen | None:
    """How far the bank's voltage stands above the highest set point at its temperature.

    That is equalization's where the chemistry may be equalized, for a controller does not always tell when it
    is; else absorption's. Where no temperature is known the bank may be at UNKNOWN_TEMPERATURE_C.
    """
    voltage_V, temperature_C = now.get(VOLTAGE), now.get(TEMPERATURE)
    if voltage_V is None or not isfinite(bank.set_points.absorption_V):
        return None
    points = bank.set_points.at(UNKNOWN_TEMPERATURE_C if temperature_C is None else temperature_C)
    equalized = USUAL[bank.chemistry].equalization is not None
    highest_V = max(points.absorption_V, (points.equalization_V or 0.0) if equalized else 0.0)
    at = (
        f" if it is {UNKNOWN_TEMPERATURE_C:.0f} °C cold"
        if temperature_C is None
        else f" at {temperature_C:z.0f} °C"
    )
    words = f"the bank stands at {voltage_V:.2f} V, its highest set point{at} is {highest_V:.2f} V"
    return Seen(voltage_V - highest_V, words, {VOLTAGE: voltage_V, TEMPERATURE: temperature_C})


def charge_at_most(bank: BankDescription, now: Values) -> Seen | None:
    """The charge plus one standard deviation: below it five times in six, if errors are normal."""
    soc, sd = now.get(CHARGE), now.get(CHARGE_SD)
    if soc is None or sd is None:
        return None
    low, high = 100 * max(0.0, soc - sd), 100 * (soc + sd)
    words = f"about {100 * soc:.0f} % of the charge is left, most likely {low:.0f} to {high:.0f} %"
    return Seen(soc + sd, words, {CHARGE: soc, CHARGE_SD: sd})


def charging_A(bank: BankDescription, now: Values) -> float | None:
    """The current into the bank, 0 where it is too small to tell, None where it is unknown."""
    into_A = now.get(NET, now.get("charge_current_A"))
    if into_A is None:
        return None
    least_A = bank.meters.current_offset_tolerance_A + 2 * bank.meters.current_step_A
    return into_A if into_A > max(least_A, CHARGED_FROM * bank.capacity_Ah) else 0.0


def coldest_charge_C(bank: BankDescription, now: Values) -> float | None:
    """The coldest at which the bank may be charged: 0 °C, or where its electrolyte begins to freeze."""
    return COLDEST_LITHIUM_CHARGE_C if bank.chemistry == "lifepo4" else _freezes_C(now)


def _freezes_C(now: Values) -> float | None:
    """Freezing point at the lower end of the charge (one standard deviation), weakest usual acid.

    Valve-regulated batteries, for which no curve is published here, have acid at least as strong.
    """
    soc, sd = now.get(CHARGE), now.get(CHARGE_SD)
    return None if soc is None or sd is None else freezing_point_at_C(max(0.0, soc - sd))


def cold_charging(bank: BankDescription, now: Values) -> Seen | None:
    """How far a bank that is being charged is above the coldest at which it may be."""
    temperature_C, into_A, limit_C = now.get(TEMPERATURE), charging_A(bank, now), coldest_charge_C(bank, now)
    if temperature_C is None or into_A is None or limit_C is None:
        return None
    why = "below which it must not be" if bank.chemistry == "lifepo4" else "where its electrolyte may freeze"
    words = f"the bank is charged with {into_A:.1f} A at {temperature_C:z.1f} °C; {limit_C:.0f} °C is {why}"
    values = {TEMPERATURE: temperature_C, "into_A": into_A, CHARGE: now.get(CHARGE)}
    return Seen(temperature_C - limit_C, words, values, applies=into_A > 0)


def freezing_margin(bank: BankDescription, now: Values) -> Seen | None:
    """How far the bank is above the freezing point of its electrolyte."""
    temperature_C, freezes_C = now.get(TEMPERATURE), _freezes_C(now)
    if temperature_C is None or freezes_C is None or bank.chemistry == "lifepo4":
        return None
    held = f"{temperature_C:z.1f} °C with {100 * now[CHARGE]:.0f} % charge"
    words = f"the bank is at {held}; the electrolyte may freeze at {freezes_C:z.0f} °C"
    return Seen(temperature_C - freezes_C, words, {TEMPERATURE: temperature_C, CHARGE: now[CHARGE]})


SIGNS: dict[str, Callable[[BankDescription, Values], Seen | None]] = {
    "unloaded_voltage_V": unloaded_voltage,
    "disconnect_margin_V": disconnect_margin,
    "over_voltage_V": over_voltage,
    "charge_at_most": charge_at_most,
    "cold_charging_C": cold_charging,
    "freezing_margin_C": freezing_margin,
}
"""The signs that are judged with every new reading of the bank's voltage."""
