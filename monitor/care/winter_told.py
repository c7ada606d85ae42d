"""Whether a bank may stand out in the cold: the document of `nightbank care SITE winter`, its words. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from monitor import cautions
from monitor.care.winter import MARGIN_C, REFRESH_DAYS, heater_Ah, standing
from monitor.site.amounts import amounts, coldest_by_rule_C
from monitor.site.chemistry import USUAL
from monitor.site.model import Site


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person asks; None takes it from the site file. standing_C is the mean while the bank stands."""

    standing_C: float
    coldest_C: float | None = None
    draw_W: float | None = None
    heater_W: float | None = None


@dataclass(frozen=True, slots=True)
class Held:
    """What the bank holds: charge 0..1 at the cautious end (None: unknown), the capacity that was estimated
    (None: none was), and where the charge is from."""

    charge: float | None
    capacity_Ah: float | None
    source: str


def winter_document(site: Site, held: Held, asked: Asked) -> dict[str, Any]:
    """All figures; `safe_now` is whether the coldest night may come tonight, None where that is unknown."""
    bank = site.bank
    coldest_C, coldest_from = _coldest(site, asked)
    drawn_W = site.metering.monitor_power_W if asked.draw_W is None else asked.draw_W
    rated_Ah = amounts(site).bank.capacity_20h_Ah or bank.capacity_Ah
    document: dict[str, Any] = {
        "site": site.site.name,
        "chemistry": bank.chemistry,
        "coldest_C": coldest_C,
        "coldest_from": coldest_from,
        "margin_C": MARGIN_C,
        "standing_C": asked.standing_C,
        "charge": held.charge,
        "charge_from": held.source,
        "capacity_Ah": min(rated_Ah, held.capacity_Ah or rated_Ah),
        "drawn_W": drawn_W,
        "least_charge": None,
        "self_Ah_a_day": None,
        "drawn_Ah_a_day": 24 * drawn_W / bank.voltage_V,
        "days_safe": None,
        "safe_now": None,
        "heater_W": asked.heater_W,
        "heater_Ah_a_day": None if asked.heater_W is None else heater_Ah(asked.heater_W, bank.voltage_V),
        "cautions": _cautions(bank.chemistry),
    }
    if bank.chemistry == "lifepo4":
        return document
    found = standing(
        bank.chemistry,
        held.charge or 0.0,
        document["capacity_Ah"],
        coldest_C,
        asked.standing_C,
        drawn_W / bank.voltage_V,
    )
    document |= {"least_charge": found.least_charge, "self_Ah_a_day": found.self_Ah}
    if found.least_charge is None:
        document["safe_now"] = False
    elif held.charge is not None:
        document |= {"days_safe": found.days_safe, "safe_now": held.charge >= found.least_charge}
    return document


def winter_lines(told: Mapping[str, Any]) -> list[str]:
    """The document in sentences, the answer first."""
    kind = USUAL[told["chemistry"]].words
    night = f"{told['coldest_C']:g} °C ({told['coldest_from']})"
    if told["chemistry"] == "lifepo4":
        lines = [
            f"{kind} has no acid that could freeze, but must not be charged below 0 °C; what it bears at "
            f"{night} its maker's sheet says."
        ]
    elif told["least_charge"] is None:
        lines = [f"Bring it in or keep it warm: on a night of {night} even a full bank is at risk."]
    else:
        lines = [_answer(told), *_reckoned(told, night)]
    if told["heater_Ah_a_day"] is not None:
        lines.append(
            f"A heater of {told['heater_W']:g} W would take {told['heater_Ah_a_day']:.0f} Ah a day from the "
            "bank if it ran all day: it empties the bank that it warms. Charge or insulate it instead."
        )
    return lines


def _answer(told: Mapping[str, Any]) -> str:
    least = f"{100 * told['least_charge']:.0f} %"
    if told["charge"] is None:
        return f"It needs {least} of its charge; how much it holds is not known: {told['charge_from']}."
    holds = f"it holds {100 * told['charge']:.0f} % ({told['charge_from']}) and needs {least}"
    if not told["safe_now"]:
        return f"At risk: {holds}. Charge it before the frost, or bring it in."
    days = told["days_safe"]
    if days > REFRESH_DAYS:
        return f"Safe: {holds}. Charge it all the same at least every 3 months, as makers ask."
    return f"Safe for {days:.0f} days without any charge: {holds}. Charge it or bring it in before."


def _reckoned(told: Mapping[str, Any], night: str) -> list[str]:
    lines = [
        f"Reckoned for a night of {night}, the acid to freeze {told['margin_C']:g} °C lower (our choice), by "
        "two makers' tables of acid and freezing for flooded banks of the weaker usual acid."
    ]
    lines.append(
        f"Standing at {told['standing_C']:g} °C it loses {told['self_Ah_a_day']:.2f} Ah a day by itself "
        f"(makers' figures at 25 °C, half of it for every 10 °C less, from memory) and "
        f"{told['drawn_Ah_a_day']:.1f} Ah to the {told['drawn_W']:g} W that stay connected, of "
        f"{told['capacity_Ah']:.0f} Ah. What the array gives is not counted."
    )
    return lines


def _coldest(site: Site, asked: Asked) -> tuple[float, str]:
    """The coldest night and where it is from."""
    place = site.site
    if asked.coldest_C is not None:
        return asked.coldest_C, "as given"
    if place.coldest_C is not None:
        return place.coldest_C, "the site file's coldest morning"
    rule_C = coldest_by_rule_C(place.latitude_deg, place.altitude_m)
    return round(rule_C), "a rule by latitude and height, no measurement: give your own with --coldest"


def _cautions(chemistry: str) -> list[str]:
    if chemistry == "lifepo4":
        return [cautions.LITHIUM, cautions.ORDER, cautions.WEIGHT]
    return [cautions.FROZEN_BRIEFLY, cautions.ACID_AND_HYDROGEN, cautions.ORDER, cautions.WEIGHT]
