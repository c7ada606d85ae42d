"""A season in words, for the command line and for the page's sheet: what is not known is told as such. Pure.

The figures come as rows of label and text, numbers and dates written the reader's way (`Writing`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from monitor.array_look import TITLES
from monitor.bank.charge_words import BAND_SDS
from monitor.day_rows import SKY_WORDS, DayRow
from monitor.local_days import day_at
from monitor.season.alarms import Raised
from monitor.season.array import Gave, Summed
from monitor.season.bank import Extremes, Fulls, Nights, Spell
from monitor.season.done import Act, Done
from monitor.season.watched import Watched
from monitor.season_report import Season
from monitor.terminal import filled

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo


LABEL = 20

COMING_TASKS = 3
"""Of what is not due yet so many are told (our choice: the sheet is of what was)."""

WHY = "  Why and how: `nightbank care`, the site file and `due`."

KWH_FROM_WH = 10_000
"""From here on an energy is told in kWh (our choice)."""

TENTHS_BELOW_H = 10.0
"""Longer times are told in whole hours (our choice)."""


def plain_number(value: float, decimals: int) -> str:
    """A number as the command line writes it: '1,240', '-2.0'."""
    return f"{value:,.{decimals}f}"


def plain_day(day: date) -> str:
    """'19 Nov 2026'."""
    return f"{day.day} {day:%b %Y}"


@dataclass(frozen=True, slots=True)
class Writing:
    """How numbers (value, decimals) and days are written."""

    number: Callable[[float, int], str] = plain_number
    day: Callable[[date], str] = plain_day

    def spell(self, spell: Spell) -> str:
        """'3 Nov 2026 to 14 Nov 2026', or its one day."""
        if spell.first == spell.last:
            return self.day(spell.last)
        return f"{self.day(spell.first)} to {self.day(spell.last)}"

    def percent(self, share: float) -> str:
        return f"{self.number(100 * share, 0)} %"

    def energy(self, found: Summed | None) -> str:
        """'8,240 Wh on 14 days'."""
        if found is None:
            return "not known"
        if found.energy_Wh < KWH_FROM_WH:
            return f"{self.number(found.energy_Wh, 0)} Wh on {_days(found.days)}"
        return f"{self.number(found.energy_Wh / 1000, 1)} kWh on {_days(found.days)}"


PLAIN = Writing()


def in_words(site_name: str, season: Season, zone: ZoneInfo) -> str:
    """The whole season for a person with a lamp in the other hand."""

    def local(time_ms: int) -> date:
        return day_at(zone, time_ms).day

    whole = Spell(season.first, season.last)
    parts = [
        [f"{site_name}, {PLAIN.spell(whole)} ({_days(whole.days)})."],
        ["What the bank went through", *_lines(bank_rows(season, local))],
        ["What was raised", *(_filled(f"  {line}") for line in alarm_lines(season.alarms, local))],
        ["What was done", *(_filled(f"  {line}") for line in done_lines(season.done, local))],
        [
            "What the array gave",
            *_lines(array_rows(season.gave)),
            *_lines(fault_rows(season, local)),
        ],
        [f"What is due, as of {PLAIN.day(local(season.made_ms))}", *_task_lines(season.tasks), WHY],
    ]
    if season.cut:
        parts.append([f"Too much to be read whole, the newest are told: {', '.join(season.cut)}."])
    return "\n\n".join("\n".join(lines) for lines in parts)


def bank_rows(
    season: Season, local: Callable[[int], date], how: Writing = PLAIN
) -> Iterator[tuple[str, str]]:
    """What the bank went through, and how far anybody watched it."""
    seen = season.watched
    yield "Days with readings", f"{seen.read_days} of {seen.days}{_unseen(seen, how)}"
    if season.dark:
        last = how.day(local(season.dark[0].time_ms))
        last = f"until {last}" if len(season.dark) == 1 else f"the last time until {last}"
        yield "The monitor was off", f"{_times(len(season.dark))}, {last}"
    yield "Lowest charge", _lowest(season.lowest, how)
    yield f"Nights below {how.percent(season.reserve)}", _nights(season.nights)
    yield "Full", _fulls(season.fulls, how)
    yield "Charge moved", _moved(season, how)
    yield "Voltage", _extremes(season.voltage_V, "V", 2, how)
    yield "Temperature", _extremes(season.temperature_C, "°C", 1, how)


def _lowest(lowest: DayRow | None, how: Writing) -> str:
    if lowest is None or lowest.soc_min is None:
        return "not known: nothing estimated the charge"
    told, band = how.percent(lowest.soc_min), lowest.soc_band
    if lowest.soc_sd is not None and band is not None:
        told += f" ± {how.percent(BAND_SDS * lowest.soc_sd)}"
        if lowest.is_rough or not 0 < band[0] <= band[1] < 1:  # no figure less its band is below empty
            told = f"somewhere between {how.percent(band[0])} and {how.percent(band[1])}"
    return f"{told} on {how.day(lowest.first)}"


def _nights(nights: Nights | None) -> str:
    if nights is None or not (nights.told or nights.vague):
        return "not known: nothing estimated the charge"
    if not nights.told:
        return f"not known: in all {nights.vague} nights the charge is too little known"
    told = f"{nights.below} of {nights.told}"
    return f"{told}; in {nights.vague} more the charge is too little known" if nights.vague else told


def _fulls(found: Fulls | None, how: Writing) -> str:
    if found is None:
        return "not known"
    told = f"on {found.days} of {_days(found.told)}"
    if found.last is not None:
        told += f", last on {how.day(found.last)}"
    if found.longest is not None:
        goes_on = ", and it goes on" if found.goes_on else ""
        told += f"; longest without {_days(found.longest.days)}, {how.spell(found.longest)}{goes_on}"
    return told


def _moved(season: Season, how: Writing) -> str:
    moved = season.moved
    if moved.in_Ah is None:
        return "not known: no current was read"
    into = f"{how.number(moved.in_Ah, 0)} Ah in"
    if moved.out_Ah is None:
        return f"{into}; what went out is not metered here"
    told = f"{into}, {how.number(moved.out_Ah, 0)} Ah out"
    return told if season.cycles is None else f"{told}: {how.number(season.cycles, 1)} full cycles"


def _extremes(found: Extremes | None, unit: str, decimals: int, how: Writing) -> str:
    if found is None:
        return "not known: nothing read it"
    low, high = how.number(found.lowest, decimals), how.number(found.highest, decimals)
    return f"{low} {unit} on {how.day(found.lowest_day)} to {high} {unit} on {how.day(found.highest_day)}"


def _unseen(found: Watched, how: Writing) -> str:
    """'; nobody watched for 31 h: no reading on 2 days (3 to 4 Nov), 5 h on 1 more day'; '' below an hour."""
    if found.unseen_h < 1:
        return ""
    silent, parts = sum(spell.days for spell in found.silent), []
    if silent:
        longest = how.spell(max(found.silent, key=lambda spell: spell.days))
        which = longest if len(found.silent) == 1 else f"the longest row {longest}"
        parts.append(f"no reading on {_days(silent)} ({which})")
    whole = f"; nobody watched for {how.number(found.unseen_h, 0)} h"
    if found.partly and not silent:
        return f"{whole} on {_days(found.partly)}"
    if found.partly:
        days = "day" if found.partly == 1 else "days"
        parts.append(f"{how.number(found.partly_h, 0)} h on {found.partly} more {days}")
    return f"{whole}{': ' if parts else ''}{', '.join(parts)}"


def alarm_lines(
    alarms: Sequence[Raised], local: Callable[[int], date], how: Writing = PLAIN
) -> Iterator[str]:
    """'Low voltage (high): 3 times, 4.5 h in all, the last on 19 Nov 2026'; most often first."""
    if not alarms:
        yield "No alarm."
    for each in alarms:
        lasted = _lasted(each.hours, how)
        in_all, last = ("", "on") if each.times == 1 else (" in all", "the last on")
        stands = ", and it stands" if each.stands else ""
        when = how.day(local(each.last_ms))
        yield f"{each.name} ({each.priority}): {_times(each.times)}, {lasted}{in_all}, {last} {when}{stands}"


def _lasted(hours: float, how: Writing) -> str:
    """'40 min', '4.5 h', '120 h'."""
    if hours < 1:
        return f"{60 * hours:.0f} min"
    return f"{how.number(hours, 1 if hours < TENTHS_BELOW_H else 0)} h"


def done_lines(found: Done, local: Callable[[int], date], how: Writing = PLAIN) -> Iterator[str]:
    """Each kind of act with its times, the water, and the equalizations that were seen."""
    for act in found.acts:
        yield f"{act.kind.capitalize()}: {_act_words(act, local, how)}{_water_words(act, found, how)}"
    if not found.acts:
        yield "Nothing was written down."
    if found.equalized:
        count, last = len(found.equalized), how.day(found.equalized[-1])
        when = last if count == 1 else f"{_days(count)}, the last {last}"
        yield f"The controller was seen to equalize on {when}."


def _act_words(act: Act, local: Callable[[int], date], how: Writing) -> str:
    last = how.day(local(act.last_ms))
    return f"on {last}" if act.times == 1 else f"{_times(act.times)}, the last on {last}"


def _water_words(act: Act, found: Done, how: Writing) -> str:
    """', 4.5 L in all', with what has no amount; '' for another kind of act."""
    if act.kind != "water":
        return ""
    if found.water_L is None:
        return ", how much is not written down"
    more = f", {found.without_amount} of them without an amount" if found.without_amount else ""
    return f", {how.number(found.water_L, 1)} L in all{more}"


def array_rows(found: Gave, how: Writing = PLAIN) -> Iterator[tuple[str, str]]:
    """What came from the array beside a clear sky, what the bank left, and the yields."""
    yield "The array gave", f"{how.energy(found.came)}{_beside(found, how)}"
    yield "Left by a full bank", how.energy(found.unused)
    yield "The loads took", how.energy(found.used)
    yield "Yields, hours a day", _yields(found, how)
    yield "Days by their sky", _skies(found.skies)


def _beside(found: Gave, how: Writing) -> str:
    """', 38 % of what a clear sky would have given', and by which days where not by all."""
    if found.share is None or found.came is None:
        return ""
    part = f" (by {found.share_days} of them; the others lack one of the two)"
    whole = found.share_days == found.came.days
    return f", {how.percent(found.share)} of what a clear sky would have given{'' if whole else part}"


def _skies(counts: Mapping[str, int]) -> str:
    """'12 clear; 3 dark, rain'; 'none' are days whose sky nobody has judged."""
    if not any(count for sky, count in counts.items() if sky != "none"):
        return "not known"
    return "; ".join(f"{counts[sky]} {words}" for sky, words in SKY_WORDS.items() if counts.get(sky))


def _yields(found: Gave, how: Writing) -> str:
    if found.reference_h is None or found.array_h is None:
        return "not known: of no day both light and harvest are known"
    told = f"reference {how.number(found.reference_h, 2)}, array {how.number(found.array_h, 2)}"
    if found.performance_ratio is not None:
        told += f", performance ratio {how.number(found.performance_ratio, 2)}"
    return f"{told} (IEC 61724-1, {_days(found.yield_days)})"


def fault_rows(
    season: Season, local: Callable[[int], date], how: Writing = PLAIN
) -> Iterator[tuple[str, str]]:
    """What was found wrong with the array, and when it was looked for; nothing without an array."""
    if not season.has_array:
        return
    if season.findings is None or season.looked is None:
        yield "Faults", "not known: nobody has looked for any yet; the monitor does once a week"
        return
    look = f"by the look of {how.day(season.looked)}"
    if not season.findings:
        yield "Faults", f"none, {look}"
    for found in season.findings:
        end = "and still" if found.end_ms is None else f"to {how.day(local(found.end_ms))}"
        since = how.day(local(found.start_ms))
        sure = f"{how.percent(found.confidence)} sure"
        yield "Fault", f"{TITLES[found.kind]}, {since} {end} ({sure}, {look})"


def _task_lines(tasks: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    due, coming = tasks_of(tasks)
    for task in due:
        yield f"! {task['title']}: due now"
    if not due:
        yield "  Nothing is due."
    for task in coming:
        yield f"  {task['title']}: by {PLAIN.day(date.fromisoformat(task['due']))}"


def tasks_of(
    tasks: Sequence[Mapping[str, Any]],
) -> tuple[list[Mapping[str, Any]], list[Mapping[str, Any]]]:
    """The tasks that are due, and the next ones that will be; not those of which nobody knows when."""
    return (
        [task for task in tasks if task["is_due"]],
        [task for task in tasks if task["due"] and not task["is_due"]][:COMING_TASKS],
    )


def _days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _lines(rows: Iterator[tuple[str, str]]) -> Iterator[str]:
    for label, text in rows:
        yield _filled(f"  {label:{LABEL}} {text}", " " * (LABEL + 3))


def _filled(text: str, below: str = "      ") -> str:
    return filled(text, below)
