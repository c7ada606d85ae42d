"""`nightbank now` for a person. Pure."""

from __future__ import annotations

from collections.abc import Callable
from datetime import tzinfo
from typing import Any

from monitor.alarms.standing import standing_text, standing_words
from monitor.alarms.telling import clock_words
from monitor.bank.charge_words import charge_words
from monitor.present import TIME_UNKNOWN
from monitor.quantities import QUANTITIES, Fault, Stage
from monitor.records import parse_iso, to_datetime

DECIMALS = {"W": 0, "°C": 1}
"""Digits after the point on a terminal where two would be more than anybody reads (our choice)."""


def in_words(document: dict[str, Any], zone: tzinfo) -> str:
    """The document of `present` for a person with a lamp in the other hand: aligned, with ages."""
    now_ms = parse_iso(document["time"])

    def local(moment: str) -> str:
        return clock_words(parse_iso(moment), now_ms, zone)

    today = f"{to_datetime(now_ms).astimezone(zone):%-d %b %Y %H:%M}"
    lines = [f"{document['site']}, {today}", "", _bank_line(document, local)]
    if not document["time_known"]:
        lines[0] = f"{document['site']}, time not known yet, {today} at the earliest"
        lines.insert(1, f"{TIME_UNKNOWN} 'nightbank clock' or the page's Care takes it.")
    if document["capacity_test"] is not None:
        lines.insert(-1, document["capacity_test"]["text"])
    if document["basis"]:
        lines += ["It rests on:", *(f"  - {words}" for words in document["basis"])]
    lines.append("")
    width = max((len(_label(name)) for name in document["quantities"]), default=0)
    for name, row in document["quantities"].items():
        value = "no value" if row["value"] is None else _value_words(name, row["value"], row["unit"])
        lines.append(
            f"  {_label(name):<{width}}  {value:>12}  {_age_words(row)}{_last_words(name, row, local)}"
        )
    if document["dark"] is not None:
        lines += ["", document["dark"]["text"]]
    raised = [alarm for alarm in document["alarms"] if alarm["stands"]]
    lines += ["", *(f"ALARM {_standing(alarm, local)}: {_text(alarm)}" for alarm in raised)]
    if not raised:
        lines.append("No alarm.")
    lines += [
        f"Shelved until {local(alarm['shelved_until'])}: {alarm['text'] or alarm['name']}"
        for alarm in document["alarms"]
        if alarm["shelved_until"] is not None
    ]
    for device in document["devices"]:
        line = f"{device['name']}: {device['state']} since {local(device['since'])} on {device['connection']}"
        said = device["remark"] if device["state"] == "answering" else device["last_error"]
        lines.append(f"{line} ({said})" if said else line)
    return "\n".join(lines)


def _label(name: str) -> str:
    return QUANTITIES[name].label or name


def _standing(alarm: dict[str, Any], local: Callable[[str], str]) -> str:
    return standing_words(alarm["state"], local(alarm["since"]), first_out=alarm["first_out"])


def _text(alarm: dict[str, Any]) -> str:
    return standing_text(alarm["name"], alarm["state"], alarm["text"])


def _bank_line(document: dict[str, Any], local: Callable[[str], str]) -> str:
    before = document["soc_before"]
    if before is not None:
        charge = charge_words(before["soc"], before["soc_sd"])
        return f"State of charge not known now; at {local(before['time'])} it was {charge}."
    stage = f"stage {document['stage']}" if document["stage"] else "stage unknown"
    charge = charge_words(document["soc"], document["soc_sd"])
    return f"State of charge {charge}{'' if charge == 'unknown' else ', 19 times in 20'}; {stage}."


def _value_words(name: str, value: float, unit: str) -> str:
    if name == "charge_stage":
        return Stage(int(value)).name.lower()
    if name == "fault_bits":
        return ", ".join(str(flag.name).lower() for flag in Fault(int(value))) or "none"
    if QUANTITIES[name].is_share:
        return f"{100 * value:.0f} %"
    if name == "unseen_load_A":
        return f"about {value:.1f} {unit}"
    return f"{value:z.{DECIMALS.get(unit, 2)}f} {unit}"


def _last_words(name: str, row: dict[str, Any], local: Callable[[str], str]) -> str:
    """The last good value of a quantity that has none now."""
    if "last" not in row:
        return ""
    last = row["last"]
    return f"; last {_value_words(name, last['value'], row['unit'])} at {local(last['time'])}"


def _age_words(row: dict[str, Any]) -> str:
    age = _ago(row["age_s"])
    words = age if row["quality"] == "good" else f"{age}, {row['quality'].upper()}"
    return f"{words}: {row['reason']}" if "reason" in row else words


def _ago(age_s: float) -> str:
    """'12 s ago' in the largest unit that still tells; a stamp ahead of the clock says so."""
    for unit, length_s in (("d", 86_400), ("h", 3600), ("min", 60)):
        if abs(age_s) >= 2 * length_s:
            return f"{abs(age_s) / length_s:.0f} {unit} {'ago' if age_s > 0 else 'ahead'}"
    return f"{age_s:.0f} s ago"
