"""One site of a fleet: what is its own, its readings, and the lines in which it sends them.

Everything follows from the seed and the site's number, and any stretch of polls can be made at any time in
any order. So a site that is offline needs no memory for what waits: it is made when it goes.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

import numpy as np
import numpy.typing as npt

from simulator.fleet.courses import FARTHEST_EAST_DEG, MINUTE_MS, SPARE_DAYS, Course, plants_of
from simulator.fleet.plan import DAY_MS, DEVICES, LATEST_STAMP_MS, MEASUREMENT, QUANTITIES, Plan

OFFLINE_A_DAY = 0.2
"""The share of sites that lose their network in a day (our choice: enough of them to matter)."""

OFFLINE_H = (1.0, 6.0)
"""For how long (our choice: a router that was switched off, a storm)."""

JITTER_MS = 40
"""How much later than usual a device may answer (our choice: a slow line and a busy small computer)."""

_PLACES = (
    "Reed", "Marsh", "Heron", "Alder", "Boulder", "Lower", "Upper", "North", "Otter", "Sedge", "Gravel",
)  # fmt: skip
_KINDS = ("hut", "hide", "boat shed", "camper", "cabin", "workshop", "barn", "mast", "pump house", "wagon")

_VOLTS = np.array([name.endswith("_V") for name in QUANTITIES])
_AMPS = np.array([name.endswith("_A") for name in QUANTITIES])
_DEGREES = np.array([name.endswith("_C") for name in QUANTITIES])
_STAGE = QUANTITIES.index("charge_stage")

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Readings:
    """A stretch of polls of one site.

    stamps_ms has a row a device, whole_steps one for each of QUANTITIES: whole numbers of the meter's steps.
    """

    stamps_ms: npt.NDArray[np.int64]
    whole_steps: Numbers


class FleetSite:
    """A site by its number in the plan, and the course of its plant.

    per_unit has a row for each of QUANTITIES: how many of the meter's steps make one unit. offline says from
    when to when the site has no network.
    """

    def __init__(self, plan: Plan, number: int, courses: list[Course]) -> None:
        rng = Random(f"{plan.seed}/site/{number}")
        self._plan = plan
        self.number = number
        self.name = f"{rng.choice(_PLACES)} {rng.choice(_KINDS)} {number:04d}"
        self._course = courses[number % plants_of(plan)]
        ahead_ms = round(rng.uniform(0, FARTHEST_EAST_DEG) * 4 * MINUTE_MS)
        self._shift_ms = ahead_ms + rng.randint(0, SPARE_DAYS) * DAY_MS
        self._phase_ms = rng.randrange(plan.every_ms)
        self._answers_ms = np.array([[0], [rng.randint(100, LATEST_STAMP_MS - JITTER_MS)]])
        self._draw_meters(rng)
        self._noise_key = rng.randrange(2**63)
        self.offline = self._draw_offline(rng)
        self._heads = [f"{MEASUREMENT},site={_tag(self.name)},device={_tag(device)} " for device in DEVICES]

    def _draw_meters(self, rng: Random) -> None:
        """Size and what the meters make of it; the tolerances are those of a site file's defaults."""
        size, volts = rng.uniform(0.5, 3.0), rng.choice((1, 1, 2))
        factor, self._offset = np.ones((len(QUANTITIES), 1)), np.zeros((len(QUANTITIES), 1))
        factor[_VOLTS] = volts * rng.uniform(0.997, 1.003)
        factor[_AMPS] = size * rng.uniform(0.99, 1.01)
        self._offset[QUANTITIES.index("battery_current_A")] = rng.uniform(-0.05, 0.05)
        self._offset[_DEGREES] = rng.uniform(-1, 1)
        self._factor = factor
        self.per_unit = np.ones((len(QUANTITIES), 1))
        self.per_unit[_VOLTS], self.per_unit[_AMPS] = rng.choice((100, 100, 10)), rng.choice((100, 10))
        self.per_unit[_DEGREES] = 10
        self._noise_steps = np.full((len(QUANTITIES), 1), rng.uniform(0.2, 1.5))
        self._noise_steps[_STAGE] = 0

    def _draw_offline(self, rng: Random) -> tuple[tuple[int, int], ...]:
        """From when to when the site has no network."""
        found = []
        for day in range(-(-self._plan.span_ms // DAY_MS)):
            begins_ms = self._plan.start_ms + day * DAY_MS + rng.randrange(DAY_MS)
            lasts_ms = round(rng.uniform(*OFFLINE_H) * 3_600_000)
            if rng.random() < OFFLINE_A_DAY and begins_ms < self._plan.end_ms:
                found.append((begins_ms, begins_ms + lasts_ms))
        return tuple(found)

    def polled_by(self, time_ms: int) -> int:
        """How many polls are over at a time."""
        since_ms = time_ms - self._plan.start_ms - self._phase_ms - LATEST_STAMP_MS
        return min(self._plan.polls, max(0, since_ms // self._plan.every_ms + 1))

    def readings(self, first: int, end: int) -> Readings:
        """The polls from one number up to, without, another."""
        polls = np.arange(first, end, dtype=np.int64)
        since_ms = polls * self._plan.every_ms + self._phase_ms
        chance = _chance(self._noise_key, polls, len(QUANTITIES) + len(DEVICES))
        late_ms = (chance[len(QUANTITIES) :] * JITTER_MS).astype(np.int64)
        minutes = (since_ms + self._shift_ms) / MINUTE_MS
        whole = minutes.astype(np.int64)
        part = minutes - whole
        before, after = self._course[:, whole], self._course[:, whole + 1]
        true = before + (after - before) * part
        true[_STAGE] = before[_STAGE]
        shown = (true * self._factor + self._offset) * self.per_unit
        noise = (chance[: len(QUANTITIES)] - 0.5) * self._noise_steps
        return Readings(
            self._plan.start_ms + since_ms + self._answers_ms + late_ms,
            np.rint(shown + noise),
        )

    def lines(self, first: int, end: int) -> list[str]:
        """The same polls in line protocol, times in ms: a line for each device and poll, in order of time."""
        readings = self.readings(first, end)
        stamps = readings.stamps_ms.tolist()
        values = readings.whole_steps / self.per_unit + 0.0  # no zero of them negative
        columns = [
            [f"{name}={int(value)}i" for value in row] if name == "charge_stage" else
            [f"{name}={value!r}" for value in row]
            for name, row in zip(QUANTITIES, values.tolist(), strict=True)
        ]  # fmt: skip
        lines, place = [], 0
        for head, names, times in zip(self._heads, DEVICES.values(), stamps, strict=True):
            fields = zip(*columns[place : place + len(names)], strict=True)
            lines.append([f"{head}{','.join(each)} {at}" for each, at in zip(fields, times, strict=True)])
            place += len(names)
        return [line for poll in zip(*lines, strict=True) for line in poll]


def _tag(text: str) -> str:
    """A tag's value, its special characters escaped (line protocol of InfluxDB 1.x and 2.x, from memory)."""
    for special in ",= ":
        text = text.replace(special, "\\" + special)
    return text


def _chance(key: int, polls: npt.NDArray[np.int64], rows: int) -> Numbers:
    """Numbers from 0 up to 1 for each poll and row, the same whatever else is asked for.

    SplitMix64 of a running number (Steele, Lea, Flood: Fast Splittable Pseudorandom Number Generators, 2014;
    constants from memory).
    """
    with np.errstate(over="ignore"):
        counter = polls.astype(np.uint64) * np.uint64(rows) + np.arange(rows, dtype=np.uint64)[:, None]
        mixed = (counter + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(key)
        mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        mixed ^= mixed >> np.uint64(31)
    found: Numbers = (mixed >> np.uint64(11)) / 2.0**53
    return found
