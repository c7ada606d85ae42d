"""State of charge with an honest band: a recursive Bayesian filter over what the meters say.

Samples are gathered into windows of some minutes (`Window`); each window moves and weighs the supposed banks
of `cloud.py`. Between two windows the charge is counted on from the last one. The charge stage comes from
`stage.py`, the words from `basis.py`. Causal: an estimate rests on what came before it and nothing else.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from typing import Any, Protocol

from monitor.bank.ahead import Ahead, Past
from monitor.bank.basis import Ground, words
from monitor.bank.cloud import Cloud, Flow, Moments
from monitor.bank.description import BankDescription
from monitor.bank.full_sign import Held
from monitor.bank.priors import priors_of
from monitor.bank.sample import BankEstimate, BankSample
from monitor.bank.signs import MOST_C, Signs, signs_of, within
from monitor.bank.stage import StageTracker, StageView
from monitor.quantities import Stage
from monitor.records import DAY_MS, HOUR_MS

WINDOW_S = 300.0
"""Voltage is weighed on its mean over so long: the display's steps average out (our choice)."""

GAP_S = 1800.0
"""A longer silence is a gap, in which nothing is counted (our choice)..."""

GAP_INTERVALS, LONGEST_INTERVAL_S = 3.0, 3 * 3600.0
"""...unless the record comes in such long steps: then three of them, of at most three hours."""

UNKNOWN_TEMPERATURE_C = 20.0
"""Taken where none is measured (our choice: a hut, not a laboratory)."""

COLDEST_C, HOTTEST_C = -40.0, 70.0

FULL_SOC, FULL_SD = 0.90, 0.08
"""The signs of full count as a full charge only if the estimate agrees: a sulfated or cold bank shows them
early (a battery maker's manual; our choice of the limits)."""

ABSORPTION_HELD_S = 1800.0
"""A controller that goes to float after so long in absorption took the bank for full (our choice)."""

LOADS_SEEN_DAYS = 7.0
"""A load meter that has shown nothing for so long is no meter of the loads (our choice)."""

LOADS_PATIENCE_H = 48.0
"""...and at a beginning so long is waited for its first current (our choice)."""

HELD: dict[Stage, Held] = {
    Stage.ABSORPTION: "absorption",
    Stage.EQUALIZATION: "absorption",
    Stage.FLOAT: "float",
}

SD_LEAST = 0.01
SD_FACTOR = {"net": 1.15, "charge and load": 1.25, "charge": 1.15, "nothing": 1.15}
"""What the filter's own deviation is widened by, by what is metered (our choice, so that the truth of unlike
bank models lies within two deviations in 90 to 98 % of rows; tests/bench). A model leaves things out."""

UNIFORM_SD = 1 / math.sqrt(12)
"""Standard deviation of a charge of which nothing is known: uniform on 0..1."""

SEED = 20_251_101
"""Where the random numbers begin: any would do."""


class Estimator(Protocol):
    """Turns samples into estimates, causally. Times that go back are ignored, gaps widen the band."""

    def update(self, sample: BankSample) -> BankEstimate:
        """The estimate after one more sample."""

    def state(self) -> str:
        """All that must survive a restart, as JSON text."""


@dataclass(slots=True)
class Window:
    """Samples gathered since the last weighing: hours, and sums over them."""

    hours: float = 0.0
    known_h: float = 0.0  # of which the current was known
    moved: float = 0.0  # known current times hours, share of capacity
    own_h: float = 0.0
    unseen_h: float = 0.0
    voltage_sum_V: float = 0.0
    voltages: int = 0


@dataclass(frozen=True, slots=True)
class _Known:
    """What is metered of the bank's current, and how: 'net', 'charge and load' or 'charge'."""

    current_A: float
    metered: str


@dataclass(slots=True)
class _Memory:
    """What survives a restart beside the cloud and the stage."""

    last_ms: int | None = None
    voltage_read: bool = False
    interval_s: float = 60.0
    temperature_C: float | None = None
    load_seen_ms: int | None = None
    begun_ms: int | None = None
    full_ms: int | None = None
    dark_h: float = 0.0
    dark_end_ms: int | None = None
    signs_of_full: bool = False
    latched: bool = False
    stage: Stage = Stage.OFF
    metered: str = "charge"
    counted: float = 0.0  # charge counted since the last weighing, share of present capacity


class BankEstimator:
    """Estimates one bank. `update` takes samples in order of time; `state` is text to go on from."""

    def __init__(self, bank: BankDescription, saved: str | None = None) -> None:
        """saved is the text of an earlier `state()`; unusable text starts from nothing."""
        self._bank = bank
        self._memory = _Memory()
        self._cloud = self._supposed(SEED)
        self._stage = StageTracker(bank)
        self._window = Window()
        self._known: _Known | None = None
        self._blind = False
        self._moments: Moments | None = None
        if saved is not None:
            self._restore(saved)

    def _supposed(self, seed: int) -> Cloud:
        """Banks of which nothing is known yet."""
        bank = self._bank
        return Cloud(
            priors_of(bank),
            lithium=bank.chemistry == "lifepo4",
            step_V=bank.meters.voltage_step_V / bank.cells,
            seed=seed,
        )

    def _restore(self, saved: str) -> None:
        try:
            document = json.loads(saved)
            memory = _Memory(**document["memory"])
            memory.stage = Stage(memory.stage)
            window = Window(**document["window"])
            if memory.metered not in SD_FACTOR:
                raise ValueError(f"no way of metering is named {memory.metered!r}")
            temperature_C = memory.temperature_C
            cloud = self._supposed(SEED + (memory.last_ms or 0) % 997)
            cloud.restore(
                document["cloud"],
                UNKNOWN_TEMPERATURE_C if temperature_C is None else temperature_C,
                document.get("past", "loads"),  # an older note does not tell
            )
        except (TypeError, ValueError, KeyError):
            return
        self._memory, self._cloud, self._window = memory, cloud, window
        self._stage = StageTracker(self._bank, document.get("stage"))
        self._moments = cloud.moments()

    @property
    def last_ms(self) -> int | None:
        """Time of the newest sample, None before the first."""
        return self._memory.last_ms

    @property
    def soc(self) -> float | None:
        """The newest estimate's charge, None before the first voltage."""
        if self._moments is None or not self._memory.voltage_read:
            return None
        return self._counted_on(self._moments)

    def _counted_on(self, moments: Moments) -> float:
        """The charge at the last weighing and what was counted since."""
        return min(1.0, max(0.0, moments.soc + self._memory.counted))

    def state(self) -> str:
        """All that must survive a restart, as JSON text of some 25 kB."""
        document: dict[str, Any] = {
            "memory": asdict(self._memory),
            "cloud": self._cloud.packed(),
            "window": asdict(self._window),
            "past": self._cloud.past,
            "stage": self._stage.state(),
        }
        return json.dumps(document)

    def ahead(self, count: int, seed: int = SEED) -> Ahead | None:
        """So many supposed banks as they stand at the last weighing, to run on; None before a voltage.

        The estimator itself is not touched: it goes on as if nobody had asked.
        """
        if not self._memory.voltage_read:
            return None
        metered = "nothing" if self._blind else self._memory.metered
        return self._cloud.ahead(count, SD_FACTOR[metered], SD_LEAST, seed)

    def update(self, sample: BankSample) -> BankEstimate:
        """The estimate after one more sample; one that does not advance changes nothing."""
        memory = self._memory
        if memory.last_ms is not None and sample.time_ms <= memory.last_ms:
            return self._estimate(memory.last_ms, became_full=False)
        step_s = 0.0 if memory.last_ms is None else (sample.time_ms - memory.last_ms) / 1000
        signs = signs_of(sample, self._bank)
        view = self._stage.update(sample)
        if memory.begun_ms is None:
            memory.begun_ms = sample.time_ms
        memory.voltage_read = memory.voltage_read or signs is not None
        memory.last_ms = sample.time_ms
        if signs is not None and signs.temperature_C is not None:
            memory.temperature_C = min(HOTTEST_C, max(COLDEST_C, signs.temperature_C))
        if step_s > self._longest_s():
            self._lose(step_s, sample.time_ms)
        elif step_s > 0.0:
            self._gather(sample, signs, step_s)
            memory.interval_s += 0.05 * (min(step_s, LONGEST_INTERVAL_S) - memory.interval_s)
        elif signs is not None:
            self._window.voltage_sum_V, self._window.voltages = signs.voltage_V, 1
        if self._window.hours * 3600 >= WINDOW_S - 0.5 * min(step_s, WINDOW_S):
            self._weigh()
        became_full = self._watch_for_full(view, sample.time_ms)
        return self._estimate(sample.time_ms, became_full, view)

    def move(self, from_ms: int, by_ms: int) -> None:
        """The clock that stamped all from from_ms on was off: what is of then is later by by_ms."""
        memory = self._memory
        for name in ("last_ms", "load_seen_ms", "begun_ms", "full_ms", "dark_end_ms"):
            kept_ms = getattr(memory, name)
            if kept_ms is not None and kept_ms >= from_ms:
                setattr(memory, name, kept_ms + by_ms)
        self._stage.move(from_ms, by_ms)

    def _longest_s(self) -> float:
        return max(GAP_S, GAP_INTERVALS * self._memory.interval_s)

    def _lose(self, step_s: float, now_ms: int) -> None:
        """A gap: what was gathered before it is weighed, then hours pass of which nothing is known."""
        if self._window.hours > 0:
            self._weigh()
        memory, hours = self._memory, step_s / 3600
        self._cloud.temperature_C = self._temperature_C()
        self._cloud.darken(hours)
        self._known = None
        self._window = Window()
        self._moments, self._memory.counted = self._cloud.moments(), 0.0
        memory.dark_h, memory.dark_end_ms = hours, now_ms
        memory.latched = False

    def _gather(self, sample: BankSample, signs: Signs | None, step_s: float) -> None:
        """Add the time since the last sample to the window: its currents and, where it was read, voltage."""
        window, hours = self._window, step_s / 3600
        known, before = self._known_current(sample), self._known
        self._known = known
        window.hours += hours
        if known is not None:
            current_A = known.current_A
            if before is not None and before.metered == known.metered:
                current_A = 0.5 * (current_A + before.current_A)
            moved = current_A / self._bank.capacity_Ah * hours
            window.known_h += hours
            window.moved += moved
            if known.metered == "charge and load":
                window.own_h += hours
            elif known.metered == "charge":
                window.unseen_h += hours
            self._count(moved, hours)
            self._memory.metered = known.metered
        if signs is not None:
            window.voltage_sum_V += signs.voltage_V
            window.voltages += 1

    def _known_current(self, sample: BankSample) -> _Known | None:
        """The current into the bank as far as it is metered."""
        most_A = MOST_C * self._bank.capacity_Ah
        net_A = within(sample.battery_current_A, -most_A, most_A)
        if net_A is not None:
            return _Known(net_A, "net")
        charge_A = within(sample.charge_current_A, -most_A, most_A)
        load_A = within(sample.load_current_A, -most_A, most_A)
        if charge_A is None:
            return None if load_A is None else _Known(-load_A, "charge and load")
        if load_A is not None and self._loads_seen(load_A, sample.time_ms):
            return _Known(charge_A - load_A, "charge and load")
        return _Known(charge_A, "charge")

    def _loads_seen(self, load_A: float, now_ms: int) -> bool:
        """Whether the load meter is one: a controller whose load output feeds nothing shows 0 for ever."""
        memory, meters = self._memory, self._bank.meters
        if load_A > meters.current_offset_tolerance_A + 2 * meters.current_step_A:
            memory.load_seen_ms = now_ms
        if memory.load_seen_ms is not None:
            return now_ms - memory.load_seen_ms <= LOADS_SEEN_DAYS * DAY_MS
        return memory.begun_ms is None or now_ms - memory.begun_ms <= LOADS_PATIENCE_H * HOUR_MS

    def _count(self, moved: float, hours: float) -> None:
        """Count on from the last weighing, with its mean losses."""
        moments = self._moments
        if moments is None:
            return
        if moved > 0:
            moved *= moments.stored_share
        unseen = moments.unseen if self._memory.metered != "net" else 0.0
        self._memory.counted += (moved - unseen * hours) / moments.capacity

    def _temperature_C(self) -> float:
        known = self._memory.temperature_C
        return UNKNOWN_TEMPERATURE_C if known is None else known

    def _weigh(self) -> None:
        """Move and weigh the supposed banks by what the window holds."""
        window, cloud, memory = self._window, self._cloud, self._memory
        blind = window.known_h < 0.5 * window.hours
        past: Past = "nothing"
        if window.unseen_h > 0.5 * window.hours:
            past = "loads"
        elif window.own_h > 0.5 * window.hours:
            past = "straight" if self._bank.straight else "own"
        flow = Flow(
            current=0.0 if blind else window.moved / window.known_h,
            past=past,
            blind=blind,
        )
        cloud.advance(window.hours, flow, self._temperature_C())
        if window.voltages:
            cell_V = window.voltage_sum_V / window.voltages / self._bank.cells
            cloud.weigh(cell_V, window.hours, blind=blind, held=HELD.get(memory.stage))
        self._blind = blind
        self._window = Window()
        self._moments, self._memory.counted = cloud.moments(), 0.0

    def _watch_for_full(self, view: StageView, now_ms: int) -> bool:
        """Whether this sample newly shows the signs of full, and the estimate agrees."""
        memory, before = self._memory, self._memory.stage
        memory.stage = view.stage
        ended = (
            view.stage is Stage.FLOAT
            and before in (Stage.ABSORPTION, Stage.EQUALIZATION)
            and view.absorption_s >= ABSORPTION_HELD_S
        )
        if view.stage in (Stage.OFF, Stage.BULK):
            memory.latched = False
        moments = self._moments
        agrees = moments is not None and moments.soc >= FULL_SOC and moments.soc_sd <= FULL_SD
        if not agrees or not (ended or view.absorption_finished or memory.signs_of_full):
            memory.signs_of_full = (memory.signs_of_full or ended or view.absorption_finished) and (
                view.stage not in (Stage.OFF, Stage.BULK)
            )
            return False
        memory.signs_of_full = False
        newly = not memory.latched
        memory.latched = True
        memory.full_ms = now_ms
        return newly

    def _estimate(self, time_ms: int, became_full: bool, view: StageView | None = None) -> BankEstimate:
        moments, bank, memory = self._moments, self._bank, self._memory
        if moments is None:
            moments = self._moments = self._cloud.moments()
        if not memory.voltage_read:
            return BankEstimate(
                time_ms, None, None, memory.stage, None, None, None, ("no voltage read yet",), became_full
            )
        soc = self._counted_on(moments)
        metered = "nothing" if self._blind else memory.metered
        sd = min(UNIFORM_SD, math.hypot(SD_FACTOR[metered] * moments.soc_sd, SD_LEAST))
        ground = Ground(
            metered="charge and some loads" if metered == "charge and load" and bank.straight else metered,
            full_age_ms=None if memory.full_ms is None else time_ms - memory.full_ms,
            age_ms=time_ms - (memory.begun_ms or time_ms),
            dark_h=memory.dark_h,
            dark_age_ms=None if memory.dark_end_ms is None else time_ms - memory.dark_end_ms,
            temperature_known=memory.temperature_C is not None,
            load_meter_silent=self._memory.metered == "charge" and memory.load_seen_ms is not None,
            voltage_step_V=bank.meters.voltage_step_V,
            cells=bank.cells,
            told=None if view is None else view.stage,
            contradicts=None if view is None else view.contradicts,
            idle_in_daylight=view is not None and view.not_charging_in_daylight,
        )
        return BankEstimate(
            time_ms=time_ms,
            soc=soc,
            soc_sd=sd,
            stage=memory.stage,
            capacity_Ah=moments.capacity * bank.capacity_Ah,
            capacity_sd_Ah=moments.capacity_sd * bank.capacity_Ah,
            unseen_load_A=None if self._memory.metered == "net" else moments.unseen * bank.capacity_Ah,
            basis=words(ground),
            became_full=became_full,
        )
