"""The outlook as a JSON document: for `nightbank outlook --json`, the store's note, page and alarms."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from monitor.outlook.answer import Band, Outlook
from monitor.outlook.words import helps, sentence
from monitor.records import iso_utc


def document(outlook: Outlook, zone: ZoneInfo) -> dict[str, Any]:
    """Times in ISO UTC, charges and probabilities 0..1, unknown is None; zone is for the sentence alone."""
    return {
        "at": iso_utc(outlook.at_ms),
        "sunset": _time(outlook.sunset_ms),
        "sunrise": _time(outlook.sunrise_ms),
        "array_helps_from": _time(outlook.helps_ms),
        "soc": round(outlook.soc_now, 4),
        "reserve_soc": outlook.reserve_soc,
        "soc_min": _band(outlook.soc_min, 4),
        "battery_voltage_min_V": _band(outlook.voltage_min_V, 3),
        "charge_used_Ah": _band(outlook.used_Ah, 2),
        "low_at": iso_utc(outlook.low_ms),
        "crosses_reserve_probability": round(outlook.crosses_reserve_probability, 3),
        "crosses_disconnect_probability": _rounded(outlook.crosses_disconnect_probability, 3),
        "reserve_at": _time(outlook.reserve_ms),
        "hours_left": _rounded(outlook.hours_left, 1),
        "wet_days_left": outlook.wet_days_left,
        "sentence": sentence(outlook, zone),
        "basis": list(outlook.basis),
        "switch_off": [
            {
                "branch": relief.branch,
                "loads": list(relief.loads),
                "power_W": round(relief.power_W, 1),
                "lasts": helps(relief),
                "crosses_reserve_probability": round(relief.crosses_reserve_probability, 3),
                "crosses_disconnect_probability": _rounded(relief.crosses_disconnect_probability, 3),
            }
            for relief in outlook.switch_off
        ],
        "course": [
            {
                "time": iso_utc(point.time_ms),
                "soc": _band(point.soc, 4),
                "battery_voltage_V": _band(point.voltage_V, 3),
            }
            for point in outlook.course
        ],
        "days": [
            {
                "from": iso_utc(day.start_ms),
                "soc_min": _band(day.soc_min, 4),
                "soc_end": _band(day.soc_end, 4),
                "array_gives_Wh": None if day.gives_Wh is None else _band(day.gives_Wh, 0),
                "charge_used_Ah": _band(day.used_Ah, 1),
                "crosses_reserve_probability": round(day.crosses_reserve_probability, 3),
            }
            for day in outlook.days
        ],
    }


def _band(band: Band, digits: int) -> dict[str, float]:
    return {
        "p10": round(band.p10, digits),
        "p50": round(band.p50, digits),
        "p90": round(band.p90, digits),
    }


def _time(time_ms: int | None) -> str | None:
    return None if time_ms is None else iso_utc(time_ms)


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
