"""Numbers, ages and times as a person reads them, in the form of their phone (`local`). Pure."""

from __future__ import annotations

import re
from datetime import tzinfo

from dashboard.local import clock, day_text, marked
from monitor.quantities import QUANTITIES, Fault, Stage, unit_of
from monitor.records import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS, to_datetime

TWO_YEARS_MS = 731 * DAY_MS

NOW_WITHIN_MS = 5 * SECOND_MS
"""Younger than one refresh of the page is 'now' (our choice)."""

DECIMALS = {"V": 1, "A": 1, "W": 0, "°C": 1, "Ah": 0}
"""Digits after the point, by unit: what a person reads off, not what the meter resolves (our choice)."""

FRACTIONS = frozenset(quantity.name for quantity in QUANTITIES.values() if quantity.is_share)
"""Quantities that are 0..1 in the store and percent on the page."""

STAGES = {
    Stage.OFF: "not charging",
    Stage.BULK: "bulk",
    Stage.ABSORPTION: "absorption",
    Stage.FLOAT: "float",
    Stage.EQUALIZATION: "equalization",
}

STAGE_MEANINGS = {
    Stage.OFF: "no charge current",
    Stage.BULK: "all that the array gives goes in",
    Stage.ABSORPTION: "voltage held, the current tapers",
    Stage.FLOAT: "kept topped up",
    Stage.EQUALIZATION: "deliberate overcharge to level the cells",
}


def number(value: float, decimals: int) -> str:
    """A number with thousands separated, a true minus and never a minus zero, its marks the phone's."""
    rounded = round(value, decimals)
    if rounded == 0:
        rounded = 0.0
    return marked(f"{rounded:,.{decimals}f}").replace("-", "−")


def percent(fraction: float) -> str:
    """A fraction 0..1 as whole percent."""
    return f"{number(fraction * 100, 0)} %"


def nominal(voltage_V: float) -> str:
    """A bank's nominal voltage as it is called: '12 V', '25.6 V'."""
    return f"{number(voltage_V, 0 if abs(voltage_V - round(voltage_V)) < 0.05 else 1)} V"


def shown(value: float, quantity: str) -> str:
    """A value with its unit as the page prints it: '12.6 V', '+4.2 A' for the net current, 'absorption'."""
    if quantity in FRACTIONS:
        return percent(value)
    if quantity == "charge_stage":
        return STAGES[Stage(round(value))] if 0 <= round(value) < len(Stage) else f"unknown code {value:g}"
    if quantity == "fault_bits":
        return fault_words(round(value))
    unit = unit_of(quantity)
    text = number(value, DECIMALS[unit])
    if quantity == "unseen_load_A":
        return f"about {text} {unit}"
    is_net = quantity in ("battery_current_A", "battery_power_W")
    sign = "+" if is_net and round(value, DECIMALS[unit]) > 0 else ""
    return f"{sign}{text} {unit}"


def fault_words(bits: int) -> str:
    """The faults in a bit field in plain words, 'none' where no bit is set."""
    names = [str(fault.name).lower().replace("_", " ") for fault in Fault if bits & fault]
    return ", ".join(names) or "none"


def span_text(span_ms: float) -> str:
    """A length of time in at most two units: '12 s', '3 min', '6 h 10 min', '3 days'."""
    if span_ms < MINUTE_MS:
        return f"{int(max(span_ms, 0) // SECOND_MS)} s"
    if span_ms < HOUR_MS:
        return f"{int(span_ms // MINUTE_MS)} min"
    if span_ms < 2 * DAY_MS:
        hours, minutes = divmod(int(span_ms // MINUTE_MS), 60)
        return f"{hours} h {minutes} min" if minutes and hours < 24 else f"{hours} h"
    return f"{int(span_ms // DAY_MS)} days"


def age_text(age_ms: float) -> str:
    """How long ago, in one unit: 'now', '12 s ago', '90 min ago', '5 h ago'; or how far ahead."""
    if abs(age_ms) < NOW_WITHIN_MS:
        return "now"
    size_ms, side = abs(age_ms), "ago" if age_ms > 0 else "ahead"
    if size_ms < MINUTE_MS:
        return f"{int(size_ms // SECOND_MS)} s {side}"
    if size_ms < 2 * HOUR_MS:
        return f"{int(size_ms // MINUTE_MS)} min {side}"
    if size_ms < 2 * DAY_MS:
        return f"{int(size_ms // HOUR_MS)} h {side}"
    return f"{int(size_ms // DAY_MS)} days {side}"


def dated_text(time_ms: int, zone: tzinfo) -> str:
    """A moment with its day and year, for a time that may be of any day."""
    return clock_text(time_ms, time_ms + TWO_YEARS_MS, zone)


def clock_text(time_ms: int, now_ms: int, zone: tzinfo) -> str:
    """A local time: '20:31' today, 'Tue 20:31' within six days, else '3 Nov 20:31' or '3 Nov 2025 20:31'."""
    moment, now = to_datetime(time_ms).astimezone(zone), to_datetime(now_ms).astimezone(zone)
    if moment.date() == now.date():
        return clock(moment)
    if 0 < (now.date() - moment.date()).days <= 6:
        return f"{moment:%a} {clock(moment)}"
    return f"{day_text(moment, year=moment.year != now.year)} {clock(moment)}"


def unbroken(text: str) -> str:
    """A text in which no line can end between a number and its unit."""
    return re.sub(r"(?<=\d) (?=(?:V|A|W|Wh|Ah|h|min|s)\b|[%°])", "\N{NO-BREAK SPACE}", text)


def since_text(time_ms: int, now_ms: int, zone: tzinfo) -> str:
    """'since 20:31 (25 min)'."""
    return f"since {clock_text(time_ms, now_ms, zone)} ({lasted_text(time_ms, now_ms)})"


def lasted_text(since_ms: int, now_ms: int) -> str:
    """How long something has lasted: '25 min'; or how far ahead it begins, where a clock is wrong."""
    lasted_ms = now_ms - since_ms
    return span_text(lasted_ms) if lasted_ms > -SECOND_MS else f"{span_text(-lasted_ms)} ahead"
