"""One site run step by step, and what its meters make of it: rows as a monitor logs them, and the truth."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Literal, NamedTuple

from tests.banks.charger import ChargeController, Charger
from tests.banks.consumption import Consumption, Use
from tests.banks.model import BankModel
from tests.banks.weather import Sky

Level = Literal["shunt", "controller", "charging"]
Grade = Literal["coarse", "fine"]

DEAD_V_PER_CELL = 1.70
"""Below it all loads give up, the unmetered ones too (ours)."""

LIFEPO4_DEAD_V_PER_CELL = 2.6
REVIVES_V_PER_CELL = 0.15


class Instant(NamedTuple):
    """What was true at the end of one step of the plant."""

    time_ms: int
    voltage_V: float
    bank_A: float
    charge_A: float
    metered_A: float
    unmetered_A: float
    temperature_C: float
    array_V: float
    array_A: float
    stage: str
    soc: float
    capacity_Ah: float


class Row(NamedTuple):
    """One line of measurements.csv; None where nothing was measured."""

    time_ms: int
    battery_voltage_V: float | None
    battery_current_A: float | None
    charge_current_A: float | None
    load_current_A: float | None
    battery_temperature_C: float | None
    array_voltage_V: float | None
    array_current_A: float | None
    restart: int


class Truth(NamedTuple):
    """What was true at a row's time."""

    time_ms: int
    soc: float
    capacity_Ah: float
    stage: str
    unseen_load_A: float


@dataclass(frozen=True, slots=True)
class Record:
    """A site's record as a monitor would have kept it."""

    name: str
    bank_toml: str
    rows: tuple[Row, ...]
    truth: tuple[Truth, ...]


@dataclass(frozen=True, slots=True)
class Claims:
    """What the owner wrote in the bank file; the truth may differ. Set points there are per cell."""

    chemistry: str
    unit_voltage_V: float
    units_in_series: int
    rated_Ah: float
    compensation_V: float | None = None  # None: as the controller really does it
    absorption_h: float | None = None


@dataclass(frozen=True, slots=True)
class Meters:
    """What the instruments do to the truth."""

    level: Level
    voltage_gain: float = 1.0
    current_gain: float = 1.0
    current_offset_A: float = 0.0
    temperature_offset_C: float = 0.0
    temperature: bool = True
    array: bool = True
    charge: bool = True  # at level 'shunt': whether the controller is read beside it
    poll_s: int = 60


@dataclass(frozen=True, slots=True)
class Gap:
    """The daemon did not run from from_day for hours; lost: its state did not survive."""

    from_day: float
    hours: float
    lost: bool = False


@dataclass(frozen=True, slots=True)
class Site:
    """All that makes one record."""

    name: str
    seed: int
    days: int
    bank: Callable[[], BankModel]
    sky: Callable[[], Sky]
    charger: Charger
    uses: tuple[Use, ...]
    claims: Claims
    meters: Meters
    gaps: tuple[Gap, ...] = ()
    start: datetime = field(default=datetime(2026, 3, 2, tzinfo=UTC))
    step_s: int = 60
    stored: bool = False  # run once by `stored.make`, not anew


def run(site: Site) -> list[Instant]:
    """The plant's whole course, one Instant a step."""
    bank, sky = site.bank(), site.sky()
    consumption = Consumption(site.uses, f"{site.name}/{site.seed}/use")
    controller = ChargeController(site.charger, site.claims.rated_Ah, bank.cells)
    dead_V = LIFEPO4_DEAD_V_PER_CELL if site.claims.chemistry == "lifepo4" else DEAD_V_PER_CELL
    start_ms, hours = round(site.start.timestamp() * 1000), site.step_s / 3600
    voltage_V, dead = bank.voltage_V(0.0), False
    course = []
    for number in range(1, site.days * 86_400 // site.step_s + 1):
        day, second = divmod((number - 1) * site.step_s, 86_400)
        hour = second / 3600
        light, air_C = sky.irradiance_W_m2(day, hour), sky.air_C(day, hour)
        metered_W, straight_W = consumption.powers_W(day, hour)
        dead = voltage_V < (dead_V + (REVIVES_V_PER_CELL if dead else 0.0)) * bank.cells
        metered_A = metered_W / voltage_V if controller.load_on and not dead else 0.0
        straight_A = straight_W / voltage_V if not dead else 0.0
        offered_A = controller.offered_A(light, air_C, voltage_V)
        flow = controller.balance(bank, offered_A, metered_A + straight_A)
        bank.step(flow.bank_A, hours, air_C)
        controller.advance(hours, flow, offered_A > 0, bank.temperature_C)
        voltage_V = flow.voltage_V
        array_V, array_A = _array(site.charger, bank.cells, light, offered_A, flow.charge_A, voltage_V)
        course.append(
            Instant(
                start_ms + number * site.step_s * 1000,
                voltage_V,
                flow.bank_A,
                flow.charge_A,
                metered_A,
                straight_A,
                bank.temperature_C,
                array_V,
                array_A,
                controller.stage,
                bank.state_of_charge,
                bank.capacity_Ah,
            )
        )
    return course


def _array(
    charger: Charger, cells: int, light: float, offered_A: float, charge_A: float, bank_V: float
) -> tuple[float, float]:
    """Where the array works: at its best point, or up its curve where not all is taken (straight, ours)."""
    best_V = 3.0 * cells
    if offered_A <= 0:
        return best_V * min(1.0, light / 20.0), 0.0
    taken = charge_A / offered_A
    if charger.kind == "pwm":
        return taken * (bank_V + 0.3) + (1 - taken) * 1.2 * best_V, charge_A
    array_V = best_V * (1.2 - 0.2 * taken)
    return array_V, charge_A * bank_V / 0.95 / array_V


STEPS: dict[Grade, tuple[float, float, float]] = {"coarse": (0.1, 0.1, 1.0), "fine": (0.01, 0.01, 0.1)}
"""Voltage, current and temperature step of a meter."""


def read(site: Site, course: list[Instant], grade: Grade) -> Record:
    """The record that a monitor with such meters keeps of a plant's course."""
    meters, level = site.meters, site.meters.level
    rng = Random(f"{site.name}/{site.seed}/noise")
    volt, amp, degree = STEPS[grade]
    every = meters.poll_s // site.step_s
    start_ms = course[0].time_ms
    rows: list[Row] = []
    truth: list[Truth] = []
    restart = 0

    def volts(value: float, noise_V: float) -> float:
        return _rounded(value * meters.voltage_gain + rng.gauss(0, noise_V), volt)

    def amps(value: float, offset_A: float) -> float:
        return _rounded(value * meters.current_gain + offset_A, amp)

    for place, now in enumerate(course):
        if place % every:
            continue
        gap = _gap_at(site.gaps, (now.time_ms - start_ms) / 86_400_000)
        if gap is not None:
            restart = max(restart, int(gap.lost))
            continue
        shunt = level == "shunt"
        charging = now.charge_A > 0
        rows.append(
            Row(
                now.time_ms,
                volts(now.voltage_V, 0.002 * now.voltage_V / 12),
                amps(now.bank_A, meters.current_offset_A) if shunt else None,
                max(0.0, amps(now.charge_A, meters.current_offset_A if charging else 0.0))
                if meters.charge
                else None,
                max(0.0, amps(now.metered_A, meters.current_offset_A)) if level == "controller" else None,
                _rounded(now.temperature_C + meters.temperature_offset_C, degree)
                if meters.temperature
                else None,
                _rounded(now.array_V, volt) if meters.array else None,
                _rounded(now.array_A, amp) if meters.array else None,
                restart,
            )
        )
        restart = 0
        unseen_A = {
            "shunt": 0.0,
            "controller": now.unmetered_A,
            "charging": now.metered_A + now.unmetered_A,
        }[level]
        truth.append(Truth(now.time_ms, now.soc, now.capacity_Ah, now.stage, unseen_A))
    return Record(f"{site.name}/{grade}", bank_toml(site, grade), tuple(rows), tuple(truth))


def _gap_at(gaps: tuple[Gap, ...], day: float) -> Gap | None:
    return next((gap for gap in gaps if gap.from_day <= day < gap.from_day + gap.hours / 24), None)


def _rounded(value: float, step: float) -> float:
    return round(round(value / step) * step, 6)


def bank_toml(site: Site, grade: Grade) -> str:
    """The tables [bank], [controller] and [meters] as the owner would write them, set points for the bank."""
    claims, charger = site.claims, site.charger
    chemistry_cell_V = 3.2 if claims.chemistry == "lifepo4" else 2.0
    cells = round(claims.unit_voltage_V / chemistry_cell_V) * claims.units_in_series
    volt, amp, degree = STEPS[grade]
    compensation = charger.compensation_V if claims.compensation_V is None else claims.compensation_V
    hours = charger.absorption_h if claims.absorption_h is None else claims.absorption_h
    lines = [
        "[bank]",
        f'chemistry = "{claims.chemistry}"',
        f"unit_voltage_V = {claims.unit_voltage_V}",
        f"unit_capacity_Ah = {claims.rated_Ah}",
        f"units_in_series = {claims.units_in_series}",
        "",
        "[controller]",
        f'kind = "{charger.kind}"',
        f"rating_A = {charger.rating_A}",
        "array_voltage_limit_V = 150",
        f"absorption_V = {charger.absorption_V * cells:.2f}",
        f"absorption_h = {hours}",
        *([f"float_V = {charger.float_V * cells:.2f}"] if charger.float_V is not None else []),
        *(
            [f"equalization_V = {charger.equalization_V * cells:.2f}"]
            if charger.equalization_V is not None
            else []
        ),
        f"temperature_compensation_V_per_C = {compensation * cells:.4f}",
        f"tail_current_fraction = {charger.tail or 0.02}",
        f"disconnect_V = {charger.disconnect_V * cells:.2f}",
        f"reconnect_V = {charger.reconnect_V * cells:.2f}",
        "",
        "[meters]",
        f"voltage_step_V = {volt}",
        f"current_step_A = {amp}",
        f"temperature_step_C = {degree}",
        "voltage_gain_tolerance = 0.005",
        "current_gain_tolerance = 0.01",
        "current_offset_tolerance_A = 0.05",
        "",
    ]
    return "\n".join(lines)


def write(record: Record, folder: Path) -> None:
    """measurements.csv, truth.csv and BANK.toml of a record into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "BANK.toml").write_text(record.bank_toml, encoding="utf-8")
    with (folder / "measurements.csv").open("w", newline="", encoding="utf-8") as handle:
        out = csv.writer(handle)
        out.writerow(("time", *Row._fields[1:]))
        for row in record.rows:
            out.writerow((_iso(row.time_ms), *("" if value is None else value for value in row[1:])))
    with (folder / "truth.csv").open("w", newline="", encoding="utf-8") as handle:
        out = csv.writer(handle)
        out.writerow(("time", *Truth._fields[1:]))
        out.writerows((_iso(truth.time_ms), *truth[1:]) for truth in record.truth)


def _iso(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).isoformat().replace("+00:00", "Z")
