"""One site's nights: what the outlook and two plain methods said in the evening, and what came.

The estimator and the outlook see the rows one after the other; every outlook is made from what came before
its time. Charges are of the truth, voltages five-minute means of what the meter showed.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import fmean

import numpy as np

from monitor.bank.ahead import Ahead
from monitor.bank.description import BankDescription, describe_site
from monitor.bank.estimator import BankEstimator
from monitor.bank.sample import BankEstimate, BankSample
from monitor.bank.tables import rest_voltage_V
from monitor.outlook.answer import Band, Outlook
from monitor.outlook.make import SUPPOSED, Known, make
from monitor.outlook.past import SitePast
from monitor.outlook.sky import past_shares
from monitor.records import to_datetime
from monitor.site.load import with_defaults
from monitor.site.model import Site
from monitor.sun.day import Clear
from monitor.sun.expected import clear_days, supply_of
from tests.banks.site import Record, Row, read
from tests.nights.courses import course_of
from tests.nights.sites import DAYS, NightSite, night_site

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
FIRST_NIGHT = 3
"""The nights before are the site's first ones and not judged (our choice)."""

RISEN_DEG = -0.833


@dataclass(frozen=True, slots=True)
class Told:
    """An outlook as the judge keeps it, beside the truth of its own window."""

    at_ms: int
    soc_min: tuple[float, float, float]
    voltage_V: tuple[float, float, float]
    used_Ah: tuple[float, float, float]
    crosses_reserve: float
    crosses_disconnect: float | None
    true_soc_min: float
    true_voltage_V: float
    true_used_Ah: float
    soc_error: float


@dataclass(frozen=True, slots=True)
class Plain:
    """A plain method's lowest voltage and Ah of the night to the true sunrise, and the truth of it."""

    voltage_V: float
    used_Ah: float
    true_voltage_V: float
    true_used_Ah: float


@dataclass(frozen=True, slots=True)
class NightJudged:
    """One night: the outlook asked half an hour after sunset, the hourly ones, the plain methods, crossings.

    crossed_ms is when the truth first fell below the reserve or the disconnect in the night, None where it
    did not. low_before: it already stood below at sunset less three hours.
    """

    site: str
    day: int
    level: str
    volts: float
    asked: Told
    hourly: tuple[Told, ...]
    same_current: Plain
    same_night: Plain | None
    crossed_ms: int | None
    low_before: bool
    lowest_over: float


@dataclass(slots=True)
class World:
    """A site's record and truth as arrays by the minute."""

    site: Site
    record: Record
    start_ms: int
    soc: np.ndarray
    load_A: np.ndarray
    shown_V: np.ndarray
    clear: Mapping[date, Sequence[Clear]]


def world_of(night: NightSite) -> World:
    """Run a site and read its meters. The plant's course is kept in the temporary folder."""
    course = course_of(night)
    record = read(night.site, course, night.grade)
    site, _ = with_defaults(Site.model_validate(tomllib.loads(night.site_toml)))
    first = night.site.start.date()
    days = [first + timedelta(days=at) for at in range(DAYS + 6)]
    return World(
        site,
        record,
        course[0].time_ms,
        np.array([now.soc for now in course]),
        np.array([now.metered_A + now.unmetered_A for now in course]),
        np.array([row.battery_voltage_V for row in record.rows]),
        clear_days(supply_of(site), days),
    )


def judged(seed: int, hourly: bool) -> list[NightJudged]:
    """All nights of a seed's site; hourly outlooks only where asked for, they cost ten times as much."""
    night = night_site(seed)
    world = world_of(night)
    rises, sets = _sun(world.clear)
    asks = _asks(sets, rises, hourly, world)
    told = _ask_all(world, sorted({at for each in asks.values() for at in each}))
    nights = []
    for number in sorted(asks):
        sunset_ms, sunrise_ms = sets[number], rises[number + 1]
        asked_ms = asks[number][0]
        others = tuple(told[at] for at in asks[number][1:])
        crossed_ms, low_before, over = _crossed(world, sunset_ms, sunrise_ms)
        nights.append(
            NightJudged(
                site=night.site.name,
                day=number,
                level=night.site.meters.level,
                volts=world.site.bank.voltage_V,
                asked=told[asked_ms],
                hourly=others,
                same_current=_same_current(world, asked_ms, sunrise_ms),
                same_night=_same_night(world, asked_ms, sunrise_ms),
                crossed_ms=crossed_ms,
                low_before=low_before,
                lowest_over=over,
            )
        )
    return nights


def _sun(clear: Mapping[date, Sequence[Clear]]) -> tuple[list[int], list[int]]:
    """Sunrise and sunset of each day, UTC ms."""
    rises, sets = [], []
    for day in sorted(clear):
        up = [step.start_ms for step in clear[day] if step.elevation_deg > RISEN_DEG]
        rises.append(up[0])
        sets.append(up[-1] + 5 * MINUTE_MS)
    return rises, sets


def _asks(sets: list[int], rises: list[int], hourly: bool, world: World) -> dict[int, list[int]]:
    """When to ask by night: half an hour after sunset, then by the hour from three hours before it on."""
    asks = {}
    for number in range(FIRST_NIGHT, DAYS - 1):
        asked_ms = sets[number] + 30 * MINUTE_MS
        later = range(sets[number] - 3 * HOUR_MS, rises[number + 1], HOUR_MS) if hourly else ()
        asks[number] = [asked_ms // (5 * MINUTE_MS) * 5 * MINUTE_MS, *later]
    return asks


def _ask_all(world: World, times: Sequence[int]) -> dict[int, Told]:
    site, bank = world.site, describe_site(world.site)
    estimator, past = BankEstimator(bank), SitePast(site)
    told: dict[int, Told] = {}
    waiting = list(times)
    for row in world.record.rows:
        while waiting and waiting[0] <= row.time_ms:
            at_ms = waiting.pop(0)
            told[at_ms] = _told(world, _outlook(world, estimator, bank, past, at_ms))
        estimate = estimator.update(BankSample(*row[:8]))
        past.add(row.time_ms, _values(row, estimate))
    return told


def _values(row: Row, estimate: BankEstimate) -> dict[str, float]:
    values = dict(zip(Row._fields[1:8], row[1:8], strict=True))
    values |= {"unseen_load_A": estimate.unseen_load_A, "state_of_charge": estimate.soc}
    known = {name: value for name, value in values.items() if value is not None}
    return known | {"charge_stage": float(estimate.stage)}


def _outlook(
    world: World, estimator: BankEstimator, bank: BankDescription, past: SitePast, at_ms: int
) -> Outlook:
    today = to_datetime(at_ms).date()
    behind = {day: steps for day, steps in world.clear.items() if today - timedelta(21) <= day <= today}
    ahead = [step for day, steps in sorted(world.clear.items()) if day >= today for step in steps]

    def banks() -> Ahead:
        found = estimator.ahead(SUPPOSED)
        assert found is not None
        return found

    soc = float(banks().soc().mean())
    return make(
        Known(
            site=world.site,
            bank=bank,
            at_ms=at_ms,
            soc=soc,
            banks=banks,
            past=past,
            clear=ahead,
            shares=past_shares(past, at_ms, behind),
            days=1,
        )
    )


def _told(world: World, outlook: Outlook) -> Told:
    at_ms = outlook.at_ms
    end_ms = outlook.helps_ms or at_ms + 24 * HOUR_MS
    begin = _minute(world, at_ms)
    soc_min, voltage_V, used_Ah = _truth(world, at_ms, end_ms)
    return Told(
        at_ms,
        _three(outlook.soc_min),
        _three(outlook.voltage_min_V),
        _three(outlook.used_Ah),
        outlook.crosses_reserve_probability,
        outlook.crosses_disconnect_probability,
        soc_min,
        voltage_V,
        used_Ah,
        outlook.soc_now - float(world.soc[begin]),
    )


def _three(band: Band) -> tuple[float, float, float]:
    return band.p10, band.p50, band.p90


def _minute(world: World, at_ms: int) -> int:
    return round((at_ms - world.start_ms) / MINUTE_MS)


def _truth(world: World, at_ms: int, end_ms: int) -> tuple[float, float, float]:
    """Lowest charge, lowest five-minute mean of the shown voltage, and Ah drawn in a span."""
    begin, end = _minute(world, at_ms), min(_minute(world, end_ms), len(world.soc))
    whole = begin + (end - begin) // 5 * 5
    means = world.shown_V[begin:whole].reshape(-1, 5).mean(axis=1)
    return float(world.soc[begin:end].min()), float(means.min()), float(world.load_A[begin:end].sum() / 60)


def _crossed(world: World, sunset_ms: int, sunrise_ms: int) -> tuple[int | None, bool, float]:
    begin, dusk = _minute(world, sunset_ms - 3 * HOUR_MS), _minute(world, sunset_ms)
    end = min(_minute(world, sunrise_ms), len(world.soc))
    disconnect_V = world.site.controller.disconnect_V if world.site.controller else None
    assert disconnect_V is not None
    low = (world.soc < world.site.bank.reserve_soc)[begin:end]
    low = low | (world.shown_V[begin:end] < disconnect_V)
    over = float(world.soc[dusk:end].min() - world.site.bank.reserve_soc)
    if low[: dusk - begin].any():
        return None, True, over
    first = np.flatnonzero(low[dusk - begin :])
    if not len(first):
        return None, False, over
    return sunset_ms + int(first[0]) * MINUTE_MS, False, over


def _same_current(world: World, at_ms: int, sunrise_ms: int) -> Plain:
    """The present current until the true sunrise; the voltage falls by the bank's rest curve."""
    begin = _minute(world, at_ms)
    _, true_V, true_Ah = _truth(world, at_ms, sunrise_ms)
    used_Ah = fmean(world.load_A[begin - 5 : begin]) * (sunrise_ms - at_ms) / HOUR_MS
    bank = world.site.bank
    soc = float(world.soc[begin])
    falls_V = rest_voltage_V(bank.chemistry, soc) - rest_voltage_V(
        bank.chemistry, soc - used_Ah / bank.capacity_Ah
    )
    now_V = fmean(world.shown_V[begin - 5 : begin])
    return Plain(now_V - falls_V * bank.cells_in_series, used_Ah, true_V, true_Ah)


def _same_night(world: World, at_ms: int, sunrise_ms: int) -> Plain | None:
    """Last night's lowest voltage and Ah, between the same hours."""
    day_ms = 24 * HOUR_MS
    if at_ms - day_ms < world.start_ms:
        return None
    _, true_V, true_Ah = _truth(world, at_ms, sunrise_ms)
    _, voltage_V, used_Ah = _truth(world, at_ms - day_ms, sunrise_ms - day_ms)
    return Plain(voltage_V, used_Ah, true_V, true_Ah)
