"""The list of sites for a terminal and for programs, from the same rows as the page's. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dashboard.daemon import MARKS, daemon_state
from dashboard.many.rows import Standing, row_of
from monitor.present import Look, held
from monitor.records import iso_utc

QUANTITIES = ("state_of_charge", "state_of_charge_sd")


def in_words(standings: Sequence[Standing]) -> str:
    """The sites for a person: name, what is the matter, sentence, charge, oldest reading."""
    if not standings:
        return "The server knows no site yet."
    lines: list[str] = []
    for each in standings:
        row = row_of(each)
        lines.append(row.name)
        lines += [f"  {MARKS[item.kind]} {item.text}" for item in row.troubles]
        lines.append(f"  {row.sentence}")
        charge = f"Charge {row.charge}." if row.charge else ""
        oldest = f"{row.oldest}." if row.oldest else ""
        if charge or oldest:
            lines.append(f"  {' '.join(filter(None, (charge, oldest)))}")
        lines.append("")
    return "\n".join(lines).rstrip()


def documents(standings: Sequence[Standing], own: Mapping[str, str]) -> list[dict[str, Any]]:
    """The same for programs: fractions 0..1, times in ISO UTC, unknown is None; own are the addresses of
    sites' own pages."""
    return [_document(each, own.get(each.name)) for each in standings]


def _document(standing: Standing, page: str | None) -> dict[str, Any]:
    state, oldest = standing.state, standing.oldest
    row = row_of(standing)
    monitor = None if state.site is None else daemon_state(state.heartbeat, standing.now, state.site)
    return {
        "name": standing.name,
        "need": standing.need.name.lower(),
        "sentence": row.sentence if state.site is not None else None,
        "unknown": state.fault or None,
        **_charge(standing),
        "alarms": [
            {
                "name": alarm.name,
                "state": alarm.state,
                "priority": alarm.priority,
                "since": iso_utc(alarm.raised_ms or alarm.since_ms),
                "text": alarm.text,
            }
            for alarm in state.alarms
            if alarm.stands
        ],
        "monitor": None if monitor is None else str(monitor),
        "oldest_device": None if oldest is None else oldest.device,
        "oldest_reading": None if oldest is None or oldest.time_ms is None else iso_utc(oldest.time_ms),
        "page": page,
    }


def _charge(standing: Standing) -> dict[str, float | None]:
    """The estimated charge where it is of now."""
    state = standing.state
    if state.site is None:
        return {"soc": None, "soc_sd": None}
    latest = held(state.latest)
    found = {name: standing.now.standing(state.site, latest, name) for name in QUANTITIES}
    live = {
        name: reading.value
        for name, reading in found.items()
        if reading is not None and standing.now.look_of(state.site, reading) is Look.LIVE
    }
    return {"soc": live.get(QUANTITIES[0]), "soc_sd": live.get(QUANTITIES[1])}
