"""What the bank shows now, as one plain document: for `nightbank now`, and later for other programs."""

from __future__ import annotations

from typing import Any

from monitor.clock import Clock
from monitor.quantities import QUANTITIES, Fault, Stage
from monitor.records import AlarmState, DeviceHealth, Quality, Reading, iso_utc
from monitor.site.model import Site
from monitor.store.base import StoreReader

STALE_AFTER_S = 300.0
"""Older than this a value is history and not the present (our choice: five of the usual commits)."""


def present(site: Site, reader: StoreReader, clock: Clock) -> dict[str, Any]:
    """The document of `nightbank now --json`.

    A quantity that several devices give is taken from the best-ranked one whose value is good and fresh,
    else from the newest. quality is good, suspect, missing or stale. soc, soc_sd and stage are None where
    unknown or stale.
    """
    now_ms = clock.now_ms()
    chosen = _one_each(reader.latest(), now_ms)
    quantities = {
        name: _quantity(chosen[name], now_ms)
        for name in QUANTITIES
        if name in chosen and not name.startswith("state_of_charge")
    }
    stage = _fresh(chosen, "charge_stage", now_ms)
    return {
        "time": iso_utc(now_ms),
        "site": site.site.name,
        "quantities": quantities,
        "soc": _fresh(chosen, "state_of_charge", now_ms),
        "soc_sd": _fresh(chosen, "state_of_charge_sd", now_ms),
        "stage": None if stage is None else Stage(int(stage)).name.lower(),
        "alarms": [_alarm(state) for state in reader.alarms()],
        "devices": [_device(health) for health in reader.health()],
    }


def _one_each(latest: list[Reading], now_ms: int) -> dict[str, Reading]:
    """One reading a quantity: the first good and fresh one in rank order, else the newest."""
    chosen: dict[str, Reading] = {}
    for reading in latest:
        held = chosen.get(reading.quantity)
        if held is None or (
            not _usable(held, now_ms) and (_usable(reading, now_ms) or reading.time_ms > held.time_ms)
        ):
            chosen[reading.quantity] = reading
    return chosen


def _usable(reading: Reading, now_ms: int) -> bool:
    return reading.quality is Quality.GOOD and now_ms - reading.time_ms <= STALE_AFTER_S * 1000


def _fresh(chosen: dict[str, Reading], quantity: str, now_ms: int) -> float | None:
    reading = chosen.get(quantity)
    return reading.value if reading is not None and _usable(reading, now_ms) else None


def _quantity(reading: Reading, now_ms: int) -> dict[str, Any]:
    age_s = round((now_ms - reading.time_ms) / 1000, 1)
    quality = reading.quality.name.lower()
    if reading.quality is Quality.GOOD and not _usable(reading, now_ms):
        quality = "stale"
    row: dict[str, Any] = {
        "value": None if reading.value is None else float(f"{reading.value:.6g}"),
        "unit": QUANTITIES[reading.quantity].unit,
        "age_s": age_s,
        "quality": quality,
        "device": reading.device,
    }
    if reading.reason:
        row["reason"] = reading.reason
    return row


def _alarm(state: AlarmState) -> dict[str, Any]:
    return {
        "name": state.name,
        "state": state.state,
        "since": iso_utc(state.since_ms),
        "priority": state.priority,
        "text": state.text,
    }


def _device(health: DeviceHealth) -> dict[str, Any]:
    return {
        "name": health.device,
        "connection": health.connection,
        "state": health.state,
        "since": iso_utc(health.since_ms),
        "last_good": None if health.last_good_ms is None else iso_utc(health.last_good_ms),
        "round_trip_ms": health.round_trip_ms,
        "polls": health.polls,
        "errors": dict(health.errors),
        "last_error": health.last_error,
    }


def in_words(document: dict[str, Any]) -> str:
    """The same document for a person with a lamp in the other hand: aligned lines, ages, plain words."""
    lines = [f"{document['site']}, {document['time']}", "", _bank_line(document), ""]
    width = max((len(name) for name in document["quantities"]), default=0)
    for name, row in document["quantities"].items():
        lines.append(f"  {name:<{width}}  {_value_words(name, row):>12}  {_age_words(row)}")
    raised = [alarm for alarm in document["alarms"] if alarm["state"] in ("active", "clearing")]
    lines += ["", *(f"ALARM since {alarm['since']}: {alarm['text']}" for alarm in raised)]
    if not raised:
        lines.append("No alarm.")
    for device in document["devices"]:
        line = f"{device['name']}: {device['state']} since {device['since']} on {device['connection']}"
        lines.append(f"{line} ({device['last_error']})" if device["state"] != "answering" else line)
    return "\n".join(lines)


def _bank_line(document: dict[str, Any]) -> str:
    stage = f"stage {document['stage']}" if document["stage"] else "stage unknown"
    if document["soc"] is None or document["soc_sd"] is None:
        return f"State of charge unknown; {stage}."
    return f"State of charge {document['soc']:.0%} ± {2 * document['soc_sd']:.0%} (95 % band); {stage}."


def _value_words(name: str, row: dict[str, Any]) -> str:
    if row["value"] is None:
        return "no value"
    if name == "charge_stage":
        return Stage(int(row["value"])).name.lower()
    if name == "fault_bits":
        return ", ".join(str(flag.name).lower() for flag in Fault(int(row["value"]))) or "none"
    if name == "conversion_efficiency":
        return f"{row['value']:.0%}"
    return f"{row['value']:.2f} {row['unit']}"


def _age_words(row: dict[str, Any]) -> str:
    age = f"{row['age_s']:.0f} s ago" if row["age_s"] < 600 else f"{row['age_s'] / 60:.0f} min ago"
    words = age if row["quality"] == "good" else f"{age}, {row['quality'].upper()}"
    return f"{words}: {row['reason']}" if "reason" in row else words
