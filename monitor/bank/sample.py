"""What the estimator takes and gives: one sample of measurements, one estimate of the bank."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.quantities import Stage


@dataclass(frozen=True, slots=True)
class BankSample:
    """What was measured at one time; None where a quantity is not known or not fresh.

    battery_current_A is the net current into the bank, seen by a shunt; charge_current_A what the controller
    gives to the bank side; load_current_A what flows through its load output. stage is the controller's own
    word.
    """

    time_ms: int
    battery_voltage_V: float | None = None
    battery_current_A: float | None = None
    charge_current_A: float | None = None
    load_current_A: float | None = None
    battery_temperature_C: float | None = None
    array_voltage_V: float | None = None
    array_current_A: float | None = None
    stage: Stage | None = None


@dataclass(frozen=True, slots=True)
class BankEstimate:
    """What is believed of the bank.

    soc and soc_sd (0..1) are None before the first voltage. capacity_Ah is the present true capacity at the
    20-hour rate with its deviation, None as long; unseen_load_A the current that no meter shows, None where
    a shunt sees all. basis lists what the figures rest on, in words for the person. became_full is True for
    the one estimate that newly met the signs of a full bank.
    """

    time_ms: int
    soc: float | None
    soc_sd: float | None
    stage: Stage
    capacity_Ah: float | None
    capacity_sd_Ah: float | None
    unseen_load_A: float | None
    basis: tuple[str, ...]
    became_full: bool = False
