"""The document of `nightbank season --json`. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from typing import TYPE_CHECKING, Any

from monitor.array_look import Found
from monitor.records import iso_utc
from monitor.season.alarms import Raised
from monitor.season_report import Season
from monitor.site.model import Site

if TYPE_CHECKING:
    from monitor.sun.findings import Finding


def season_document(site: Site, season: Season) -> dict[str, Any]:
    """The document of `nightbank season --json`: unknown is null, fractions 0..1, days local, times UTC."""
    lowest = season.lowest
    return {
        "site": site.site.name,
        "made": iso_utc(season.made_ms),
        "from": season.first.isoformat(),
        "to": season.last.isoformat(),
        "watched": _plain(asdict(season.watched)),
        "bank": {
            "reserve_soc": season.reserve,
            "lowest_soc": None if lowest is None else lowest.soc_min,
            "lowest_soc_sd": None if lowest is None else lowest.soc_sd,
            "lowest_soc_day": None if lowest is None else lowest.first.isoformat(),
            "nights": None if season.nights is None else asdict(season.nights),
            "full": None if season.fulls is None else _plain(asdict(season.fulls)),
            "in_Ah": season.moved.in_Ah,
            "out_Ah": season.moved.out_Ah,
            "in_Wh": season.moved.in_Wh,
            "out_Wh": season.moved.out_Wh,
            "covered_h": season.moved.covered_s / 3600,
            "full_cycles": season.cycles,
            "voltage_V": None if season.voltage_V is None else _plain(asdict(season.voltage_V)),
            "temperature_C": None if season.temperature_C is None else _plain(asdict(season.temperature_C)),
        },
        "alarms": [_alarm(each) for each in season.alarms],
        "dark": [{"time": iso_utc(event.time_ms), "text": event.text} for event in season.dark],
        "done": {
            "acts": [
                {"kind": a.kind, "times": a.times, "last": iso_utc(a.last_ms)} for a in season.done.acts
            ],
            "water_L": season.done.water_L,
            "water_entries_without_amount": season.done.without_amount,
            "seen_to_equalize": [day.isoformat() for day in season.done.equalized],
        },
        "array": _plain(asdict(season.gave)),
        "findings": None if season.findings is None else [_finding(each) for each in season.findings],
        "looked": None if season.looked is None else season.looked.isoformat(),
        "due": list(season.tasks),
        "cut": list(season.cut),
    }


def _alarm(each: Raised) -> dict[str, Any]:
    return {
        "name": each.name,
        "priority": each.priority,
        "times": each.times,
        "last": iso_utc(each.last_ms),
        "hours": each.hours,
        "stands": each.stands,
    }


def _finding(each: Finding | Found) -> dict[str, Any]:
    return {
        "kind": str(each.kind),
        "start": iso_utc(each.start_ms),
        "end": None if each.end_ms is None else iso_utc(each.end_ms),
        "size": each.size,
        "confidence": each.confidence,
    }


def _plain(value: Any) -> Any:
    """A document's part with its dates as text."""
    if isinstance(value, dict):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(each) for each in value]
    return value.isoformat() if isinstance(value, date) else value
