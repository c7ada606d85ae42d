"""From rows of readings to the steps of a day, and whether the day's readings show a full bank. Pure.

The rows are those of the store, merged by time; one day of them is held at a time.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median
from typing import Literal

from monitor.bank.sample import BankSample
from monitor.bank.stage import StageTracker
from monitor.local_days import LocalDay
from monitor.quantities import Stage
from monitor.sun.day import STEP_S, Step
from monitor.sun.expected import CONVERTER_EFFICIENCY

GATHERED = (
    "battery_voltage_V",
    "battery_current_A",
    "charge_current_A",
    "charge_power_W",
    "battery_temperature_C",
    "controller_temperature_C",
    "array_voltage_V",
    "array_current_A",
    "array_power_W",
    "charge_stage",
    "load_current_A",
    "load_power_W",
    "battery_power_W",
)
"""The quantities that a day's steps are made of."""

BY_MINUTE_S = 60.0
"""Rows are asked from the store as means of this length: what comes faster tells no more of the sky."""

WIDEST_STEP_S = 900
"""Steps are at most so wide; a record that is slower yet has steps without a reading."""

JITTER = 0.1
"""An interval a tenth longer than a step still fits it: slow devices answer a little late (our choice)."""

CONVERSION = {"mppt": CONVERTER_EFFICIENCY, "pwm": 1.0}
"""Charge power over array power where only the charge is read."""

FULL_STAGES = (Stage.FLOAT,)
"""A controller that goes to float took the bank for full."""

Row = tuple[int, Mapping[str, float]]


@dataclass(frozen=True, slots=True)
class Gathered:
    """The steps of one day, one every step_s, and whether its readings show that the bank got full:
    absorption ended by its tail current, or float came after absorption. used_Wh is what the loads took in
    the time that readings cover, None where no meter shows it."""

    span: LocalDay
    step_s: int
    steps: tuple[Step, ...]
    full: bool
    used_Wh: float | None


def gather(
    rows: Iterable[Row],
    spans: Sequence[LocalDay],
    tracker: StageTracker,
    kind: Literal["mppt", "pwm"],
    level: str,
) -> Iterator[Gathered]:
    """The steps of each span, from rows in order of time; a day without rows has steps without readings.

    spans follow one another in time. tracker goes through all rows, so that stages are known where no device
    tells them; rows before the first span only teach it. kind is the controller's, level that of metering.
    """
    todo, day_rows = list(reversed(spans)), list[Row]()
    watch = _Watch(tracker)
    for time_ms, row in rows:
        while todo and time_ms >= todo[-1].end_ms:
            yield _gathered(todo.pop(), day_rows, watch, kind, level)
            day_rows = []
        if not todo:
            return
        if time_ms < todo[-1].start_ms:
            watch.stage_at(time_ms, row)
            continue
        day_rows.append((time_ms, row))
    while todo:
        yield _gathered(todo.pop(), day_rows, watch, kind, level)
        day_rows = []


class _Watch:
    """Runs the stage tracker and notes the signs of a full bank."""

    def __init__(self, tracker: StageTracker) -> None:
        self._tracker = tracker
        self._before = Stage.OFF
        self.full = False

    def stage_at(self, time_ms: int, row: Mapping[str, float]) -> Stage | None:
        """The stage at a row: told, or what the readings show; None without a voltage."""
        told = row.get("charge_stage")
        stage = None if told is None else Stage(int(told))
        if "battery_voltage_V" not in row:
            return stage
        view = self._tracker.update(
            BankSample(
                time_ms,
                row["battery_voltage_V"],
                row.get("battery_current_A"),
                row.get("charge_current_A"),
                None,
                row.get("battery_temperature_C"),
                row.get("array_voltage_V"),
                row.get("array_current_A"),
                stage,
            )
        )
        ended = self._before in (Stage.ABSORPTION, Stage.EQUALIZATION) and view.stage in FULL_STAGES
        self.full = self.full or ended or view.absorption_finished
        self._before = view.stage
        return view.stage


def _gathered(span: LocalDay, rows: Sequence[Row], watch: _Watch, kind: str, level: str) -> Gathered:
    watch.full = False
    interval_s = usual_interval_s([time_ms for time_ms, _ in rows])
    step_s = step_of(interval_s)
    step_ms = 1000 * step_s
    binned: list[list[tuple[Mapping[str, float], Stage | None]]] = [
        [] for _ in range(span.start_ms, span.end_ms, step_ms)
    ]
    for time_ms, row in rows:
        binned[(time_ms - span.start_ms) // step_ms].append((row, watch.stage_at(time_ms, row)))
    steps = tuple(
        _step(span.start_ms + index * step_ms, found, interval_s / step_s, kind)
        for index, found in enumerate(binned)
    )
    used = [power for _, row in rows if (power := used_W(row, level)) is not None]
    used_Wh = sum(used) * interval_s / 3600 if used else None
    return Gathered(span, step_s, steps, watch.full, used_Wh)


def usual_interval_s(times_ms: Sequence[int]) -> float:
    """The median interval between rows; that of a step where there are fewer than two."""
    intervals = [later - time_ms for time_ms, later in pairwise(times_ms)]
    return median(intervals) / 1000 if intervals else float(STEP_S)


def step_of(interval_s: float) -> int:
    """The width of the steps for readings this far apart: the least multiple of STEP_S that holds one."""
    fits = range(STEP_S, WIDEST_STEP_S, STEP_S)
    return next((step_s for step_s in fits if interval_s <= step_s * (1 + JITTER)), WIDEST_STEP_S)


def _step(
    start_ms: int, found: Sequence[tuple[Mapping[str, float], Stage | None]], share: float, kind: str
) -> Step:
    """One step of its rows; share is what of the step one row speaks for."""
    if not found:
        return Step(start_ms, 0.0)
    powers = [power for row, _ in found if (power := array_power_W(row, kind)) is not None]
    stages = Counter(stage for _, stage in found if stage is not None)

    def mean(quantity: str) -> float | None:
        values = [row[quantity] for row, _ in found if quantity in row]
        return fmean(values) if values else None

    return Step(
        start_ms=start_ms,
        covered=min(1.0, len(powers or found) * share),
        power_W=fmean(powers) if powers else None,
        power_low_W=min(powers) if powers else None,
        power_high_W=max(powers) if powers else None,
        array_voltage_V=mean("array_voltage_V"),
        array_current_A=mean("array_current_A"),
        battery_voltage_V=mean("battery_voltage_V"),
        charge_current_A=mean("charge_current_A"),
        battery_temperature_C=mean("battery_temperature_C"),
        controller_temperature_C=mean("controller_temperature_C"),
        stage=max(stages, key=lambda stage: (stages[stage], stage)) if stages else None,
        battery_current_A=mean("battery_current_A"),
    )


def array_power_W(row: Mapping[str, float], kind: str) -> float | None:
    """The array's power: as read, by its voltage and current, or from what the controller gives the bank."""
    if "array_power_W" in row:
        return row["array_power_W"]
    if "array_voltage_V" in row and "array_current_A" in row:
        return row["array_voltage_V"] * row["array_current_A"]
    charge_W = _power_W(row, "charge_power_W", "charge_current_A")
    return None if charge_W is None else charge_W / CONVERSION[kind]


def used_W(row: Mapping[str, float], level: str) -> float | None:
    """What the loads take: as metered, or with a shunt what is given less what the bank keeps."""
    if level == "controller":
        return _power_W(row, "load_power_W", "load_current_A")
    if level == "shunt":
        kept_W = _power_W(row, "battery_power_W", "battery_current_A")
        given_W = _power_W(row, "charge_power_W", "charge_current_A")
        return None if kept_W is None or given_W is None else given_W - kept_W
    return None


def _power_W(row: Mapping[str, float], power: str, current: str) -> float | None:
    if power in row:
        return row[power]
    if current in row and "battery_voltage_V" in row:
        return row["battery_voltage_V"] * row[current]
    return None
