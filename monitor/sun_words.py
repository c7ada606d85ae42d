"""`nightbank days` for a person: a table, and below it what the days say together."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import fmean
from typing import Any

from monitor.sun.book import WET, DayEntry, longest_spell, wet_yield
from monitor.sun.yields import By

UNKNOWN = "–"

SKY_WORDS = {
    "clear": "clear",
    "broken": "broken cloud",
    "overcast": "overcast",
    "dark": "dark, rain",
    "snow": "snow",
    "none": "not known",
}

FULL_WORDS = {True: "yes", False: "no", None: UNKNOWN}


def days_in_words(entries: Sequence[DayEntry]) -> str:
    """The table by day and the sentences below."""
    lines = [
        f"  {'':10} {'sky':13} {'came':>8} {'clear sky':>10} {'unused':>8} {'used':>8} {'lowest':>8}  full",
        *(_day_line(entry) for entry in entries),
        "",
        "Energies in Wh. 'clear sky' is what this array gives under one, 'unused' what the sky still allowed"
        " when the bank took no more, 'lowest' the bank's lowest voltage.",
        "",
        *_sentences(entries),
    ]
    return "\n".join(lines)


def _day_line(entry: DayEntry) -> str:
    lowest = UNKNOWN if entry.voltage_min_V is None else f"{entry.voltage_min_V:.2f} V"
    return (
        f"  {entry.day.isoformat():10} {SKY_WORDS[entry.sky.sky]:13} {_Wh(entry.harvest_Wh):>8}"
        f" {_Wh(entry.clear_sky_Wh):>10} {_Wh(entry.left.unused_Wh if entry.left else None):>8}"
        f" {_Wh(entry.used_Wh):>8} {lowest:>8}  {FULL_WORDS[entry.full]}"
    )


def _sentences(entries: Sequence[DayEntry]) -> list[str]:
    return [_spell_words(entries), _wet_words(entries), *_lowest_words(entries), _scale_words(entries)]


def _spell_words(entries: Sequence[DayEntry]) -> str:
    if all(entry.full is None for entry in entries):
        return "Whether the bank got full is not known: no bank voltage was read."
    spell = longest_spell(entries)
    if spell is None:
        return "The bank got full on every day that was read."
    if spell.days == 1:
        return f"The bank was never without a full charge for more than a day (not full on {spell.last})."
    return f"Longest without a full bank: {spell.days} days, {spell.first} to {spell.last}."


def _wet_words(entries: Sequence[DayEntry]) -> str:
    wet = wet_yield(entries)
    if wet is None:
        return "No overcast or dark day is among these, so what a wet day brings here is not known."
    days = "the one wet day" if wet.days == 1 else f"{wet.days} wet days"
    spread = "" if wet.days == 1 else f", single days within about ±{2 * wet.sd_Wh:.0f}"
    return f"A wet day lets this array give {wet.mean_Wh:.0f} Wh on the mean ({days}{spread})."


def _lowest_words(entries: Sequence[DayEntry]) -> list[str]:
    """The bank's lowest point beside the sky's class."""
    parts = []
    for name, skies in (
        ("clear", ("clear",)),
        ("broken cloud", ("broken",)),
        ("wet", WET),
        ("snow", ("snow",)),
    ):
        lowest = [
            entry.voltage_min_V
            for entry in entries
            if entry.sky.sky in skies and entry.voltage_min_V is not None
        ]
        if lowest:
            days = "day" if len(lowest) == 1 else "days"
            parts.append(f"{fmean(lowest):.2f} V on {len(lowest)} {name} {days}")
    return [f"Lowest bank voltage of the day, on the mean: {', '.join(parts)}."] if parts else []


def _scale_words(entries: Sequence[DayEntry]) -> str:
    level = entries[-1].level
    if level.days == 0:
        return (
            f"How much of its rating this array gives is not learnt yet; {100 * level.scale:.0f} % of its"
            " rated clear-sky power is supposed."
        )
    days = "day" if level.days == 1 else "days"
    return (
        f"Under a clear sky this array gives {100 * level.scale:.0f} % (±{200 * level.sd:.0f} %) of what its"
        f" rating promises, learnt from steady light on {level.days} {days}."
    )


def periods_in_words(periods: Sequence[dict[str, Any]], by: By) -> str:
    """The table by week or month."""
    head = (
        f"{by + ' of':10} {'days':>4} {'clear':>5} {'brkn':>4} {'wet':>3} {'came':>7} {'unused':>7}"
        f" {'used':>7} {'full':>4} {'Yr':>5} {'YA':>5} {'Yf':>5} {'PR':>4}"
    )
    lines = [head]
    for each in periods:
        sky = each["sky"]
        lines.append(
            f"{each['start']:10} {each['days']:>4} {sky['clear']:>5} {sky['broken']:>4}"
            f" {sky['overcast'] + sky['dark']:>3} {_Wh(each['harvest_Wh']):>7} {_Wh(each['unused_Wh']):>7}"
            f" {_Wh(each['used_Wh']):>7} {each['full_days']:>4} {_hours(each['reference_yield_h']):>5}"
            f" {_hours(each['array_yield_h']):>5} {_hours(each['final_yield_h']):>5}"
            f" {_ratio(each['performance_ratio']):>4}"
        )
    return "\n".join(
        [
            *lines,
            "",
            "Energies in Wh; reference yield Yr (what the sky allowed, as the array saw it), array yield YA"
            " and final yield Yf in hours, performance ratio PR = Yf / Yr, as IEC 61724-1 defines them.",
        ]
    )


def _Wh(value: float | None) -> str:
    return UNKNOWN if value is None else f"{value:.0f}"


def _hours(value: float | None) -> str:
    return UNKNOWN if value is None else f"{value:.1f}"


def _ratio(value: float | None) -> str:
    return UNKNOWN if value is None else f"{value:.2f}"
