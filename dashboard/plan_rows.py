"""The declared loads by branch, and what was used of late. Pure but for `take_plan`, which asks the store."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import groupby
from statistics import median
from zoneinfo import ZoneInfo

from dashboard.days import Span, energy, take_days
from dashboard.local import day_text, marked
from dashboard.words import number
from monitor.present import now_of
from monitor.records import to_datetime
from monitor.site.model import Load, Site
from monitor.store.base import StoreReader

USED_DAYS = 14
"""So many whole days tell what is used of late (our choice: two weekends)."""

DAY_H = 24


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
    """All that the page says. used is (day, Wh), newest first, of the days on which the use is known."""

    sentence: str
    beside: tuple[str, ...]
    branches: tuple[Branch, ...]
    used: tuple[tuple[str, float], ...]


def take_plan(reader: StoreReader, site: Site) -> Plan:
    """The plan of a site as it stands now. Raises StoreError."""
    today = to_datetime(now_of(reader).time_ms).astimezone(ZoneInfo(site.site.time_zone)).date()
    yesterday = today - timedelta(days=1)
    rows = take_days(reader, site, Span(yesterday, yesterday).of_length(USED_DAYS))
    used = [(row.first, row.used_Wh) for row in reversed(rows) if row.used_Wh is not None]
    branches = branches_of(site.loads)
    return Plan(
        sentence=_sentence(branches, site),
        beside=_beside(branches, site, [used_Wh for _, used_Wh in used]),
        branches=branches,
        used=tuple((day_text(day, weekday=True), used_Wh) for day, used_Wh in used),
    )


def branches_of(loads: Sequence[Load]) -> tuple[Branch, ...]:
    """The declared loads by branch, in the order of their branch's first load."""
    order = {load.branch: place for place, load in reversed(list(enumerate(loads)))}
    found = []
    for name, some in groupby(sorted(loads, key=lambda load: order[load.branch]), lambda load: load.branch):
        rows = tuple(_row(load) for load in some)
        found.append(Branch(name, rows, sum(row.energy_Wh for row in rows)))
    return tuple(found)


def _row(load: Load) -> LoadRow:
    each = f"{marked(f'{load.power_W:g}')} W"
    return LoadRow(
        load.name,
        each if load.count == 1 else f"{load.count} × {each}",
        marked(f"{load.hours_per_day:g}"),
        load.power_W * load.count * load.hours_per_day,
    )


def _sentence(branches: Sequence[Branch], site: Site) -> str:
    if not branches:
        return "No load is declared yet."
    total_Wh = sum(branch.energy_Wh for branch in branches)
    days = site.bank.capacity_Ah * site.bank.voltage_V * (1 - site.bank.reserve_soc) / total_Wh
    return (
        f"The declared loads take {energy(total_Wh)} a day; down to its reserve the full bank holds"
        f" {number(days, 1)} times that."
    )


def _beside(branches: Sequence[Branch], site: Site, used_Wh: Sequence[float]) -> tuple[str, ...]:
    """What was used beside what is declared, and what neither counts."""
    told = []
    if not branches:
        told.append(
            "Write them into the site file as [[loads]]: name, branch, power_W, count, hours_per_day."
        )
    own_Wh = site.metering.monitor_power_W * DAY_H
    declared_Wh = sum(branch.energy_Wh for branch in branches)
    if used_Wh:
        usual_Wh = median(used_Wh)
        days = "day" if len(used_Wh) == 1 else "days"
        text = f"Used were {energy(usual_Wh)} on the middle one of {len(used_Wh)} {days}"
        if declared_Wh:
            seen_Wh = declared_Wh + (own_Wh if site.metering.level == "shunt" else 0.0)
            text += f", {number(usual_Wh / seen_Wh, 1)} times what the declared loads"
            text += " and this computer take" if site.metering.level == "shunt" else " take"
        told.append(f"{text}.")
    if site.metering.level == "charging":
        told.append("Nothing here meters the loads, so that the use is not known.")
    elif site.metering.level == "controller":
        told.append("Used means through the controller's load output; what is wired past it is not seen.")
    if branches:
        told.append(
            f"This computer takes {energy(own_Wh)} a day beside the loads."
            " The bank gives less than its rating in the cold, with age and with strong currents."
        )
    return tuple(told)
