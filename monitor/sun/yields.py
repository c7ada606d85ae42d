"""Yields and performance ratio, as IEC 61724-1 defines them. Pure.

    reference yield   Yr = Hi / 1 kW/m²      Hi: light on the array's plane [kWh/m²]
    array yield       YA = EA / P0           EA: energy from the array [kWh], P0: rated power [kW]
    final yield       Yf = Eout / P0         Eout: energy that was used [kWh]
    performance ratio PR = Yf / Yr

all yields in hours (kWh/kW). A small site has no irradiance sensor: its reference yield is what the sky
allowed as the array itself saw it, a clear sky's light times the clear-sky index. What a full bank left
unused lowers array yield and ratio without anything being wrong; `array_ratio_free` leaves those hours out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

STANDARD_W_M2 = 1000.0

By = Literal["day", "week", "month"]


@dataclass(frozen=True, slots=True)
class Energies:
    """What a span of time brought; None where it is unknown.

    light_Wh_m2 fell on the array's plane; harvest_Wh came from the array; used_Wh was used.
    free_light_Wh_m2 and free_harvest_Wh are the part of the steps in which the bank took all.
    """

    light_Wh_m2: float | None
    harvest_Wh: float | None
    used_Wh: float | None
    free_light_Wh_m2: float | None = None
    free_harvest_Wh: float | None = None


@dataclass(frozen=True, slots=True)
class Yields:
    """Yields [h], the losses between them [h] and the ratios; None where a part is unknown."""

    reference_h: float | None
    array_h: float | None
    final_h: float | None
    capture_loss_h: float | None
    system_loss_h: float | None
    performance_ratio: float | None
    array_ratio: float | None
    array_ratio_free: float | None


def yields(energies: Energies, power_W: float) -> Yields:
    """The yields of an array with a rated power. Raises ValueError unless that is positive."""
    if power_W <= 0:
        raise ValueError(f"the array's rated power must be positive, got {power_W} W")
    reference_h = _over(energies.light_Wh_m2, STANDARD_W_M2)
    array_h, final_h = _over(energies.harvest_Wh, power_W), _over(energies.used_Wh, power_W)
    free_h = _over(energies.free_light_Wh_m2, STANDARD_W_M2)
    return Yields(
        reference_h,
        array_h,
        final_h,
        _less(reference_h, array_h),
        _less(array_h, final_h),
        _over(final_h, reference_h),
        _over(array_h, reference_h),
        _over(_over(energies.free_harvest_Wh, power_W), free_h),
    )


def period_of(day: date, by: By) -> date:
    """The first day of the period in which a day lies; weeks begin on Monday (ISO 8601)."""
    if by == "week":
        return day - timedelta(days=day.weekday())
    return day.replace(day=1) if by == "month" else day


def together(parts: Sequence[Energies]) -> Energies:
    """The energies of some days as one. A kind that is unknown on a day counts there with nothing, and is
    unknown where no day knows it; light and harvest count only on days that know both."""
    both = [part for part in parts if part.light_Wh_m2 is not None and part.harvest_Wh is not None]
    return Energies(
        _sum(part.light_Wh_m2 for part in both),
        _sum(part.harvest_Wh for part in both),
        _sum(part.used_Wh for part in both),
        _sum(part.free_light_Wh_m2 for part in both),
        _sum(part.free_harvest_Wh for part in both),
    )


def _sum(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) if known else None


def _over(value: float | None, by: float | None) -> float | None:
    return None if value is None or by is None or by <= 0 else value / by


def _less(value: float | None, other: float | None) -> float | None:
    return None if value is None or other is None else value - other
