"""The load plan in words: what `nightbank plan` prints of the document of `plan_report.py`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from monitor.plan.dark import LEAST_RECORD
from monitor.terminal import filled, point

MOST_NIGHTS = 99
"""More than these are told as these (our choice: no weather lasts so long)."""

MONTHS = (
    "",  # one that a person gave without its name
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def in_words(told: Mapping[str, Any]) -> str:
    """The plan: loads, how long the bank lasts, the sizing step by step, what if, sources, cautions."""
    lines = [f"{told['site']}: the load plan", filled(answer_words(told)), "", *_loads(told)]
    lines += _used(told)
    now, then = told["plan"], told["what_if"]
    if now is None:
        lines += ["", "Nothing is declared or measured to plan with: write [[loads]] into the site file."]
    else:
        lines += ["", *_lasting(now, "How long the bank lasts, down to its reserve")]
        lines += _dark(now, told["weather"]) if told["months"] else []
    if then is not None:
        lines += ["", filled(changed_words(told), "  "), *_lasting(then, "It would then last")]
        lines += _dark(then, told["weather"]) if told["months"] else []
    plan = then or now
    if plan is not None:
        sources = list(dict.fromkeys(step["source"] for step in plan["steps"]))
        lines += [
            "",
            *(filled(text, "  ") for text in season_words(told)),
            *_steps(plan, sources, "with that" if then else ""),
        ]
        lines += ["", "Where this is from:"]
        lines += [filled(f"  [{number}] {source}", "      ") for number, source in enumerate(sources, 1)]
    lines += ["", "Mind:"]
    lines += [point(text) for text in (*told["notes"], *told["cautions"])]
    return "\n".join(lines)


def answer_words(told: Mapping[str, Any]) -> str:
    """The one sentence that answers: how long the bank carries the loads."""
    now = told["plan"]
    if now is None or not (told["branches"] or told["used_Wh"]):
        return "No load is declared yet."
    first = now["lasting"][0]
    if first["nights"] is None:
        why = first["words"].removeprefix("not known: ")
        return f"How many nights the bank carries the loads is not known: {why}."
    return (
        f"The full bank carries the loads for {_nights(first['nights'])} without any sun, down to the reserve"
        f" of {100 * told['reserve_soc']:.0f} %."
    )


def _nights(nights: float) -> str:
    if nights > MOST_NIGHTS:
        return f"more than {MOST_NIGHTS}\N{NO-BREAK SPACE}nights"
    return f"{nights:.1f}\N{NO-BREAK SPACE}nights"


def _row(title: str, energy_Wh: float, volts: float | None, words: str = "") -> str:
    charge = "" if volts is None else f"{energy_Wh / volts:8.1f} Ah"
    return f"{title:<34}{energy_Wh:9.0f} Wh{charge}  {words}".rstrip()


def _loads(told: Mapping[str, Any]) -> list[str]:
    """The table of what is drawn a day."""
    volts = told["bank_V"]
    lines = ["What is drawn a day"]
    for branch in told["branches"]:
        used = "" if branch["used_Wh"] is None else f"used {branch['used_Wh']:.0f} Wh"
        lines.append(_row(f"  branch {branch['branch']}", branch["energy_Wh"], volts, used))
        for load in branch["loads"]:
            many = f"{load['count']} × " if load["count"] > 1 else ""
            behind = ", behind the inverter" if load["ac"] else ""
            words = f"{many}{load['power_W']:g} W, {load['hours']:g} h{behind}"
            lines.append(_row(f"    {load['name']}", load["energy_Wh"], volts, words))
    inverter = told["inverter"]
    if inverter is not None:
        words = f"gives {100 * inverter['efficiency']:g} % of what it takes"
        lines.append(_row("  lost in the inverter", inverter["lost_Wh"], volts, words))
        words = f"{inverter['standby_W']:g} W, {inverter['hours_per_day']:g} h"
        lines.append(_row("  the inverter itself", inverter["standby_Wh"], volts, words))
    lines.append(_row("  this computer", told["monitor_Wh"], volts, "24 h"))
    if told["controller_Wh"]:
        lines.append(_row("  the controller itself", told["controller_Wh"], volts, "24 h"))
    lines.append(_row("  together", told["declared_Wh"], volts))
    return lines


def _used(told: Mapping[str, Any]) -> list[str]:
    """What was measured beside what is declared, day by day, and on which the plan rests."""
    used_Wh, days = told["used_Wh"], told["used_days"]
    if used_Wh is None:
        text = "What is used was not measured of late; the plan rests on what is declared."
        if told["metering"] == "charging":
            text = "Nothing here meters the loads: the use is unknown, the plan rests on what is declared."
        return [filled(text)]
    text = f"Used were {used_Wh:.0f} Wh on the "
    text += f"middle one of {len(days)} days" if len(days) > 1 else "one day of which it is known"
    if told["used_over_declared"] is not None:
        text += f", {told['used_over_declared']:.1f} times the {told['declared_seen_Wh']:.0f} Wh declared"
    if told["metering"] == "controller":
        text += " (through the controller's load output; what is wired past it is not seen)"
    rests = "what was used, the larger" if told["load_from"] == "used" else "what is declared, the larger"
    lines = [filled(f"{text}. The plan rests on {rests}.")]
    unknown = next((each["used_unknown"] for each in told["branches"] if each["used_unknown"]), None)
    if unknown is not None:
        lines.append(f"What each branch used is unknown: {unknown}.")
    told_days = ", ".join(f"{day['date']}\N{NO-BREAK SPACE}{day['used_Wh']:.0f}" for day in days)
    return [*lines, filled(f"By day [Wh]: {told_days}.", "  ")]


def _lasting(plan: Mapping[str, Any], title: str) -> list[str]:
    head = f"{title}, with {plan['load_Wh']:.0f} Wh a day from {plan['capacity_Ah']:g} Ah"
    lines = [head]
    for each in plan["lasting"]:
        said = "not known" if each["nights"] is None else _nights(each["nights"])
        if each["keeps_up"]:
            said = "the array keeps up"
        words = each["words"].removeprefix("not known: ")
        lines.append(filled(f"  {each['title']}: {said} ({words})", "    "))
    return lines


def _dark(plan: Mapping[str, Any], weather: Mapping[str, Any]) -> list[str]:
    """The chance of a dark night by month."""
    head = "  A dark night, at which the bank comes down to its reserve"
    if not plan["dark_months"]:
        return [filled(f"{head}: not known ({why_no_dark(weather)})", "    ")]
    if all(each["chance"] == 0 for each in plan["dark_months"]):
        return [filled(f"{head}: in no month ({weather_words(weather)})", "    ")]
    months = ", ".join(_month_chance(each) for each in plan["dark_months"])
    text = f"{head}, chance of at least one by month: {months} ({weather_words(weather)}"
    if not all(each["seen"] for each in plan["dark_months"]):
        text += "; *: supposing the sky of other months"
    return [filled(f"{text})", "    ")]


def why_no_dark(weather: Mapping[str, Any]) -> str:
    """Why the chance of a dark night is not known."""
    if weather["basis"] == "stated":
        return "a share of clear light tells mean days and no wet spells; a typical year or own days do"
    return (
        f"by month it takes a typical year, or {LEAST_RECORD} days of this site's weather, and"
        f" {weather['days']} are on record"
    )


def weather_words(weather: Mapping[str, Any]) -> str:
    """Whose weather a plan goes by."""
    if weather["basis"] == "typical year":
        return f"by the typical year in {weather['file']}"
    return f"by this site's {weather['days']} days on record"


def _month_chance(each: Mapping[str, Any]) -> str:
    """'Dec* 8 %', kept on one line; the star says that the sky is supposed."""
    star = "" if each["seen"] else "*"
    return f"{MONTHS[each['month']][:3]}{star}\N{NO-BREAK SPACE}{100 * each['chance']:.0f}\N{NO-BREAK SPACE}%"


def changed_words(told: Mapping[str, Any]) -> str:
    """What a person asked to change."""
    parts = []
    for draw in told["added"]:
        many = f"{draw['count']} × " if draw["count"] > 1 else ""
        behind = " behind the inverter" if draw["ac"] else ""
        parts.append(f"{draw['name']} ({many}{draw['power_W']:g} W, {draw['hours']:g} h{behind})")
    if told["inverter_added"]:
        parts.append("an inverter for it")
    growth = told["growth"]
    if growth["panels"]:
        parts.append(_counted(growth["panels"], "more string", "of panels"))
    if growth["batteries"]:
        parts.append(_counted(growth["batteries"], "more string", "of batteries"))
    if growth["colder_C"]:
        parts.append(f"{growth['colder_C']:g} °C colder")
    more = f", {told['added_Wh']:.0f} Wh a day more" if told["added_Wh"] else ""
    return f"What if: {', '.join(parts)}{more}."


def _counted(number: int, word: str, of: str) -> str:
    return f"{number} {word}{'s' if number > 1 else ''} {of}"


def season_words(told: Mapping[str, Any]) -> list[str]:
    """The month and the cold that decide."""
    lines, sun = [], told["design_month"]
    if sun is not None:
        which = "asked for" if told["month_asked"] else "that decides"
        name = MONTHS[sun["month"]]
        if sun["sun_h"] == 0:
            lines.append(f"The month {which} is {name}: no sun reaches the array in it.")
        elif sun["sun_h"] is None:
            lines.append(
                f"The month {which} is {name}. A clear sky gives {sun['clear_h']:.1f} peak sun hours a day on"
                " the array; how cloudy that month is here nothing tells yet (a typical year of the place"
                " does, named under [site] typical_year). The array below is the least: it would do only"
                " under a clear sky every day."
            )
        else:
            month = f"The month {which}, {name}" if name else f"The month {which}"
            lines.append(f"{month}: {sun['sun_h']:.1f} peak sun hours a day, {_basis(sun)}.")
    warmth_C = told["bank_temperature_C"]
    at = "" if warmth_C is None else f"{warmth_C:z.1f} °C, "
    lines.append(f"The bank in the cold season: {at}{told['bank_temperature_from']}.")
    return lines


def _basis(sun: Mapping[str, Any]) -> str:
    if sun["basis"] == "own days":
        return f"by {sun['days']} days of this site in it"
    if sun["basis"] == "typical year":
        return "by the typical year"
    if sun["basis"] == "stated":
        return "with the share of clear light that was stated"
    if sun["basis"] == "supposed":
        return f"supposing that it is as cloudy as the {sun['days']} days on record"
    return "as given"


def _steps(plan: Mapping[str, Any], sources: Sequence[str], beside: str) -> list[str]:
    lines = ["", f"Sizes step by step{f' {beside}' if beside else ''}"]
    for step in plan["steps"]:
        value = "" if step["value"] is None else f"{step['value']:.4g} {step['unit']}".rstrip() + " = "
        number = sources.index(step["source"]) + 1
        lines.append(filled(f"  {step['title']}: {value}{step['words']} [{number}]", "    "))
    return lines
