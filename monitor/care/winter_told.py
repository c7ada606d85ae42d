"""Whether a bank may stand out in the cold: the document of `nightbank care SITE winter`, its words. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from monitor import cautions
from monitor.care.digits import fine
from monitor.care.winter import (
    CHARGE_EFFICIENCY,
    MARGIN_C,
    REFRESH_MONTHS,
    Given,
    Standing,
    at_risk_on,
    cautious,
    heater_Ah,
    months_ahead,
    standing,
    winters,
)
from monitor.site.amounts import amounts, coldest_by_rule_C
from monitor.site.chemistry import USUAL
from monitor.site.model import Site

EXAMPLE_HEATER_W = 10.0
"""A heater is told of even where nobody asks, since people think of one (our choice: a small mat)."""

LEFT_OUT = "it was left out as asked for"
"""What the array gives where it is taken down or covered."""

NO_CHARGE_IN_FROST = "LiFePO4 must not be charged below 0 °C, so that no charge is counted on in the cold"

BY_RULE = "a rule by latitude and height, no measurement"
"""Where the coldest night is from if nobody gives it."""

UNKNOWN_STANDING_C = 25.0
"""Where nothing measured the bank: as warm as makers' figures are for, so that it loses rather too much."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person asks; None takes it from site file and store. standing_C is the mean while the bank
    stands, array whether the array stays connected."""

    standing_C: float | None = None
    coldest_C: float | None = None
    draw_W: float | None = None
    heater_W: float | None = None
    array: bool = True


@dataclass(frozen=True, slots=True)
class Held:
    """What the bank holds: charge 0..1 at the cautious end (None: unknown), the capacity that was estimated
    (None: none was), and where the charge is from. measured_C is its mean temperature of late, None where
    nothing measured it."""

    charge: float | None
    capacity_Ah: float | None
    source: str
    measured_C: float | None = None


def winter_document(
    site: Site, held: Held, asked: Asked, today: date, gives: Sequence[Given] | str
) -> dict[str, Any]:
    """All figures; today is local. gives is what the array gives in each month, or why that is
    unknown.

    `least_charge` is what the bank must hold, `by_frost` whether the frost asks for it or the reserve alone.
    `safe_now` is whether the coldest night may come tonight, None where that is unknown. `keeps` is 'yes',
    'maybe' or 'no': whether the array alone keeps a full bank safe to the winter's end, None where unknown.
    `act_by` is the day before which one of twenty winters is at risk, drawn from this site's own days, or
    from our dullest month where those are too few; `act_by_middle` that of every second winter, None where
    days are too few; `act_by_without_sun` with snow on the panels all the time.
    """
    bank = site.bank
    coldest_C, coldest_from = _coldest(site, asked)
    standing_C, standing_from = _standing_C(held, asked)
    drawn_W = site.metering.monitor_power_W if asked.draw_W is None else asked.draw_W
    rated_Ah = amounts(site).bank.capacity_20h_Ah or bank.capacity_Ah
    heater_W = asked.heater_W or EXAMPLE_HEATER_W
    document: dict[str, Any] = {
        "site": site.site.name,
        "today": today.isoformat(),
        "chemistry": bank.chemistry,
        "coldest_C": coldest_C,
        "coldest_from": coldest_from,
        "margin_C": MARGIN_C,
        "standing_C": standing_C,
        "standing_from": standing_from,
        "charge": held.charge,
        "charge_from": held.source,
        "capacity_Ah": min(rated_Ah, held.capacity_Ah or rated_Ah),
        "drawn_W": drawn_W,
        "least_charge": None,
        "by_frost": None,
        "self_Ah_a_day": None,
        "drawn_Ah_a_day": 24 * drawn_W / bank.voltage_V,
        "array": [],
        "array_unknown": gives if isinstance(gives, str) else None,
        "needed_Ah_a_day": None,
        "keeps": None,
        "worst_month": None,
        "days_safe": None,
        "safe_now": None,
        "act_by": None,
        "act_by_middle": None,
        "act_by_without_sun": None,
        "heater_W": heater_W,
        "heater_Ah_a_day": heater_Ah(heater_W, bank.voltage_V),
        "cautions": _cautions(bank.chemistry),
    }
    if bank.chemistry == "lifepo4":
        gives = document["array_unknown"] = NO_CHARGE_IN_FROST
    found = standing(
        bank.chemistry,
        held.charge or 0.0,
        document["capacity_Ah"],
        coldest_C,
        standing_C,
        drawn_W / bank.voltage_V,
        bank.reserve_soc,
    )
    document |= {
        "least_charge": found.least_charge,
        "by_frost": found.by_frost,
        "self_Ah_a_day": found.self_Ah,
    }
    known = [] if isinstance(gives, str) else list(gives)
    document |= _kept(found, known, today, site.site.latitude_deg)
    if found.least_charge is None:
        document["safe_now"] = False
    elif held.charge is not None:
        document["days_safe"] = found.days_safe
        if bank.chemistry != "lifepo4":  # what it bears of the frost its maker's sheet alone says
            document["safe_now"] = held.charge >= found.least_charge
        document |= _dates(found, known, today, site.site.latitude_deg)
    return document


def _kept(found: Standing, gives: Sequence[Given], today: date, latitude_deg: float) -> dict[str, Any]:
    """Whether the array alone keeps a bank that is full today, and the darkest of the months ahead."""
    by_month = {each.month: each for each in gives}
    if not by_month or found.least_charge is None:
        return {}
    rows = [by_month[month] for month in months_ahead(today, latitude_deg)]
    full = replace(found, charge=1.0)
    keeps = "maybe"
    if cautious(winters(full, today, latitude_deg, by_month)) is None:
        keeps = "yes"
    elif at_risk_on(full, today, latitude_deg, lambda day: by_month[day.month].high_Ah) is not None:
        keeps = "no"
    return {
        "array": [_month(each) for each in rows],
        "keeps": keeps,
        "worst_month": min(rows, key=lambda each: each.low_Ah).month,
        "needed_Ah_a_day": (found.self_Ah + found.drawn_Ah) / CHARGE_EFFICIENCY,
    }


def _month(given: Given) -> dict[str, Any]:
    clouds = given.clouds
    return {
        "month": given.month,
        "clear_Ah": given.clear_Ah,
        "low_Ah": given.low_Ah,
        "middle_Ah": given.middle_Ah,
        "high_Ah": given.high_Ah,
        "low_share": clouds.low,
        "basis": clouds.basis,
        "days": clouds.seen,
    }


def _dates(found: Standing, gives: Sequence[Given], today: date, latitude_deg: float) -> dict[str, Any]:
    """The days by which somebody must act."""
    by_month = {each.month: each for each in gives}
    dark = at_risk_on(found, today, latitude_deg, lambda _: 0.0)
    if not by_month:
        return {"act_by": _iso(dark), "act_by_without_sun": _iso(dark)}
    drawn = winters(found, today, latitude_deg, by_month)
    ahead = [by_month[month] for month in months_ahead(today, latitude_deg)]
    seen = all(each.clouds.basis == "seen" for each in ahead)
    return {
        "act_by": _iso(cautious(drawn)),
        "act_by_middle": _iso(drawn[len(drawn) // 2]) if seen else None,
        "act_by_without_sun": _iso(dark),
    }


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def winter_lines(told: Mapping[str, Any]) -> list[str]:
    """The document in sentences, the answer first."""
    kind = USUAL[told["chemistry"]].words
    night = f"{told['coldest_C']:g} °C ({told['coldest_from']})"
    if told["chemistry"] == "lifepo4":
        lines = [
            f"{kind} has no acid that could freeze, but must not be charged below 0 °C; what it bears at "
            f"{night} its maker's sheet says.",
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
        f"Standing at {told['standing_C']:.0f} °C ({told['standing_from']}) it loses"
        f" {fine(told['self_Ah_a_day'])} Ah a day by itself ({whose} at 25 °C, half for every"
        f" 10 °C less, from memory) and {told['drawn_Ah_a_day']:.1f} Ah to the {told['drawn_W']:g} W that"
        f" stay connected, of {fine(told['capacity_Ah'])} Ah."
    )


def _heater(told: Mapping[str, Any]) -> str:
    return (
        f"A heater of {told['heater_W']:g} W would take {told['heater_Ah_a_day']:.0f} Ah a day from the bank"
        " if it ran all day: it empties the bank that it warms. Charge or insulate it instead."
    )


def _day(iso: str) -> str:
    day = date.fromisoformat(iso)
    return f"{day.day} {day:%B %Y}"


def _coldest(site: Site, asked: Asked) -> tuple[float, str]:
    """The coldest night and where it is from."""
    place = site.site
    if asked.coldest_C is not None:
        return asked.coldest_C, "as given"
    if place.coldest_C is not None:
        return place.coldest_C, "the site file's coldest morning"
    rule_C = coldest_by_rule_C(place.latitude_deg, place.altitude_m)
    return round(rule_C), BY_RULE


def _standing_C(held: Held, asked: Asked) -> tuple[float, str]:
    """The mean temperature while it stands, and where it is from."""
    if asked.standing_C is not None:
        return asked.standing_C, "as given"
    if held.measured_C is not None:
        return held.measured_C, "as it was in the last week"
    return UNKNOWN_STANDING_C, "nothing measured it: so it loses rather too much"


def _cautions(chemistry: str) -> list[str]:
    if chemistry == "lifepo4":
        return [cautions.LITHIUM, cautions.ORDER, cautions.WEIGHT]
    return [cautions.FROZEN_BRIEFLY, cautions.ACID_AND_HYDROGEN, cautions.ORDER, cautions.WEIGHT]
