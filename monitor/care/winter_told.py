"""Whether a bank may stand out in the cold: the document of `nightbank care SITE winter`. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from monitor import cautions
from monitor.care.winter import (
    CHARGE_EFFICIENCY,
    MARGIN_C,
    Given,
    Standing,
    at_risk_on,
    cautious,
    heater_Ah,
    least_charge,
    months_ahead,
    standing,
    winters,
)
from monitor.site.amounts import amounts, coldest_by_rule_C
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
    coldest_C, coldest_from = coldest_night(site, asked.coldest_C)
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


def coldest_night(site: Site, given_C: float | None = None) -> tuple[float, str]:
    """The coldest night and where it is from."""
    place = site.site
    if given_C is not None:
        return given_C, "as given"
    if place.coldest_C is not None:
        return place.coldest_C, "the site file's coldest morning"
    rule_C = coldest_by_rule_C(place.latitude_deg, place.altitude_m)
    return round(rule_C), BY_RULE


def frost_words(site: Site) -> str:
    """What the coldest night asks of a bank out in the cold, where that is more than its reserve, else ''."""
    if site.bank.chemistry == "lifepo4":
        return ""
    coldest_C, source = coldest_night(site)
    least = least_charge(coldest_C)
    if least is None:
        return f"On a night of {coldest_C:g} °C ({source}) even a full bank out in the cold is at risk."
    if least <= site.bank.reserve_soc:
        return ""
    return (
        f"A bank out in the cold needs {100 * least:.0f} % of its charge on a night of {coldest_C:g} °C"
        f" ({source}), more than its reserve: the page Care tells of it, or “nightbank care”, the site file"
        " and “winter”."
    )


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
