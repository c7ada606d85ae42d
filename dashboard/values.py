"""One live value: which reading stands for a quantity, and is it live, stale, suspect or missing. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from zoneinfo import ZoneInfo

from dashboard.snapshot import Snapshot
from dashboard.words import STAGE_MEANINGS, age_text, clock_text, shown
from monitor.quantities import Stage
from monitor.records import Quality, Reading
from monitor.site.model import Site

MISSED_POLLS = 3
"""One lost poll is noise, three are an outage (our choice)."""

SLACK_S = 10.0
"""What a commit and a refresh of the page may take on a busy small computer (our choice)."""

LABELS = {
    "battery_voltage_V": "Bank voltage",
    "battery_current_A": "Bank current",
    "battery_power_W": "Bank power",
    "battery_temperature_C": "Bank temperature",
    "midpoint_voltage_V": "Midpoint voltage",
    "charge_stage": "Charge stage",
    "charge_current_A": "Charge current",
    "charge_power_W": "Charge power",
    "array_power_W": "Array power",
    "array_voltage_V": "Array voltage",
    "array_current_A": "Array current",
    "load_power_W": "Load power",
    "load_current_A": "Load current",
    "conversion_efficiency": "Conversion efficiency",
    "controller_temperature_C": "Controller temperature",
    "fault_bits": "Controller faults",
    "state_of_charge": "Charge",
    "state_of_charge_sd": "Charge, standard deviation",
}

MAIN = (
    "battery_voltage_V",
    "battery_current_A",
    "battery_temperature_C",
    "array_power_W",
    "load_power_W",
    "charge_stage",
)
"""What is looked at first, in this order; at level 'charging' the charge current stands for the bank's."""

MORE = (
    "charge_current_A",
    "charge_power_W",
    "array_voltage_V",
    "array_current_A",
    "load_current_A",
    "battery_power_W",
    "midpoint_voltage_V",
    "conversion_efficiency",
    "controller_temperature_C",
    "fault_bits",
)


PRESENT_S = 60.0
"""Whatever the site polls, a value within the last minute is the present to a person (our choice)."""


class Look(StrEnum):
    """How a value may be taken."""

    LIVE = "live"
    STALE = "stale"
    SUSPECT = "suspect"
    MISSING = "missing"


LOOKS = {Quality.GOOD: Look.LIVE, Quality.SUSPECT: Look.SUSPECT, Quality.MISSING: Look.MISSING}
"""How a fresh reading of each quality looks."""


@dataclass(frozen=True, slots=True)
class Value:
    """One quantity as the page shows it: text with unit ('—' where missing), its age and what to know of it.

    number is the value in the quantity's own unit, None where missing.
    """

    quantity: str
    label: str
    look: Look
    number: float | None
    text: str
    age: str
    note: str = ""


def live_for_ms(site: Site, device: str, pace: float) -> float:
    """How old a device's reading may be and still be the present: a commit interval and three polls."""
    periods = [entry.every_s for entry in site.devices if entry.name == device]
    every_s = max(periods or [entry.every_s for entry in site.devices], default=5.0)
    within_s = site.store.commit_every_s + MISSED_POLLS * every_s + SLACK_S
    return max(within_s, PRESENT_S) * 1000 * pace


def look_of(reading: Reading, snapshot: Snapshot, site: Site) -> Look:
    """How one reading may be taken now. A stamp well ahead of the clock is as little 'now' as an old one."""
    if abs(snapshot.now_ms - reading.time_ms) > live_for_ms(site, reading.device, snapshot.pace):
        return Look.STALE
    return LOOKS[reading.quality]


def standing_reading(snapshot: Snapshot, site: Site, quantity: str) -> Reading | None:
    """The reading that stands for a quantity: live before suspect before missing before stale, then by rank.

    Among stale readings the newest stands.
    """
    readings = [reading for reading in snapshot.latest if reading.quantity == quantity]
    order = [Look.LIVE, Look.SUSPECT, Look.MISSING]
    fresh = [
        (order.index(look), rank)
        for rank, reading in enumerate(readings)
        if (look := look_of(reading, snapshot, site)) is not Look.STALE
    ]
    if fresh:
        return readings[min(fresh)[1]]
    return max(readings, key=lambda reading: reading.time_ms, default=None)


def value_of(snapshot: Snapshot, site: Site, quantity: str) -> Value:
    """A quantity as the page shows it now. A stale 'missing' shows the last good value instead, as stale."""
    label = LABELS[quantity]
    reading = standing_reading(snapshot, site, quantity)
    if reading is None:
        return Value(quantity, label, Look.MISSING, None, "—", "", "never read")
    look = look_of(reading, snapshot, site)
    good = snapshot.last_good.get(quantity)
    if reading.value is None and look is Look.STALE and good is not None:
        reading = good
    age = age_text(snapshot.now_ms - reading.time_ms)
    if reading.value is None:
        return Value(
            quantity, label, Look.MISSING, None, "—", age, missing_note(reading, good, snapshot, site)
        )
    note = reading.reason if reading.quality is Quality.SUSPECT else meaning(quantity, reading.value)
    return Value(quantity, label, look, reading.value, shown(reading.value, quantity), age, note)


def missing_note(reading: Reading, good: Reading | None, snapshot: Snapshot, site: Site) -> str:
    """Why there is no value, and the last one there was."""
    if good is None or good.value is None:
        return reading.reason
    at = clock_text(good.time_ms, snapshot.now_ms, ZoneInfo(site.site.time_zone))
    return f"{reading.reason}; last {shown(good.value, reading.quantity)} at {at}"


def meaning(quantity: str, value: float) -> str:
    """What a good value means in plain words, '' where the number says it."""
    if quantity == "battery_current_A" and abs(value) >= 0.05:
        return "into the bank" if value > 0 else "out of the bank"
    if quantity == "charge_stage" and 0 <= round(value) < len(Stage):
        return STAGE_MEANINGS[Stage(round(value))]
    return ""


def main_quantities(site: Site) -> tuple[str, ...]:
    """What the page shows first at this site: what its metering level cannot see is not promised."""
    level = site.metering.level
    unseen = {"charging": {"battery_current_A", "load_power_W"}, "shunt": {"load_power_W"}}.get(level, set())
    names = ["charge_current_A" if name == "battery_current_A" and name in unseen else name for name in MAIN]
    return tuple(
        name
        for name in names
        if name not in unseen and (site.array is not None or not name.startswith("array_"))
    )


def known(snapshot: Snapshot, quantities: Iterable[str]) -> list[str]:
    """Those of the quantities of which anything was ever read."""
    present = {reading.quantity for reading in snapshot.latest}
    return [quantity for quantity in quantities if quantity in present]
