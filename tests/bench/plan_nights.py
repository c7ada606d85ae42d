"""The load plan beside the simulator: how long a bank lasts, and the chance of a dark night by month.

    python -m tests.bench.plan_nights [--jobs 2] [--seeds 1-200] [--records 12] [--systems marsh,pond]

Each system (`tests/nights/described.py`) is one description from which come a site file for the plan and a
scenario for the simulated plant, whose bank shares no equation with it. The plan has, in a store, a year of
days of another seed as the weather book keeps them: each day's share of what a clear sky gives this array,
and the array's learnt scale; and the coldest day's mean of the bank's air. It knows no run.

Months: each run is the plant from 16 November, its bank full and as rated, to the end of January, its weather
of a seed of its own. A night is dark where the bank's charge is below the reserve at any moment of a day from
noon to noon. 'runs' is the share of months with at least one, and the mean number of such nights, with the
deviation that so many runs leave; 'plan' the mean of what `nightbank plan` tells from each of the records,
with the deviation between single records. 'one' is the difference in deviations of both, as it meets a
person, who has one record; 'mean' the difference in deviations of both means: what is wrong whatever the
record.

Nights without sun: each run is a bank of other constants (drawn within what is published: capacity 80 to 100
% of rating, and others), full on 1 January, its array switched off, until its charge is at the reserve; mean
and deviation beside what the plan tells of a bank as rated and of one that counts as worn out.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import partial
from math import sqrt
from pathlib import Path
from statistics import fmean, pstdev, stdev
from typing import Any

from monitor.clock import CLOCK_NOTE, PacedClock
from monitor.day_book import note_key
from monitor.plan.sizing import ARRAY_TO_LOAD, STORAGE_DAYS
from monitor.plan.steps import Wish
from monitor.plan_known import clear_year
from monitor.plan_report import Question, plan_report
from monitor.records import Reading
from monitor.site.load import load_site, with_defaults
from monitor.site.model import Site
from monitor.store.embedded import open_writer
from monitor.sun.months import ClearMonth, mean_days
from simulator.array import Array
from simulator.plant import Plant
from simulator.scenario import load_world
from simulator.sky import SeededSky
from simulator.world import World
from tests.bench.figures import accuracy, hand_over
from tests.nights.described import SYSTEMS, Described

DAY_MS, HOUR_MS = 86_400_000, 3_600_000
LIT_STEP_MS, DARK_STEP_MS = 600_000, 3_600_000
"""The plant in steps of ten minutes by day and an hour at night: in steps of a minute each, which take
eighteen times as long, the one run of marsh that was compared had 10 and 12 dark nights instead of 10 and
10."""
LIGHT_STEP_MS = 900_000
MONTHS = {12: "December", 1: "January"}
CHARGING_CELL_V = 2.23
"""A lead-acid cell's voltage half way from nominal to absorption."""

RECORD = tuple(date(2026, 11, 16) - timedelta(days=back) for back in range(365, 0, -1))
RECORD_SEED = 1_000_000
"""Records are of the seeds from here on, which no run has."""


def at_ms(year: int, month: int, day: int, hour: int = 0) -> int:
    return round(datetime(year, month, day, hour, tzinfo=UTC).timestamp() * 1000)


START_MS, YEAR_MS, END_MS = at_ms(2026, 11, 16, 12), at_ms(2027, 1, 1, 12), at_ms(2027, 2, 1, 12)


def world_of(described: Described, seed: int, start_ms: int, constants: str) -> World:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plan.toml"
        path.write_text(described.scenario(constants), encoding="utf-8")
        return load_world(path, start_ms, start_ms, seed)


def site_of(described: Described) -> Site:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        path.write_text(described.site_file(), encoding="utf-8")
        return with_defaults(load_site(path))[0]


def day_Wh(world: World, sky: SeededSky, day: date) -> tuple[float, float]:
    """Peak sun hours on the plane, and what the controller could take from the array [Wh]: its best power, or
    for a switch what it gives at the charging bank's voltage."""
    array, bank_V = Array(world.array), CHARGING_CELL_V * world.bank.cells
    start_ms = at_ms(day.year, day.month, day.day)
    light = power = 0.0
    for step in range(0, DAY_MS, LIGHT_STEP_MS):
        seen = sky.at(start_ms + step + LIGHT_STEP_MS // 2)
        if seen.irradiance_W_m2 <= 0:
            continue
        light += seen.irradiance_W_m2
        found = array.light(seen.irradiance_W_m2, seen.air_temperature_C)
        point = found.best
        if world.controller.kind == "pwm":
            point = array.at_voltage(bank_V, seen.irradiance_W_m2, found.cell_C)
        power += point.power_W
    hours = LIGHT_STEP_MS / HOUR_MS
    return light * hours / 1000, power * hours


def clear_Wh(described: Described) -> dict[date, float]:
    """What the array could give on each day of the record under a clear sky."""
    world = world_of(described, 0, START_MS, "published")
    sky = world.build_sky()
    assert isinstance(sky, SeededSky)
    sky.clearness = 1.0
    return {day: day_Wh(world, sky, day)[1] for day in RECORD}


def record_of(
    described: Described, seed: int, clear: dict[int, ClearMonth], bright_Wh: dict[date, float]
) -> tuple[dict[date, Any], float]:
    """A year of another seed as the weather book's entries, and the coldest day's mean air."""
    world = world_of(described, seed, START_MS, "published")
    sky = world.build_sky()
    assert isinstance(sky, SeededSky)
    scales = {
        day.month: bright_Wh[date(2025 if (day.month, day.day) > (11, 15) else 2026, day.month, day.day)]
        / clear[day.month].passed_Wh
        for day in mean_days()
    }
    entries, coldest_C = {}, 99.0
    for day in RECORD:
        sun_h, gives_Wh = day_Wh(world, sky, day)
        entries[day] = {
            "reference_yield_h": sun_h,
            "index": gives_Wh / bright_Wh[day],
            "scale": scales[day.month],
        }
        noon_ms = at_ms(day.year, day.month, day.day)
        air_C = fmean(sky.air_temperature_C(noon_ms + hour * HOUR_MS) for hour in range(0, 24, 3))
        coldest_C = min(coldest_C, air_C)
    return entries, coldest_C


def planned(
    described: Described, clear: dict[int, ClearMonth], bright_Wh: dict[date, float], seed: int
) -> dict[str, Any]:
    """What `nightbank plan` tells a person whose store has that record."""
    entries, coldest_C = record_of(described, seed, clear, bright_Wh)
    site = site_of(described)
    with (
        tempfile.TemporaryDirectory() as folder,
        closing(open_writer(Path(folder) / "nightbank.db", "UTC")) as store,
    ):
        store.put_note(CLOCK_NOTE, PacedClock(START_MS, START_MS, 1e-9).note())
        store.append([Reading(START_MS, "charger", "battery_voltage_V", 12.5)])
        for day, entry in entries.items():
            store.put_note(note_key(day), json.dumps(entry))
        store.commit()
        question = Question(Wish(STORAGE_DAYS, ARRAY_TO_LOAD["usual"]), temperature_C=coldest_C)
        return plan_report(site, store, question, "no outlook", clear)


def run(plant: Plant, until_ms: int, on: Any) -> None:
    """Step the plant; `on` sees each step and stops it by True."""
    while plant.time_ms < until_ms:
        step_ms = LIT_STEP_MS if plant.truth.irradiance_W_m2 > 0 else DARK_STEP_MS
        plant.step(min(until_ms, (plant.time_ms // step_ms + 1) * step_ms))
        if on(plant.truth):
            return


def dark_nights(described: Described, seed: int) -> tuple[int, int]:
    """Dark nights of December and January in one run."""
    plant = Plant(world_of(described, seed, START_MS, "published"))
    first_ms = at_ms(2026, 12, 1, 12)
    lowest: dict[int, float] = {}

    def see(truth: Any) -> bool:
        if truth.time_ms > first_ms:
            night = (truth.time_ms - first_ms) // DAY_MS
            lowest[night] = min(lowest.get(night, 1.0), truth.state_of_charge)
        return False

    run(plant, END_MS, see)
    dark = [night for night, soc in lowest.items() if soc < described.reserve_soc]
    return sum(night < 31 for night in dark), sum(31 <= night < 62 for night in dark)


def lasting_nights(described: Described, seed: int) -> float:
    """Days until a bank of other constants is at its reserve without sun."""
    plant = Plant(world_of(described, seed, YEAR_MS, "drawn"))
    plant.hands.array_off = True
    run(plant, YEAR_MS + 60 * DAY_MS, lambda truth: truth.state_of_charge < described.reserve_soc)
    return (plant.time_ms - YEAR_MS) / DAY_MS


@dataclass(frozen=True, slots=True)
class Beside:
    """A figure of the runs beside the plan's, as mean and deviation: of the runs' mean, and of single
    plans."""

    runs: float
    runs_sd: float
    plan: float
    plan_sd: float
    plans: int

    @property
    def one(self) -> float:
        """How far the runs are from what one plan tells, in deviations of both."""
        return (self.runs - self.plan) / sqrt(self.runs_sd**2 + self.plan_sd**2)

    @property
    def mean(self) -> float:
        """How far they are from the mean of the plans, in deviations of both means: what is wrong for all."""
        return (self.runs - self.plan) / sqrt(self.runs_sd**2 + self.plan_sd**2 / self.plans)

    def told(self, digits: int, by: float = 1.0) -> str:
        runs, runs_sd, plan, plan_sd = (
            f"{by * each:.{digits}f}" for each in (self.runs, self.runs_sd, self.plan, self.plan_sd)
        )
        return f"{runs} ± {runs_sd} | {plan} ± {plan_sd} | {self.one:+.1f} | {self.mean:+.1f}"


def month_beside(
    counts: list[tuple[int, int]], plans: list[dict[str, Any]], place: int, month: int
) -> tuple[Beside, Beside]:
    """The chance of a dark night in a month, and their number."""
    nights = [count[place] for count in counts]
    told = [plan["plan"]["dark_months"][month - 1] for plan in plans]
    chance, many = fmean(count > 0 for count in nights), len(nights)
    # a share of 0 or 1 still leaves what a run more or less would make of it
    chance_sd = sqrt(max(chance * (1 - chance), 1 / many) / many)
    nights_sd = max(stdev(nights), 0.1) / sqrt(many)
    chances, numbers = [each["chance"] for each in told], [each["nights"] for each in told]
    return (
        Beside(chance, chance_sd, fmean(chances), pstdev(chances), len(told)),
        Beside(fmean(nights), nights_sd, fmean(numbers), pstdev(numbers), len(told)),
    )


RUNS = "the simulator's banks, other constants"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seeds", default="1-200", help="one a run")
    parser.add_argument("--records", type=int, default=12, help="years that a plan may have seen")
    parser.add_argument("--systems", default=",".join(SYSTEMS))
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    first, _, last = given.seeds.partition("-")
    seeds = range(int(first), int(last or first) + 1)
    lasting = []
    with ProcessPoolExecutor(given.jobs) as pool:
        print("| system | month | runs % | plan % | one | mean | nights, runs | plan | one | mean |")
        print("|---|---|---:|---:|---:|---:|---:|---:|---:|---:|", flush=True)
        for described in (SYSTEMS[name] for name in given.systems.split(",")):
            clear = clear_year(site_of(described), None)
            assert isinstance(clear, dict), clear
            records = [RECORD_SEED + seeds[0] * 1000 + number for number in range(given.records)]
            plans = list(pool.map(partial(planned, described, clear, clear_Wh(described)), records))
            counts = list(pool.map(partial(dark_nights, described), seeds, chunksize=4))
            for place, (month, name) in enumerate(MONTHS.items()):
                chance, nights = month_beside(counts, plans, place, month)
                what = f"chance of a dark night, {described.name}, {name}"
                hand_over(accuracy(what, abs(chance.one), "deviations", RUNS, at_most=2.0))
                print(f"| {described.name} | {name} | {chance.told(0, 100)} | {nights.told(1)} |", flush=True)
            lasted = list(pool.map(partial(lasting_nights, described), seeds, chunksize=4))
            told = [{each["name"]: each["nights"] for each in plan["plan"]["lasting"]} for plan in plans]
            rated, worn = (fmean(each[name] for each in told) for name in ("without_sun", "worn_out"))
            inside = fmean(worn <= nights <= rated for nights in lasted)
            hand_over(
                accuracy(f"runs that last as the plan tells, {described.name}", 100 * inside, "%", RUNS)
            )
            lasting.append(
                f"| {described.name} | {fmean(lasted):.2f} ± {stdev(lasted):.2f} |"
                f" {min(lasted):.2f} to {max(lasted):.2f} | {worn:.2f} to {rated:.2f} | {100 * inside:.0f} |"
            )
    print(
        "\n| system | nights without sun, runs | all runs | plan, worn out to as rated | % of runs inside |"
    )
    print("|---|---:|---:|---:|---:|")
    print("\n".join(lasting))


if __name__ == "__main__":
    main()
