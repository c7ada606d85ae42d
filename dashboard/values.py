"""One live value: which reading stands for a quantity, and is it live, stale, suspect or missing. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from dashboard.local import in_form
from dashboard.snapshot import Snapshot
from dashboard.words import STAGE_MEANINGS, age_text, clock_text, shown
from monitor.present import Look
from monitor.quantities import QUANTITIES, Stage
from monitor.records import Quality, Reading
from monitor.site.model import Site

LABELS = {quantity.name: quantity.label for quantity in QUANTITIES.values() if quantity.label}
"""What each quantity is called, in the order in which the closer look offers them."""

MAIN = (
    "battery_voltage_V",
    "battery_current_A",
    "battery_temperature_C",
    "array_power_W",
    "load_power_W",
    "charge_stage",
)
"""What is looked at first, in this order; at level 'charging' the charge current stands for the bank's, and
what the estimator makes of the loads for the load power."""

MORE = tuple(
    name for name in LABELS if name not in (*MAIN, "unseen_load_A", "state_of_charge", "state_of_charge_sd")
)
"""What is there besides, of which anything was ever read; the estimate stands in a place of its own."""


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


def value_of(snapshot: Snapshot, site: Site, quantity: str) -> Value:
    """A quantity as the page shows it now. A stale 'missing' shows the last good value instead, as stale."""
    label = LABELS[quantity]
    now = snapshot.now
    reading = now.standing(site, snapshot.latest, quantity)
    if reading is None:
        return Value(quantity, label, Look.MISSING, None, "—", "", "never read")
    look = now.look_of(site, reading)
    good = snapshot.last_good.get(quantity)
    if reading.value is None and look is Look.STALE and good is not None:
        reading = good
    age = age_text(snapshot.now_ms - reading.time_ms)
    if reading.value is None:
        return Value(
            quantity, label, Look.MISSING, None, "—", age, missing_note(reading, good, snapshot, site)
        )
    note = in_form(reading.reason) if reading.quality is Quality.SUSPECT else meaning(quantity, reading.value)
    return Value(quantity, label, look, reading.value, shown(reading.value, quantity), age, note)


def missing_note(reading: Reading, good: Reading | None, snapshot: Snapshot, site: Site) -> str:
    """Why there is no value, and the last one there was."""
    if good is None or good.value is None:
        return in_form(reading.reason)
    at = clock_text(good.time_ms, snapshot.now_ms, site.site.zone)
    return f"{in_form(reading.reason)}; last {shown(good.value, reading.quantity)} at {at}"


def meaning(quantity: str, value: float) -> str:
    """What a good value means in plain words, '' where the number says it."""
    if quantity == "battery_current_A" and abs(value) >= 0.05:
        return "into the bank" if value > 0 else "out of the bank"
    if quantity == "unseen_load_A":
        return "estimated from how the bank behaves"
    if quantity == "charge_stage" and 0 <= round(value) < len(Stage):
        return STAGE_MEANINGS[Stage(round(value))]
    return ""


def main_quantities(site: Site) -> tuple[str, ...]:
    """What the page shows first at this site: what its metering level cannot see is not promised."""
    level = site.metering.level
    instead = {"battery_current_A": "charge_current_A", "load_power_W": "unseen_load_A"}
    names = [instead.get(name, name) if level == "charging" else name for name in MAIN]
    return tuple(
        name
        for name in names
        if not (level == "shunt" and name == "load_power_W")
        and (site.array is not None or not name.startswith("array_"))
    )


def known(snapshot: Snapshot, quantities: Iterable[str]) -> list[str]:
    """Those of the quantities of which anything was ever read."""
    present = {reading.quantity for reading in snapshot.latest}
    return [quantity for quantity in quantities if quantity in present]
