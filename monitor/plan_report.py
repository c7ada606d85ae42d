"""The document of `nightbank plan`: what is drawn, how long the bank lasts, what bank and array should be.

From the site file, and from the store where there is one; unknown is None here and told as unknown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import date
from typing import Any

from monitor import cautions
from monitor.plan.dark import dark_months
from monitor.plan.draws import Branch, Draw, Inverter, by_branch, declared, demand
from monitor.plan.sunlight import Month, OwnDay, design_month, months
from monitor.plan.system import System, Wish, system_of
from monitor.plan.whole import Plan, Week, plan_of
from monitor.plan_known import (
    OWN_DAYS,
    UNKNOWN_WARMTH,
    Warmth,
    charging_V_of,
    load_of,
    own_days,
    used_days,
    warmth_of,
    week_of,
)
from monitor.present import now_of
from monitor.records import iso_utc
from monitor.site.amounts import amounts
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.days import day_at, zone_of

MIXED = (
    "New batteries beside old ones are drawn down by them: makers advise batteries of one type, age and"
    " charge in one bank (common practice, no source)."
)
SUN_ALONE = (
    "The two standards are written for lead-acid banks whose only source is the sun: a generator needs less"
    " of both."
)

LITHIUM_NOTE = (
    "The two standards are written for lead-acid banks; for LiFePO4 their sizes are a first guess, and its"
    " maker's sheet comes first."
)


@dataclass(frozen=True, slots=True)
class Growth:
    """What might change: loads added, strings of panels and of batteries, a colder month."""

    draws: tuple[Draw, ...] = ()
    panels: int = 0
    batteries: int = 0
    colder_C: float = 0.0


@dataclass(frozen=True, slots=True)
class Question:
    """What a person asks; None takes it from store and site file. sun_h: peak sun hours of the month that
    decides, from a table of the place."""

    wish: Wish
    growth: Growth = field(default_factory=Growth)
    inverter: Inverter | None = None
    ac_branches: tuple[str, ...] = ()
    temperature_C: float | None = None
    sun_h: float | None = None


def plan_report(
    site: Site,
    reader: StoreReader | None,
    question: Question,
    outlook: Mapping[str, Any] | str,
    clear_h: Mapping[int, float] | str,
) -> dict[str, Any]:
    """The document; site has its set points filled in. outlook is the document of `nightbank outlook`, or the
    reason in words why there is none; clear_h the same of `clear_hours`, unused where sun_h is given.

    what_if is None where nothing grows. An inverter is new where only added loads hang behind it.
    Raises ValueError for loads behind an inverter that is not described.
    """
    today = None if reader is None else _today(site, reader)
    growth = question.growth
    draws = declared(site.loads, question.ac_branches)
    own_W = site.metering.monitor_power_W
    inverter = question.inverter
    is_new = not question.ac_branches and any(draw.ac for draw in growth.draws)
    drawn = demand(draws, None if is_new else inverter, own_W)
    used = [] if reader is None or today is None else used_days(reader, site, today)
    load = load_of(site, drawn, [used_Wh for _, used_Wh in used])
    there = inverter if inverter is None or is_new else replace(inverter, standby_W=0.0)
    added_Wh = demand(growth.draws, there, 0.0).total_Wh

    warmth = UNKNOWN_WARMTH if reader is None or today is None else warmth_of(reader, today, OWN_DAYS)
    if question.temperature_C is not None:
        warmth = Warmth(question.temperature_C, "as given")
    own = [] if reader is None or today is None else own_days(reader, today)
    month, all_months, notes = _sun(site, own, question.sun_h, clear_h)
    charging_V = charging_V_of(site)
    system = system_of(site, charging_V, warmth.temperature_C)
    grown = system.grown(growth.panels, growth.batteries, growth.colder_C)
    week = None if isinstance(outlook, str) else week_of(outlook, charging_V or site.bank.voltage_V)
    why = outlook if isinstance(outlook, str) else ""
    clear = {each.month: each.clear_h for each in all_months}

    def dark(system: System, load_Wh: float) -> list[dict[str, Any]]:
        load_Ah = load_Wh / system.bank_V
        return [asdict(each) for each in dark_months(system, load_Ah, clear, own)] if clear else []

    now = plan_of(system, load.energy_Wh, question.wish, month, week, why) if load.energy_Wh > 0 else None
    then = None
    if growth != Growth() and load.energy_Wh + added_Wh > 0:
        more = week
        if week is not None and week.gives_Ah is not None and system.strings:
            more = Week(week.soc, week.gives_Ah * grown.strings / system.strings, week.days)
        then = plan_of(grown, load.energy_Wh + added_Wh, question.wish, month, more, why)
        notes += _growth_notes(site, growth)
    return {
        "site": site.site.name,
        "bank_V": site.bank.voltage_V,
        "time": None if reader is None else iso_utc(now_of(reader).time_ms),
        "branches": [_branch(branch, site.bank.voltage_V) for branch in by_branch(draws)],
        "inverter": None
        if inverter is None or is_new
        else {**asdict(inverter), "lost_Wh": drawn.lost_Wh, "standby_Wh": drawn.standby_Wh},
        "monitor_Wh": drawn.own_Wh,
        "declared_Wh": drawn.total_Wh,
        "metering": site.metering.level,
        "used_Wh": load.used_Wh,
        "used_days": len(used),
        "used_over_declared": load.over_declared,
        "load_from": load.source,
        "added": [asdict(draw) | {"energy_Wh": draw.energy_Wh} for draw in growth.draws],
        "inverter_added": is_new,
        "added_Wh": added_Wh,
        "bank_temperature_C": warmth.temperature_C,
        "bank_temperature_from": warmth.source,
        "design_month": None if month is None else asdict(month),
        "months": [asdict(each) for each in all_months],
        "own_days": len(own),
        "plan": None if now is None else _plan(now, dark(system, now.load_Wh)),
        "what_if": None if then is None else _plan(then, dark(grown, then.load_Wh)),
        "growth": {"panels": growth.panels, "batteries": growth.batteries, "colder_C": growth.colder_C},
        "notes": [*notes, *([SUN_ALONE] if system.lead_acid else [LITHIUM_NOTE])],
        "cautions": [cautions.CODES],
    }


def _today(site: Site, reader: StoreReader) -> date:
    """The day after the last whole one: that of the newest reading, which may lie long back in a log."""
    span, now_ms = reader.span(), now_of(reader).time_ms
    return day_at(zone_of(site.site.time_zone), now_ms if span is None else min(now_ms, span[1])).day


def _sun(
    site: Site,
    own: Sequence[OwnDay],
    given_h: float | None,
    clear_h: Mapping[int, float] | str,
) -> tuple[Month | None, tuple[Month, ...], list[str]]:
    """The month that decides, all months, and what is to be said of it."""
    if site.array is None:
        return None, (), ["The site file describes no array, so the sun is not planned with."]
    if given_h is not None:
        return Month(0, given_h, given_h, "given", 0), (), []
    if isinstance(clear_h, str):
        return None, (), [f"The sun of the months is not known: {clear_h}"]
    found = months(clear_h, own)
    return design_month(found), found, []


def _growth_notes(site: Site, growth: Growth) -> list[str]:
    notes = [MIXED] if growth.batteries else []
    if growth.panels and site.array is not None:
        strings = site.array.strings_in_parallel + growth.panels
        array = site.array.model_copy(update={"strings_in_parallel": strings})
        controller = amounts(site.model_copy(update={"array": array})).controller
        if controller is not None and controller.current_margin_A < 0:
            rating_A = controller.design_current_A + controller.current_margin_A
            notes.append(
                f"{strings} strings of panels ask for a controller of {controller.design_current_A:.0f} A;"
                f" the one that is there is rated {rating_A:.0f} A."
            )
        if strings > 2:
            notes.append(cautions.STRING_FUSES)
    return notes


def _branch(branch: Branch, bank_V: float) -> dict[str, Any]:
    return {
        "branch": branch.name,
        "energy_Wh": branch.energy_Wh,
        "charge_Ah": branch.energy_Wh / bank_V,
        "loads": [
            {
                "name": draw.name,
                "power_W": draw.power_W,
                "count": draw.count,
                "hours": draw.hours,
                "ac": draw.ac,
                "energy_Wh": draw.energy_Wh,
            }
            for draw in branch.draws
        ],
    }


def _plan(plan: Plan, dark: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "load_Wh": plan.load_Wh,
        "load_Ah": plan.load_Ah,
        "capacity_Ah": plan.capacity_Ah,
        "dark_months": dark,
        "lasting": [asdict(each) for each in plan.lasting],
        "steps": [asdict(step) for step in plan.steps],
    }
