"""The document of `nightbank bank`: stage, ledger, cycles and health of the bank, from the store alone.

Each part reads what it needs and keeps nothing. Unknown is None here and told as unknown in `bank_words`.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from monitor.bank.charge_words import BAND_SDS, WIDE_SD
from monitor.bank.description import BankDescription, describe_site
from monitor.bank.health import (
    CYCLE_LIFE,
    LEAST_DAYS,
    Acceptance,
    Banded,
    Halves,
    capacity_share,
    coulombic_efficiency,
    cycle_life,
    halves_in_words,
    is_learnt,
    sulfation_in_words,
)
from monitor.bank.ledger import FLOW_QUANTITIES, Flow, deepest, equivalent_cycles, flow
from monitor.bank.resistance import ResistanceMeter, trend
from monitor.bank.stage_hours import HeldSeen, set_points_in_words, stage_hours
from monitor.bank.tables import freezing_point_at_C
from monitor.local_days import LocalDay, day_at, local_day
from monitor.present import present
from monitor.quantities import Stage
from monitor.records import DAY_MS, HOUR_MS, DayStat, iso_utc, parse_iso, to_datetime
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.fulls import told_full
from monitor.store.parts import span_stats

TABLE_DAYS = 7
LOOK_BACK_DAYS = 30
"""How far acceptance, set points, balance and recent resistance look back (our choice)."""

MONTH_SAMPLE_DAYS, MONTHS = 5, 12
"""Of each of the last months so many days tell the resistance (our choice: a year stays quick to read)."""

EFFICIENCY_DAYS, EFFICIENCY_CYCLES = 60, 0.2
"""Efficiency is told over the full charges of so many days, if so much of the capacity was taken out between
the first and the last of them (our choice: what is wrong at the ends must be small beside it)."""

WELL_COVERED = 0.98
"""A span with more than 2 % of it without readings tells no efficiency (our choice)."""

BY_MINUTE_S = 60.0


@dataclass(frozen=True, slots=True)
class _Look:
    """What every part reads with."""

    site: Site
    bank: BankDescription
    reader: StoreReader
    zone: ZoneInfo
    now_ms: int

    @property
    def today(self) -> LocalDay:
        return day_at(self.zone, self.now_ms)

    @property
    def level(self) -> str:
        return self.site.metering.level

    def days_ago(self, days: int) -> date:
        return self.today.day - timedelta(days=days)

    def start_ms(self, day: date) -> int:
        return local_day(self.zone, day).start_ms


def bank_report(site: Site, reader: StoreReader) -> dict[str, Any]:
    """The document of `nightbank bank --json`; site has its set points filled in.

    Times are ISO 8601 UTC, days local. Each `sd` is one standard deviation.
    """
    standing = present(site, reader)
    now_ms = parse_iso(standing["time"])
    look = _Look(site, describe_site(site), reader, site.site.zone, now_ms)
    span = reader.span()
    first = day_at(look.zone, span[0]).day if span else look.today.day
    every_day = reader.days(first, look.today.day)
    fulls_ms = told_full(reader, 0, now_ms + 1)
    capacity_Ah, sd_Ah = _latest(reader, "bank_capacity_Ah"), _latest(reader, "bank_capacity_sd_Ah")
    return {
        "time": standing["time"],
        "site": site.site.name,
        "chemistry": look.bank.chemistry,
        "level": look.level,
        "soc": standing["soc"],
        "soc_sd": standing["soc_sd"],
        "freezes_C": _freezes_C(look.bank.chemistry, standing["soc"], standing["soc_sd"]),
        "stage": _stage(look, standing["stage"]),
        "ledger": _ledger(look, every_day, fulls_ms),
        "cycles": _cycles(look, every_day, _learnt_Ah(capacity_Ah, sd_Ah), span),
        "health": _health(look, every_day, fulls_ms, capacity_Ah, sd_Ah),
    }


def _freezes_C(chemistry: str, soc: float | None, soc_sd: float | None) -> float | None:
    """Where the acid begins to freeze at the lower end of the charge's band, with the weakest usual acid."""
    if chemistry == "lifepo4" or soc is None or soc_sd is None:
        return None
    return round(freezing_point_at_C(max(0.0, soc - BAND_SDS * soc_sd)), 1)


def _stage(look: _Look, now: str | None) -> dict[str, Any]:
    today, end_ms = look.today, look.now_ms + 1
    hours = stage_hours(look.reader.rows(["charge_stage"], today.start_ms, end_ms), today.start_ms, end_ms)
    told_h, past_h = sum(hours.values()), (look.now_ms - today.start_ms) / HOUR_MS
    return {
        "now": now,
        "today_h": {stage.name.lower(): round(value, 2) for stage, value in hours.items()},
        "unknown_h": round(max(0.0, past_h - told_h), 2),
    }


def _ledger(look: _Look, every_day: list[DayStat], fulls_ms: list[int]) -> dict[str, Any]:
    days = []
    for back in reversed(range(TABLE_DAYS)):
        day = look.days_ago(back)
        stats = [stat for stat in every_day if stat.day == day]
        whole = local_day(look.zone, day)
        span_s = (min(whole.end_ms, look.now_ms) - whole.start_ms) / 1000
        days.append({"day": day.isoformat(), **_flow_row(flow(stats, look.level, span_s), stats)})
    since: dict[str, Any] = {"full": None, "days": None}
    if fulls_ms:
        stats = span_stats(
            look.reader,
            look.zone,
            (*FLOW_QUANTITIES, "state_of_charge", "state_of_charge_sd"),
            fulls_ms[0],
            look.now_ms + 1,
        )
        moved = flow(stats, look.level, (look.now_ms - fulls_ms[0]) / 1000)
        since = {
            "full": iso_utc(fulls_ms[0]),
            "days": round((look.now_ms - fulls_ms[0]) / DAY_MS, 2),
            **_flow_row(moved, stats),
        }
    return {"today": days[-1], "since_full": since, "last_days": days}


def _flow_row(moved: Flow, stats: list[DayStat]) -> dict[str, Any]:
    lowest = None if _too_vague(stats) else deepest(stats)
    return {
        "in_Ah": _rounded(moved.in_Ah),
        "out_Ah": _rounded(moved.out_Ah),
        "in_Wh": _rounded(moved.in_Wh),
        "out_Wh": _rounded(moved.out_Wh),
        "returned": _rounded(moved.returned),
        "covered_h": _rounded(moved.covered_s / 3600),
        "unseen_h": _rounded(moved.dark_s / 3600),
        "lowest_soc": None if lowest is None else _rounded(lowest[0], 3),
        "lowest_at": None if lowest is None else iso_utc(lowest[1]),
    }


def _too_vague(stats: list[DayStat]) -> bool:
    """Whether the charge was on the mean too little known for its lowest to be told as one figure."""
    spreads = [stat for stat in stats if stat.quantity == "state_of_charge_sd"]
    count = sum(stat.count for stat in spreads)
    return count > 0 and sum(stat.mean * stat.count for stat in spreads) > WIDE_SD * count


def _cycles(
    look: _Look, every_day: list[DayStat], learnt_Ah: float | None, span: tuple[int, int] | None
) -> dict[str, Any]:
    moved = flow(every_day, look.level, 0.0)
    over_Ah = learnt_Ah or look.bank.capacity_Ah
    return {
        "equivalent_full": _rounded(equivalent_cycles(moved.out_Ah, over_Ah)),
        "over_Ah": _rounded(over_Ah),
        "capacity": "learnt" if learnt_Ah else "rated",
        "since": None if span is None else iso_utc(span[0]),
        "covered_h": _rounded(moved.covered_s / 3600),
    }


def _health(
    look: _Look,
    every_day: list[DayStat],
    fulls_ms: list[int],
    capacity_Ah: float | None,
    sd_Ah: float | None,
) -> dict[str, Any]:
    bank, start_ms = look.bank, look.start_ms(look.days_ago(LOOK_BACK_DAYS))
    acceptance, halves = Acceptance(bank.capacity_Ah), Halves(bank.cells, bank.capacity_Ah)
    # two meter steps, or 2.5 mV a cell: a held voltage falls into one or two such bins
    held = HeldSeen(
        bank.set_points.compensation_V_per_C, max(2 * bank.meters.voltage_step_V, 0.0025 * bank.cells)
    )
    names = (
        "battery_voltage_V",
        "battery_current_A",
        "charge_current_A",
        "battery_temperature_C",
        "midpoint_voltage_V",
        "charge_stage",
    )
    for time_ms, row in look.reader.rows(names, start_ms, look.now_ms + 1, BY_MINUTE_S):
        acceptance.take(row)
        halves.take(time_ms, row)
        held.take(row)
    charges = [
        stat.mean for stat in every_day
        if stat.quantity == "state_of_charge" and stat.day >= look.days_ago(LOOK_BACK_DAYS)
    ]  # fmt: skip
    days_since = (look.now_ms - fulls_ms[0]) / DAY_MS if fulls_ms else None
    return {
        "capacity_share": _banded(capacity_share(capacity_Ah, sd_Ah, bank.capacity_Ah)),
        "capacity_Ah": _rounded(capacity_Ah),
        "rated_Ah": _rounded(bank.capacity_Ah),
        "resistance": _resistance(look),
        "acceptance": _banded(acceptance.share()),
        "coulombic_efficiency": _banded(_efficiency(look, fulls_ms, capacity_Ah)),
        "sulfation": sulfation_in_words(
            bank.chemistry, days_since, sum(charges) / len(charges) if charges else None
        ),
        "halves_V": _rounded(halves.spread_V(), 3),
        "halves": halves_in_words(halves.spread_V(), bank.cells, bank.chemistry),
        "cycle_life": _life(bank.chemistry, every_day),
        "set_points": set_points_in_words(held, bank.set_points, bank.chemistry, bank.cells),
        "held_V": {
            stage.name.lower(): _rounded(held.held_V(stage), 3) for stage in (Stage.ABSORPTION, Stage.FLOAT)
        },
    }


def _life(chemistry: str, every_day: list[DayStat]) -> dict[str, Any]:
    unknown: dict[str, Any] = {"used": None, "days": None, "years_left": None}
    if chemistry not in CYCLE_LIFE:
        return {**unknown, "why": "no published curve for this chemistry"}
    life = cycle_life(chemistry, every_day)
    if life is None:
        return {**unknown, "why": f"fewer than {LEAST_DAYS} days of charge are known"}
    return {**asdict(life), "why": ""}


def _efficiency(look: _Look, fulls_ms: list[int], capacity_Ah: float | None) -> Banded | None:
    """Out over in between the newest full charge and an earlier one."""
    if look.level == "charging":
        return None
    recent = [full_ms for full_ms in fulls_ms if full_ms >= look.start_ms(look.days_ago(EFFICIENCY_DAYS))]
    if len(recent) < 2:
        return None
    start_ms, end_ms, over_Ah = recent[-1], recent[0], capacity_Ah or look.bank.capacity_Ah
    stats = span_stats(look.reader, look.zone, FLOW_QUANTITIES, start_ms, end_ms)
    between = flow(stats, look.level, (end_ms - start_ms) / 1000)
    taken = equivalent_cycles(between.out_Ah, over_Ah) or 0.0
    if between.covered_s < WELL_COVERED * between.span_s or taken < EFFICIENCY_CYCLES:
        return None
    return coulombic_efficiency(between, over_Ah, look.bank.meters)


def _resistance(look: _Look) -> dict[str, Any]:
    bank = look.bank
    meter = ResistanceMeter(bank.chemistry, bank.cells, bank.capacity_Ah, bank.meters)
    unknown: dict[str, Any] = {"ohm": None, "sd": None, "month": None, "trend_per_year": None}
    if meter.too_coarse:
        return {**unknown, "why": f"meters too coarse: {bank.meters.voltage_step_V:g} V steps"}
    if look.level == "charging":
        return {**unknown, "why": "the loads are not metered, so no load step is seen"}
    names = ("battery_voltage_V", "battery_current_A", "battery_temperature_C")
    for start_ms, end_ms in _samples(look):
        for time_ms, row in look.reader.rows(names, start_ms, end_ms):
            meter.take(time_ms, row)
    months = meter.months()
    if not months:
        return {**unknown, "why": "too few clear load steps between readings at most a minute apart"}
    line, last = trend(months), months[-1]
    return {
        "ohm": _rounded(last.ohm, 5),
        "sd": _rounded(last.sd_ohm, 5),
        "month": last.month,
        "trend_per_year": None if line is None else _banded(Banded(line.per_year, line.sd_per_year)),
        "why": "",
    }


def _samples(look: _Look) -> list[tuple[int, int]]:
    """The first days of each of the last months, then the last days, without overlap and in order."""
    recent_ms = look.start_ms(look.days_ago(LOOK_BACK_DAYS))
    month, samples = look.days_ago(LOOK_BACK_DAYS).replace(day=1), [(recent_ms, look.now_ms + 1)]
    for _ in range(MONTHS):
        end_ms = min(recent_ms, look.start_ms(month + timedelta(days=MONTH_SAMPLE_DAYS)))
        samples.append((look.start_ms(month), end_ms))
        month = (month - timedelta(days=1)).replace(day=1)
    return sorted(span for span in samples if span[0] < span[1])


def _learnt_Ah(capacity_Ah: float | None, sd_Ah: float | None) -> float | None:
    """The estimated capacity, None while it is little more than what is true of any bank of this rating."""
    if capacity_Ah is None or sd_Ah is None:
        return None
    return capacity_Ah if is_learnt(capacity_Ah, sd_Ah) else None


def _latest(reader: StoreReader, quantity: str) -> float | None:
    reading = reader.latest_good(quantity)
    return None if reading is None else reading.value


def _rounded(value: float | None, digits: int = 2) -> float | None:
    return None if value is None else round(value, digits)


def _banded(figure: Banded | None) -> dict[str, float] | None:
    return None if figure is None else {"value": round(figure.value, 4), "sd": round(figure.sd, 4)}


def local_words(time_iso: str, zone: ZoneInfo) -> str:
    """'21 Nov 14:05' of a UTC stamp, local at the site."""
    return f"{to_datetime(parse_iso(time_iso)).astimezone(zone):%-d %b %H:%M}"
