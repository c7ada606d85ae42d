"""The documents for other programs: what the store knows as plain data, ready for JSON.

Quantities are named as everywhere, their units in the name; times are UTC, fractions 0..1; what is not known
is null. Asks the store; raises StoreError.
"""

from __future__ import annotations

from typing import Any

from dashboard.asked import AskedDays, AskedRange
from dashboard.days import Span, take_each_day
from dashboard.snapshot import outlook_of
from monitor.alarm_words import history_document, list_document
from monitor.alarms.rules import rules_of
from monitor.present import basis_of, device_row, reading_row, standing_now, told_of
from monitor.quantities import unit_of
from monitor.records import Bucket, iso_utc
from monitor.site.load import with_defaults
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.steps import CODES

MOST_CHANGES = 1000
"""So many changes of alarms are answered at a time (our choice)."""

ENTRY_KEYS = (
    "index",
    "variability",
    "scale",
    "unused_sd_Wh",
    "reference_yield_h",
    "array_yield_h",
    "final_yield_h",
    "performance_ratio",
    "array_ratio",
    "array_ratio_free",
)
"""What only a judged day has, named as in `nightbank days --json`."""


def latest_document(site: Site, reader: StoreReader) -> dict[str, Any]:
    """What stands now: each quantity's reading with its age and quality, and how the devices answer."""
    standing = standing_now(site, reader)
    described = {device.name for device in site.devices}
    return {
        "time": iso_utc(standing.now.time_ms),
        "time_known": standing.now.is_known,
        "site": site.site.name,
        "quantities": {
            name: {"time": iso_utc(reading.time_ms)}
            | reading_row(reading, standing.looks[name], standing.now.time_ms)
            for name, reading in standing.readings.items()
            if name in told_of(site)
        },
        "stage": standing.stage,
        "basis": list(basis_of(reader)) if standing.live("state_of_charge") is not None else [],
        "devices": [device_row(health) for health in reader.health() if health.device in described],
    }


def range_document(reader: StoreReader, asked: AskedRange) -> dict[str, Any]:
    """A quantity over time: minimum, mean and maximum of each bucket, and where no reading came.

    buckets is an iterator: two thousand of them at once would be a megabyte that stays with the process.
    """
    series = reader.series(asked.quantity, asked.start_ms, asked.end_ms, asked.points)
    return {
        "quantity": asked.quantity,
        "unit": unit_of(asked.quantity),
        "from": iso_utc(asked.start_ms),
        "to": iso_utc(asked.end_ms),
        "buckets": (_bucket(bucket, asked.quantity) for bucket in series.buckets),
        "gaps": [{"from": iso_utc(start_ms), "to": iso_utc(end_ms)} for start_ms, end_ms in series.gaps],
    }


def _bucket(bucket: Bucket, quantity: str) -> dict[str, Any]:
    return {
        "from": iso_utc(bucket.start_ms),
        "to": iso_utc(bucket.end_ms),
        "count": bucket.count,
        "min": _short(bucket.minimum),
        "mean": None if quantity in CODES else _short(bucket.mean),
        "max": _short(bucket.maximum),
    }


def days_document(site: Site, reader: StoreReader, asked: AskedDays) -> dict[str, Any]:
    """What each local day brought. judged tells whether its sky is worked out yet (after midnight)."""
    span = Span(asked.first, asked.last)
    return {
        "from": asked.first.isoformat(),
        "to": asked.last.isoformat(),
        "time_zone": site.site.time_zone,
        "days": [
            {
                "date": row.first.isoformat(),
                "read": row.days > 0,
                "judged": entry is not None,
                "sky": None if row.sky == "none" else row.sky,
                "harvest_Wh": _short(row.harvest_Wh),
                "clear_sky_Wh": _short(row.clear_sky_Wh),
                "unused_Wh": _short(row.unused_Wh),
                "used_Wh": _short(row.used_Wh),
                "battery_voltage_min_V": _short(row.voltage_min_V),
                "lowest_soc": _short(row.soc_min),
                "full": None if row.full_days is None else row.full_days > 0,
            }
            | {key: (entry or {}).get(key) for key in ENTRY_KEYS}
            for row, entry in take_each_day(reader, site, span)
        ],
    }


def outlook_document(reader: StoreReader) -> dict[str, Any] | None:
    """The newest outlook as it is stored, None where none was made; `at` says of when it is."""
    found = outlook_of(reader)
    return None if found is None else dict(found)


def alarms_document(site: Site, reader: StoreReader, history: tuple[int, int] | None) -> dict[str, Any]:
    """The alarms' states, standing ones first, and their changes in a span, newest first.

    complete is whether all changes of the span are among them.
    """
    rules = rules_of(with_defaults(site)[0])
    document: dict[str, Any] = {"alarms": list_document(reader.alarms(), rules)}
    if history is not None:
        changes = reader.transitions(*history, MOST_CHANGES + 1)
        document["changes"] = history_document(changes[:MOST_CHANGES])
        document["complete"] = len(changes) <= MOST_CHANGES
    return document


def _short(value: float | None) -> float | None:
    """Without the digits that a float adds and no meter has."""
    return None if value is None else float(f"{value:.7g}")
