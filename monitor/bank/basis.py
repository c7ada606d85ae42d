"""What an estimate rests on, in words for the person. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.quantities import Stage
from monitor.records import HOUR_MS

DARK_TOLD_MS = 48 * HOUR_MS
"""A time without readings is told for two days after it (our choice)."""

COARSE_V_PER_CELL = 0.008
"""A voltmeter with steps above it widens the band: 0.05 V on 12 V (our choice)."""


@dataclass(frozen=True, slots=True)
class Ground:
    """What the words are made from. metered: 'net', 'charge and load', 'charge and some loads', 'charge' or
    'nothing'.

    told is the controller's own stage, contradicts the one that the readings have shown instead for long.
    """

    metered: str
    full_age_ms: int | None
    age_ms: int
    dark_h: float
    dark_age_ms: int | None
    temperature_known: bool
    load_meter_silent: bool
    voltage_step_V: float
    cells: int
    told: Stage | None = None
    contradicts: Stage | None = None
    idle_in_daylight: bool = False


METERED = {
    "net": "a shunt sees every current",
    "charge and load": "charge and loads are metered, what bypasses the controller is assumed",
    "charge and some loads": "loads wired straight to the bank are not metered: band wider",
    "charge": "loads not metered: band wider",
    "nothing": "no current is read: band much wider",
}


def words(ground: Ground) -> tuple[str, ...]:
    """The list, most important first."""
    said = []
    if ground.full_age_ms is None:
        said.append(f"no full charge seen in {_span(ground.age_ms)}")
    else:
        said.append(f"full seen {_ago(ground.full_age_ms)}")
    if ground.dark_age_ms is not None and ground.dark_age_ms <= DARK_TOLD_MS:
        said.append(f"restarted after {ground.dark_h:.0f} h dark" if ground.dark_h >= 1 else "a short gap")
    said.append(METERED[ground.metered])
    if ground.load_meter_silent:
        said.append("the load meter shows nothing any more")
    if ground.told is not None and ground.contradicts is not None:
        told, seen = ground.told.name.lower(), ground.contradicts.name.lower()
        said.append(f"the controller says {told}, the readings look like {seen}")
    if ground.idle_in_daylight:
        said.append("light on the array and no charge")
    if not ground.temperature_known:
        said.append("no bank temperature: 20 °C assumed")
    if ground.voltage_step_V > COARSE_V_PER_CELL * ground.cells:
        said.append(f"voltage in steps of {ground.voltage_step_V:g} V")
    return tuple(said)


def _span(age_ms: int) -> str:
    hours = age_ms / HOUR_MS
    if hours < 1:
        return "the first hour"
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} days"


def _ago(age_ms: int) -> str:
    return "within the hour" if age_ms < HOUR_MS else f"{_span(age_ms)} ago"
