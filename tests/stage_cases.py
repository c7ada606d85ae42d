"""Simulated days whose charge stage is known, and how well a stage tracker names it.

Shared by tests/unit/test_stage.py (ten days) and tests/bench/stage_hits.py (sixty).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from copy import deepcopy
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from itertools import pairwise
from random import Random
from typing import Any

from monitor.bank.description import BankDescription
from monitor.bank.sample import BankSample
from monitor.bank.setpoints import SetPoints
from monitor.bank.stage import StageTracker
from monitor.quantities import Stage
from monitor.site.model import Meters
from simulator.plant import Plant, Truth
from simulator.scenario import build, built_in

START_MS = round(datetime(2026, 4, 1, tzinfo=UTC).timestamp() * 1000)

SEEN: dict[str, tuple[str, ...]] = {
    "shunt": ("net", "charge", "array"),
    "shunt alone": ("net",),
    "controller sees loads": ("derived net", "charge", "load", "array"),
    "charging only": ("charge", "array"),
    "voltage and array": ("array",),
}
"""What each metering level gives to see besides voltage and temperature."""

CLEAR_MS = 5 * 60_000
"""A row is clear where the true stage has stood for five minutes before it and stands for five after it."""


@dataclass(frozen=True, slots=True)
class Case:
    """One supply to simulate; constants of its bank are drawn by the seed."""

    seed: int
    kind: str = "mppt"
    chemistry: str = "flooded"
    days: int = 60
    equalize_every_days: int = 10
    probe_missing: bool = False
    compensates: bool = True  # the bank's description says so either way
    start_ms: int = START_MS

    def __str__(self) -> str:
        return f"{self.chemistry} {self.kind} seed {self.seed}"


# set points per chemistry: battery makers' data sheets and guides; LiFePO4 from memory
POINTS = {
    "flooded": (14.8, 13.2, 15.5, -0.030),
    "agm": (14.4, 13.6, 15.5, -0.024),
    "gel": (14.4, 13.5, 15.5, -0.030),
    "lifepo4": (14.2, 13.5, 15.5, 0.0),
}


def truths(case: Case) -> tuple[list[Truth], BankDescription]:
    """The true course of one case by the minute, and the bank as its owner would describe it."""
    tables: dict[str, Any] = deepcopy(built_in())
    absorption_V, float_V, equalization_V, slope = POINTS[case.chemistry]
    lead = case.chemistry != "lifepo4"
    tables["bank"] |= {
        "chemistry": case.chemistry,
        "constants": "drawn",
        "start_soc": 0.7,
        "unit_voltage_V": 6 if lead else 12.8,
        "units_in_series": 2 if lead else 1,
    }
    tables["controller"] |= {
        "kind": case.kind,
        "absorption_V": absorption_V,
        "float_V": float_V,
        "equalization_V": equalization_V,
        "temperature_compensation_V_per_C": slope if case.compensates else 0.0,
        "equalize_every_days": case.equalize_every_days if case.chemistry == "flooded" else 0,
    }
    tables["window_days"] = case.days
    tables["weather"] = []
    tables["probe_missing"] = case.probe_missing
    tables["loads"] = [*tables["loads"], {"name": "radio", "power_W": 18, "metered": False, "from_h": 8,
                                          "to_h": 19, "jitter_h": 2.0}]  # fmt: skip
    world = build(tables, "stage case", None, case.start_ms, case.start_ms, case.seed)
    plant = Plant(world)
    rows: list[Truth] = []
    plant.advance_to(world.end_ms, rows.append)
    capacity_Ah = world.bank.capacity_Ah
    bank = BankDescription(
        chemistry=case.chemistry,  # type: ignore[arg-type]
        cells=world.bank.cells,
        capacity_Ah=capacity_Ah,
        set_points=SetPoints(absorption_V, float_V, equalization_V if lead else None, slope),
        absorption_h=world.controller.absorption_h,
        tail_current_A=world.controller.tail_current_fraction * capacity_Ah,
        disconnect_V=world.controller.disconnect_V,
        meters=Meters(),
        monitor_A=0.16,
        use_A=None,
        straight=False,
        level=None,
    )
    return rows, bank


@dataclass(frozen=True, slots=True)
class Instruments:
    """Steps (V and A) and errors of one site's instruments."""

    step: float
    voltage_gain: float = 1.0
    current_gain: float = 1.0
    offset_A: float = 0.0

    def voltage_V(self, true_V: float) -> float:
        return round(true_V * self.voltage_gain / self.step) * self.step

    def current_A(self, true_A: float) -> float:
        return round((true_A * self.current_gain + self.offset_A) / self.step) * self.step


def drawn_instruments(seed: int, step: float) -> Instruments:
    """Errors at random within the tolerances that a site file states by default."""
    rng = Random(f"{seed}/instruments")
    usual = Meters()
    return Instruments(
        step,
        1 + rng.uniform(-1, 1) * usual.voltage_gain_tolerance,
        1 + rng.uniform(-1, 1) * usual.current_gain_tolerance,
        rng.uniform(-1, 1) * usual.current_offset_tolerance_A,
    )


def sample_of(truth: Truth, seen: Sequence[str], meters: Instruments) -> BankSample:
    """What the instruments show of the truth; of the net, what the level can derive."""
    shown = meters.current_A

    no_probe = "probe_missing" in truth.faults
    net_A: float | None = None
    if "net" in seen:
        net_A = shown(truth.battery_current_A)
    elif "derived net" in seen:
        net_A = shown(truth.charge_current_A) - shown(truth.load_current_A)
    return BankSample(
        truth.time_ms,
        battery_voltage_V=meters.voltage_V(truth.battery_voltage_V),
        battery_current_A=net_A,
        charge_current_A=shown(truth.charge_current_A) if "charge" in seen else None,
        load_current_A=shown(truth.load_current_A) if "load" in seen else None,
        battery_temperature_C=None if no_probe else round(truth.battery_temperature_C, 1),
        array_voltage_V=meters.voltage_V(truth.array_voltage_V) if "array" in seen else None,
        array_current_A=shown(truth.array_current_A) if "array" in seen else None,
    )


@dataclass(slots=True)
class Hits:
    """Counts of (true, told) stages over all rows and over the clear ones."""

    every: Counter[tuple[Stage, Stage]] = field(default_factory=Counter)
    clear: Counter[tuple[Stage, Stage]] = field(default_factory=Counter)

    def add(self, told: Iterable[tuple[int, Stage, Stage]]) -> None:
        """Rows of time, true and told stage, in order."""
        rows = list(told)
        changes = [(before[0], row[0]) for before, row in pairwise(rows) if before[1] is not row[1]]
        at = 0
        for time_ms, true, said in rows:
            self.every[true, said] += 1
            while at < len(changes) and changes[at][1] + CLEAR_MS <= time_ms:
                at += 1
            if at == len(changes) or time_ms <= changes[at][0] - CLEAR_MS:
                self.clear[true, said] += 1

    @staticmethod
    def _right(of: Counter[tuple[Stage, Stage]], stage: Stage | None = None) -> float:
        rows = sum(n for (true, _), n in of.items() if stage in (None, true))
        right = sum(n for (true, said), n in of.items() if true is said and stage in (None, true))
        return right / rows if rows else float("nan")

    @property
    def clear_right(self) -> float:
        return self._right(self.clear)

    @property
    def all_right(self) -> float:
        return self._right(self.every)

    def recall(self, stage: Stage) -> float:
        """Share of all rows of a true stage that were told right; NaN where it never came."""
        return self._right(self.every, stage)


def hits(rows: Sequence[Truth], bank: BankDescription, level: str, instruments: Instruments) -> Hits:
    """How well a new tracker names the stages of a run at a metering level."""
    meters = Meters(voltage_step_V=instruments.step, current_step_A=instruments.step)
    tracker = StageTracker(replace(bank, meters=meters))
    seen = SEEN[level]
    found = Hits()
    found.add(
        (row.time_ms, Stage(row.charge_stage), tracker.update(sample_of(row, seen, instruments)).stage)
        for row in rows
    )
    return found
