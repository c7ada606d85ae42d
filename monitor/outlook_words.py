"""`nightbank outlook` for a person: the sentence, the night's figures, the course by the hour, the days."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from monitor.outlook.answer import Band, Outlook
from monitor.outlook.make import MOST_WET_DAYS
from monitor.outlook.words import clock, helps, sentence
from monitor.records import to_datetime

UNKNOWN = "–"


def in_words(outlook: Outlook, zone: ZoneInfo) -> str:
    """All of the outlook as text."""
    lines = [sentence(outlook, zone), ""]
    lines += [f"  {name:34} {value}" for name, value in _figures(outlook, zone)]
    if outlook.switch_off:
        lines += ["", "If it goes off now:"]
        lines += [
            f"  branch {relief.branch} ({', '.join(relief.loads)}, {relief.power_W:.0f} W):"
            f" {'it lasts' if helps(relief) else 'not enough'}"
            f" ({_chance(relief.crosses_reserve_probability)} to fall below the reserve)"
            for relief in outlook.switch_off
        ]
    lines += ["", f"  {'':5} {'charge':>21} {'voltage':>23}"]
    lines += [
        f"  {clock(point.time_ms, zone):5} {_percent(point.soc):>21} {_volts(point.voltage_V):>23}"
        for point in outlook.course
    ]
    lines += ["", f"The days ahead, each from {clock(outlook.at_ms, zone)} to the same time:"]
    for day in outlook.days:
        gives = UNKNOWN if day.gives_Wh is None else f"{day.gives_Wh.p10:.0f} to {day.gives_Wh.p90:.0f} Wh"
        lines.append(
            f"  {to_datetime(day.start_ms).astimezone(zone):%a} lowest {_percent(day.soc_min)}, at the end"
            f" {_percent(day.soc_end)}, sun {gives}, below the reserve"
            f" {_chance(day.crosses_reserve_probability)}"
        )
    lines += ["", "A middle figure with the span that holds 8 of 10 such nights. It rests on:"]
    lines += [f"  - {ground}" for ground in outlook.basis]
    return "\n".join(lines)


def _figures(outlook: Outlook, zone: ZoneInfo) -> list[tuple[str, str]]:
    disconnect = outlook.crosses_disconnect_probability
    hours = outlook.hours_left
    return [
        ("now", f"{100 * outlook.soc_now:.0f} % at {clock(outlook.at_ms, zone)}"),
        ("sunrise", _clock(outlook.sunrise_ms, zone)),
        ("the array helps from", _clock(outlook.helps_ms, zone)),
        ("lowest charge", f"{_percent(outlook.soc_min)} at {clock(outlook.low_ms, zone)}"),
        ("lowest bank voltage", _volts(outlook.voltage_min_V)),
        ("charge used until then", f"{_three(outlook.used_Ah, '.0f')} Ah"),
        ("to fall below the reserve", _chance(outlook.crosses_reserve_probability)),
        ("to reach the disconnect", UNKNOWN if disconnect is None else _chance(disconnect)),
        ("to the reserve at the present load", UNKNOWN if hours is None else f"{hours:.0f} h"),
        ("wet days in a row it can stand", _wet_days(outlook.wet_days_left)),
    ]


def _wet_days(days: int | None) -> str:
    if days is None:
        return UNKNOWN
    return f"{MOST_WET_DAYS} or more" if days >= MOST_WET_DAYS else str(days)


def _clock(time_ms: int | None, zone: ZoneInfo) -> str:
    return UNKNOWN if time_ms is None else clock(time_ms, zone)


def _chance(probability: float) -> str:
    return f"{100 * probability:.0f} in 100"


def _three(band: Band, form: str) -> str:
    return f"{band.p50:{form}} ({band.p10:{form}} to {band.p90:{form}})"


def _percent(band: Band) -> str:
    return f"{_three(Band(100 * band.p10, 100 * band.p50, 100 * band.p90), '.0f')} %"


def _volts(band: Band) -> str:
    return f"{_three(band, '.2f')} V"
