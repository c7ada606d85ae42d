"""The document of `nightbank plan`: what is drawn, how long the bank lasts, what bank and array should be.

From the site file, and from the store where there is one; unknown is None here and told as unknown. The page
Plan is made of the same document.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any

from monitor import cautions
from monitor.care.winter_told import frost_words
from monitor.local_days import day_at
from monitor.plan.dark import Year, dark_months
from monitor.plan.draws import Demand, Draw, by_branch, declared, demand, night_share
from monitor.plan.steps import Wish
from monitor.plan.sunlight import Month, Sky, design_month, months, night_h
from monitor.plan.system import System, system_of
from monitor.plan.whole import Plan, Week, plan_of
from monitor.plan_known import (
    DailyLoad,
    Warmth,
    air_of,
    branch_used_Wh,
    charging_V_of,
    load_of,
    sky_of,
    used_days,
    warmth_of,
    week_of,
)
from monitor.present import now_of
from monitor.records import iso_utc
from monitor.site.amounts import amounts
from monitor.site.inverter_table import InverterEntry
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.sun.level import USUAL
from monitor.sun.months import ClearMonth
from monitor.typical_year import TypicalYear

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
OWN_DRAW = (
    "What the controller itself takes is not counted: its sheet tells it, and [controller] own_power_W in the"
    " site file takes it."
)
FAR_KM = 100
"""From here on the typical year's place is told as far (our choice: another coast, another valley)."""


@dataclass(frozen=True, slots=True)
class Growth:
    """What might change: loads added, strings of panels and of batteries, a colder month."""

    draws: tuple[Draw, ...] = ()
    panels: int = 0
    batteries: int = 0
    colder_C: float = 0.0


@dataclass(frozen=True, slots=True)
class Question:
    """What a person asks; None takes it from store and site file. month is the one to plan for, instead of
    the one with the least sun; inverter one for added loads, where the site has none; sun_h the peak sun
    hours of the month that decides, from a table of the place; clearness a share of a clear sky's light,
    stated in place of days."""

    wish: Wish
    growth: Growth = field(default_factory=Growth)
    month: int | None = None
    inverter: InverterEntry | None = None
    temperature_C: float | None = None
    sun_h: float | None = None
    clearness: float | None = None


@dataclass(frozen=True, slots=True)
class _Load:
    """What is drawn in all, by which loads and through which inverter."""

    draws: tuple[Draw, ...]
    inverter: InverterEntry | None
    always_W: float
    energy_Wh: float

    def year(
        self, site: Site, system: System, clear: Mapping[int, ClearMonth], scales: Mapping[int, float]
    ) -> Year:
        """A year of it under the site's sun. Without declared loads all is supposed to be drawn at night, the
        cautious order."""
        strings = 0 if site.array is None else site.array.strings_in_parallel
        grown = system.strings / strings if strings else 0.0
        nights_h = {month: night_h(site.site.latitude_deg, month) for month in clear}

        def dark_share(dark_h: float) -> float:
            if not self.draws:
                return 1.0
            return night_share(self.draws, self.inverter, self.always_W, dark_h)

        return Year(
            self.energy_Wh,
            {month: dark_share(dark_h) for month, dark_h in nights_h.items()},
            nights_h,
            {
                month: system.clear_Ah(day.passed_Wh * grown, scales.get(month, USUAL))
                for month, day in clear.items()
            },
        )


def plan_report(
    site: Site,
    reader: StoreReader | None,
    question: Question,
    outlook: Mapping[str, Any] | str,
    clear: Mapping[int, ClearMonth] | str,
    typical: TypicalYear | None = None,
) -> dict[str, Any]:
    """The document; site has its set points filled in. outlook is the document of `nightbank outlook`, or the
    reason in words why there is none; clear the months' clear days or why they are unknown; typical the
    typical year that the site file names, or a person gave.

    what_if is None where nothing grows. Raises ValueError for loads behind an inverter that is not described.
    """
    today = None if reader is None else _today(site, reader)
    growth, bank_V = question.growth, site.bank.voltage_V
    draws = declared(site.loads)
    own_W = site.metering.monitor_power_W
    controller_W = (site.controller.own_power_W or 0.0) if site.controller is not None else 0.0
    drawn = demand(draws, site.inverter, own_W, controller_W)
    used = [] if reader is None or today is None else used_days(reader, site, today)
    load = load_of(site, drawn, [used_Wh for _, used_Wh in used])
    there = _Load(draws, site.inverter, own_W + controller_W, load.energy_Wh)
    new = site.inverter is None and any(draw.ac for draw in growth.draws)
    behind = (question.inverter or InverterEntry()) if new else site.inverter
    added_Wh = demand(draws + growth.draws, behind, own_W, controller_W).total_Wh - drawn.total_Wh
    then_load = _Load(draws + growth.draws, behind, there.always_W, load.energy_Wh + added_Wh)

    warmth = _warmth(reader, today, question, typical)
    sky = sky_of(reader, today, typical, question.clearness)
    month, all_months, notes = _sun(site, sky, question, clear)
    charging_V = charging_V_of(site)
    system = system_of(site, charging_V, warmth.temperature_C)
    grown = system.grown(growth.panels, growth.batteries, growth.colder_C)
    week = None if isinstance(outlook, str) else week_of(outlook, charging_V or bank_V)
    why = outlook if isinstance(outlook, str) else ""

    def dark(system: System, load: _Load) -> list[dict[str, Any]]:
        if isinstance(clear, str) or site.array is None or question.sun_h is not None:
            return []
        year = load.year(site, system, clear, sky.scales)
        return [asdict(each) for each in dark_months(system, year, sky.days)]

    now = then = None
    if load.energy_Wh > 0:
        now = plan_of(system, load.energy_Wh, question.wish, month, week, why)
    if growth != Growth() and then_load.energy_Wh > 0:
        more = week
        if week is not None and week.gives_Ah is not None and system.strings:
            more = Week(week.soc, week.gives_Ah * grown.strings / system.strings, week.days)
        then = plan_of(grown, then_load.energy_Wh, question.wish, month, more, why)
        notes += _growth_notes(site, growth)
    notes += [*_frost_notes(site, warmth), *_weather_notes(typical)]
    if site.controller is not None and site.controller.own_power_W is None:
        notes.append(OWN_DRAW)
    return {
        "site": site.site.name,
        "bank_V": bank_V,
        "reserve_soc": site.bank.reserve_soc,
        "time": None if reader is None else iso_utc(now_of(reader).time_ms),
        "branches": _branches(site, draws, load, drawn),
        "inverter": None
        if site.inverter is None
        else {**site.inverter.model_dump(), "lost_Wh": drawn.lost_Wh, "standby_Wh": drawn.standby_Wh},
        "monitor_Wh": drawn.own_Wh,
        "controller_Wh": drawn.controller_Wh,
        "declared_Wh": drawn.total_Wh,
        "declared_seen_Wh": load.seen_Wh,
        "metering": site.metering.level,
        "used_Wh": load.used_Wh,
        "used_days": [
            {"date": day.isoformat(), "used_Wh": used_Wh, "over_declared": load.times(used_Wh)}
            for day, used_Wh in used
        ],
        "used_over_declared": load.over_declared,
        "load_from": load.source,
        "added": [asdict(draw) | {"energy_Wh": draw.energy_Wh} for draw in growth.draws],
        "inverter_added": new,
        "added_Wh": added_Wh,
        "bank_temperature_C": warmth.temperature_C,
        "bank_temperature_from": warmth.source,
        "design_month": None if month is None else asdict(month),
        "month_asked": question.month is not None,
        "months": [asdict(each) for each in all_months],
        "weather": {
            "basis": sky.basis if sky.stated is None else "stated",
            "days": len(sky.days),
            "clearness": sky.stated,
            "file": None if typical is None else typical.file,
            "array_scales": dict(sky.scales),
        },
        "plan": None if now is None else _plan(now, dark(system, there)),
        "what_if": None if then is None else _plan(then, dark(grown, then_load)),
        "growth": {"panels": growth.panels, "batteries": growth.batteries, "colder_C": growth.colder_C},
        "notes": [*notes, *([SUN_ALONE] if system.lead_acid else [LITHIUM_NOTE])],
        "cautions": [cautions.CODES],
    }


def _today(site: Site, reader: StoreReader) -> date:
    """The day after the last whole one: that of the newest reading, which may lie long back in a log."""
    span, now_ms = reader.span(), now_of(reader).time_ms
    return day_at(site.site.zone, now_ms if span is None else min(now_ms, span[1])).day


def _warmth(
    reader: StoreReader | None, today: date | None, question: Question, typical: TypicalYear | None
) -> Warmth:
    if question.temperature_C is not None:
        return Warmth(question.temperature_C, "as given")
    if reader is None or today is None:
        return air_of(question.month, typical)
    return warmth_of(reader, today, question.month, typical)


def _sun(
    site: Site, sky: Sky, question: Question, clear: Mapping[int, ClearMonth] | str
) -> tuple[Month | None, tuple[Month, ...], list[str]]:
    """The month that decides, all months, and what is to be said of it."""
    if site.array is None:
        return None, (), ["The site file describes no array, so the sun is not planned with."]
    if question.sun_h is not None:
        return Month(question.month or 0, question.sun_h, question.sun_h, "given", 0), (), []
    if isinstance(clear, str):
        return None, (), [f"The sun of the months is not known: {clear}."]
    found = months(clear, sky)
    if question.month is not None:
        return found[question.month - 1], found, []
    return design_month(found), found, []


def _frost_notes(site: Site, warmth: Warmth) -> list[str]:
    if site.bank.chemistry == "lifepo4" and warmth.temperature_C is not None and warmth.temperature_C < 0:
        return [
            f"In the cold season the bank is at {warmth.temperature_C:z.0f} °C: LiFePO4 must not be charged"
            " below 0 °C, so that on such days the array gives it nothing. That is not counted here."
        ]
    told = frost_words(site)
    return [told] if told else []


def _weather_notes(typical: TypicalYear | None) -> list[str]:
    if typical is None or typical.away_km < FAR_KM:
        return []
    return [
        f"The typical year in {typical.file} is of a place {typical.away_km:.0f} km away"
        f"{f' ({typical.name})' if typical.name else ''}: take one of a nearer place if there is one."
    ]


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


def _branches(site: Site, draws: Sequence[Draw], load: DailyLoad, drawn: Demand) -> list[dict[str, Any]]:
    """The declared loads by branch, each beside what was used on it as far as the meters can tell."""
    branches = by_branch(draws)
    used = branch_used_Wh(site, drawn, len(branches), load.used_Wh)
    return [
        {
            "branch": branch.name,
            "energy_Wh": branch.energy_Wh,
            "charge_Ah": branch.energy_Wh / site.bank.voltage_V,
            "used_Wh": None if isinstance(used, str) else used,
            "used_unknown": used if isinstance(used, str) else None,
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
        for branch in branches
    ]


def _plan(plan: Plan, dark: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "load_Wh": plan.load_Wh,
        "load_Ah": plan.load_Ah,
        "capacity_Ah": plan.capacity_Ah,
        "dark_months": dark,
        "lasting": [asdict(each) for each in plan.lasting],
        "steps": [asdict(step) for step in plan.steps],
    }
