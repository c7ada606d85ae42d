"""The document of `nightbank care SITE winter` in sentences, for command and page. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from monitor.care.digits import fine
from monitor.care.winter import REFRESH_MONTHS
from monitor.site.chemistry import USUAL


def winter_lines(told: Mapping[str, Any]) -> list[str]:
    """The document in sentences, the answer first."""
    kind = USUAL[told["chemistry"]].words
    night = f"{told['coldest_C']:g} °C ({told['coldest_from']})"
    if told["chemistry"] == "lifepo4":
        lines = [
            f"{kind} has no acid that could freeze, but must not be charged below 0 °C; what it bears at "
            f"{night} its maker's sheet says. In frost leave the array's disconnect open, unless battery or"
            " controller refuse the charge by themselves.",
            _left_alone(told),
            _loses(told),
        ]
    elif told["least_charge"] is None:
        lines = [f"Bring it in or keep it warm: on a night of {night} even a full bank is at risk."]
    else:
        lines = [_answer(told), *_array_lines(told), *_reckoned(told, night)]
    return [*lines, _heater(told)]


def _answer(told: Mapping[str, Any]) -> str:
    least = f"{100 * told['least_charge']:.0f} %"
    if told["charge"] is None:
        return f"It needs {least} of its charge; how much it holds is not known: {told['charge_from']}."
    why = "" if told["by_frost"] else ", its reserve, though frost asks for less"
    holds = f"it holds {100 * told['charge']:.0f} % ({told['charge_from']}) and needs {least}{why}"
    if not told["safe_now"] and not told["by_frost"]:
        return f"Too empty to be left standing: {holds}. Charge it full first."
    if not told["safe_now"]:
        return f"At risk: {holds}. Charge it before the frost, or bring it in."
    if told["act_by"] is not None:
        counted = "without any charge"
        if not told["array_unknown"]:
            seen = all(each["basis"] == "seen" for each in told["array"])
            counted = "in nineteen winters of twenty" if seen else "under the dullest clouds"
        by = _day(told["act_by"])
        snow = "" if told["array_unknown"] else _under_snow(told)
        return (
            f"Safe with all loads off until {by}, {counted}: {holds}. Charge it or bring it in before"
            f" {by}.{snow}"
        )
    if told["keeps"] == "yes":
        return f"Safe with all loads off: {holds}, and the array alone keeps it.{_under_snow(told)}"
    anew = f"Charge it all the same every {REFRESH_MONTHS} months, as makers ask."
    return f"Safe with all loads off to the winter's end: {holds}. {anew}{_under_snow(told)}"


def _under_snow(told: Mapping[str, Any]) -> str:
    """What snow on the panels would change; '' where nothing."""
    if told["act_by_without_sun"] in (None, told["act_by"]) or told["array_unknown"]:
        return ""
    until = _day(told["act_by_without_sun"])
    return f" While snow lies on the panels it is so until {until} only: keep them free."


def _left_alone(told: Mapping[str, Any]) -> str:
    """Until when a bank that no frost harms keeps its reserve by itself."""
    least = f"{100 * told['least_charge']:.0f} %"
    if told["charge"] is None:
        return f"It must keep {least} of its charge; how much it holds is not known: {told['charge_from']}."
    holds = f"it holds {100 * told['charge']:.0f} % ({told['charge_from']}) and must keep {least}"
    if told["days_safe"] == 0:
        return f"Too empty to be left standing: {holds}. Charge it first, where it is above 0 °C."
    if told["act_by"] is None:
        return f"With all loads off and no charge it lasts to the winter's end: {holds}."
    return f"With all loads off and no charge it lasts until {_day(told['act_by'])}: {holds}."


def _array_lines(told: Mapping[str, Any]) -> list[str]:
    """Whether the array alone keeps it, and what it is without sun."""
    if told["array_unknown"] is not None:
        return [f"What the array gives is not counted: {told['array_unknown']}."]
    worst = next(each for each in told["array"] if each["month"] == told["worst_month"])
    month = f"{date(2000, worst['month'], 1):%B}"
    verdict = {
        "yes": "the array alone keeps it",
        "no": "the array alone does not keep it",
        "maybe": "the array alone keeps it unless clouds are dull for long",
    }[told["keeps"]]
    held = told["safe_now"] and (told["act_by"] is None or told["keeps"] != "yes")
    verdict = verdict.capitalize() if held else f"Once it is full, {verdict}"
    lines = [
        f"{verdict}: {told['needed_Ah_a_day']:.1f} Ah a day are needed, and on a mean day of {month}, its"
        f" darkest month ahead, it gives {_span(worst)} ({_basis(worst)})."
    ]
    others = ", ".join(f"{date(2000, each['month'], 1):%b} {_span(each, '')}" for each in told["array"])
    if len(told["array"]) > 1:
        lines.append(f"Month by month, Ah a day: {others}.")
    lines.append("Snow is not counted: while it lies on the panels they give nothing.")
    return lines


def _span(given: Mapping[str, Any], about: str = ", about") -> str:
    """'8 to 50 Ah, about 20'; without `about` the band alone, without its unit."""
    places = 0 if given["high_Ah"] >= 10 else 1
    low, high = f"{given['low_Ah']:.{places}f}", f"{given['high_Ah']:.{places}f}"
    band = low if low == high else f"{low} to {high}"
    if not about:
        return band
    middle = "" if given["middle_Ah"] is None or low == high else f"{about} {given['middle_Ah']:.{places}f}"
    return f"{band} Ah{middle}"


def _basis(month: Mapping[str, Any]) -> str:
    """How well a month's clouds are known."""
    if month["basis"] == "seen":
        return f"by {month['days']} days of this site in that month and its neighbours"
    band = f"from {100 * month['low_share']:.0f} % of a clear sky's, our choice for the dullest, to all of it"
    if month["basis"] == "supposed":
        return f"{band}: this site's own days are of another season"
    return f"{band}: how cloudy it is here no day has told yet"


def _reckoned(told: Mapping[str, Any], night: str) -> list[str]:
    return [
        f"Reckoned for a night of {night}, the acid to freeze {told['margin_C']:g} °C lower (our choice), by "
        "two makers' tables of acid and freezing for flooded banks of the weaker usual acid.",
        _loses(told),
    ]


def _loses(told: Mapping[str, Any]) -> str:
    whose = "a figure" if told["chemistry"] == "lifepo4" else "makers' figures"
    return (
        f"Standing at {told['standing_C']:z.0f} °C ({told['standing_from']}) it loses"
        f" {fine(told['self_Ah_a_day'])} Ah a day by itself ({whose} at 25 °C, half for every"
        f" 10 °C less, from memory) and {told['drawn_Ah_a_day']:.1f} Ah to the {told['drawn_W']:g} W that"
        f" stay connected, of {fine(told['capacity_Ah'])} Ah."
    )


def _heater(told: Mapping[str, Any]) -> str:
    instead = "Insulate it or bring it in" if told["chemistry"] == "lifepo4" else "Charge or insulate it"
    return (
        f"A heater of {told['heater_W']:g} W would take {told['heater_Ah_a_day']:.0f} Ah a day from the bank"
        f" if it ran all day: it empties the bank that it warms. {instead} instead."
    )


def _day(iso: str) -> str:
    day = date.fromisoformat(iso)
    return f"{day.day} {day:%B %Y}"
