"""The declared loads by branch, and what was used of late. Pure but for `take_plan`, which asks the store."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

from dashboard.days import energy
from dashboard.local import day_text, marked
from dashboard.words import number
from monitor import plan_known as known
from monitor.plan.draws import DAY_H, Draw, by_branch, declared, demand
from monitor.plan.system import system_of
from monitor.plan.whole import Lasting, lasting_of
from monitor.present import now_of
from monitor.records import to_datetime
from monitor.site.load import with_defaults
from monitor.site.model import Load, Site
from monitor.store.base import StoreReader


@dataclass(frozen=True, slots=True)
class LoadRow:
    """One declared load: '4 × 4 W', hours of a day, and what that comes to."""

    name: str
    power: str
    hours: str
    energy_Wh: float


@dataclass(frozen=True, slots=True)
class Branch:
    """The loads of one branch and their sum a day."""

    name: str
    loads: tuple[LoadRow, ...]
    energy_Wh: float


@dataclass(frozen=True, slots=True)
class Plan:
    """All that the page says. used is (day, Wh), newest first, of the days on which the use is known; lasting
    is empty where nothing is drawn."""

    sentence: str
    beside: tuple[str, ...]
    branches: tuple[Branch, ...]
    used: tuple[tuple[str, float], ...]
    lasting: tuple[Lasting, ...]


def take_plan(reader: StoreReader, site: Site) -> Plan:
    """The plan of a site as it stands now. Raises StoreError."""
    now_ms = now_of(reader).time_ms
    today = to_datetime(now_ms).astimezone(ZoneInfo(site.site.time_zone)).date()
    used = known.used_days(reader, site, today)
    drawn = demand(declared(site.loads), None, site.metering.monitor_power_W)
    rests_on = known.load_of(site, drawn, [used_Wh for _, used_Wh in used])
    lasting = _planned(reader, site, now_ms, today, rests_on) if rests_on.energy_Wh > 0 else ()
    branches = branches_of(site.loads)
    return Plan(
        sentence=_sentence(branches, rests_on, lasting),
        beside=_beside(branches, site, rests_on, len(used)),
        branches=branches,
        used=tuple((day_text(day, weekday=True), used_Wh) for day, used_Wh in used),
        lasting=lasting,
    )


def branches_of(loads: Sequence[Load]) -> tuple[Branch, ...]:
    """The declared loads by branch, as the page shows them."""
    return tuple(
        Branch(branch.name, tuple(_row(draw) for draw in branch.draws), branch.energy_Wh)
        for branch in by_branch(declared(loads))
    )


def _row(draw: Draw) -> LoadRow:
    each = f"{marked(f'{draw.power_W:g}')} W"
    return LoadRow(
        draw.name,
        each if draw.count == 1 else f"{draw.count} × {each}",
        marked(f"{draw.hours:g}"),
        draw.energy_Wh,
    )


def _planned(
    reader: StoreReader, site: Site, now_ms: int, today: date, rests_on: known.DailyLoad
) -> tuple[Lasting, ...]:
    """How long the bank lasts as it is; the fortnight's cold counts, and no month's sun."""
    charging_V = known.charging_V_of(with_defaults(site)[0])
    system = system_of(site, charging_V, known.warmth_of(reader, today, known.USED_DAYS).temperature_C)
    outlook = known.noted_outlook(reader, now_ms)
    week = None if outlook is None else known.week_of(outlook, charging_V or site.bank.voltage_V)
    return lasting_of(system, rests_on.energy_Wh, week, "no outlook of the last hour")


def _sentence(branches: Sequence[Branch], rests_on: known.DailyLoad, lasting: Sequence[Lasting]) -> str:
    if not branches:
        return "No load is declared yet."
    nights = lasting[0].nights
    told = f"The declared loads and this computer take {energy(rests_on.energy_Wh)} a day"
    if rests_on.source == "used":
        told = f"The loads take about {energy(rests_on.energy_Wh)} a day as used, more than is declared"
    if nights is None:
        return f"{told}."
    return f"{told}; the full bank carries that for {number(nights, 1)} nights without any sun."


def _beside(
    branches: Sequence[Branch], site: Site, rests_on: known.DailyLoad, used_days: int
) -> tuple[str, ...]:
    """What was used beside what is declared, and what neither counts."""
    told = []
    if not branches:
        told.append(
            "Write them into the site file as [[loads]]: name, branch, power_W, count, hours_per_day."
        )
    if rests_on.used_Wh is not None:
        days = "day" if used_days == 1 else "days"
        text = f"Used were {energy(rests_on.used_Wh)} on the middle one of {used_days} {days}"
        if branches and rests_on.over_declared is not None:
            text += f", {number(rests_on.over_declared, 1)} times what the declared loads"
            text += " and this computer take" if site.metering.level == "shunt" else " take"
        told.append(f"{text}.")
    if site.metering.level == "charging":
        told.append("Nothing here meters the loads, so that the use is not known.")
    elif site.metering.level == "controller":
        told.append("Used means through the controller's load output; what is wired past it is not seen.")
    if branches:
        told.append(
            f"This computer takes {energy(site.metering.monitor_power_W * DAY_H)} a day beside the loads."
            " The bank gives less than its rating in the cold, with age and with strong currents."
        )
    return tuple(told)
