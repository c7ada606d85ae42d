"""The load plan's chance of a dark night beside the simulator: one description, many seeds of weather.

    python -m tests.bench.plan_nights [--runs 200] [--loads 4 5 6]

The plan knows the description, a year of another seed's days (their light on the array, as the weather book
keeps it) and a clear sky's light by month. Each run is the simulated plant from 1 November, its bank full,
to the end of December with a seed of its own; a night of December is dark where the bank's charge falls
below the reserve. The loads are constant. What is printed: share of runs with at least one dark night and
their mean number, both with the deviation that so many runs leave, beside the plan's.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from math import sqrt
from pathlib import Path
from statistics import fmean, stdev

from monitor.plan.dark import dark_months
from monitor.plan.sunlight import OwnDay
from monitor.plan.system import System
from monitor.sun.months import mean_days
from simulator.plant import Plant, Truth
from simulator.scenario import load_world
from simulator.sky import SeededSky
from simulator.world import World

RESERVE = 0.5
START_MS = round(datetime(2026, 11, 1, 12, tzinfo=UTC).timestamp() * 1000)
DECEMBER_MS = round(datetime(2026, 12, 1, 12, tzinfo=UTC).timestamp() * 1000)
DAY_MS, STEP_MS = 86_400_000, 600_000
OTHER_SEED = 1_000_003
CHARGING_V = 13.4

SCENARIO = """name = "plan"
weather = []

[bank]
chemistry = "flooded"
unit_voltage_V = 12
unit_capacity_Ah = 100
units_in_series = 1
strings_in_parallel = 1
start_soc = 1.0

[array]
panels_in_series = 1
strings_in_parallel = 1

[[loads]]
name = "all"
power_W = {load_W}
metered = false
"""


def world_of(load_W: float, seed: int) -> World:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plan.toml"
        path.write_text(SCENARIO.format(load_W=load_W), encoding="utf-8")
        return load_world(path, START_MS, START_MS, seed)


def plane_h(sky: SeededSky, day: date) -> float:
    """Peak sun hours of a day on the plane."""
    start_ms = round(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() * 1000)
    lights = [sky.at(start_ms + at).irradiance_W_m2 for at in range(0, DAY_MS, STEP_MS)]
    return fmean(lights) * 24 / 1000


def planned(world: World, load_W: float) -> tuple[float, float]:
    """The plan's chance of a dark night in December, and their number."""
    other = replace(world, seed=OTHER_SEED).build_sky()
    assert isinstance(other, SeededSky)
    days = [date(2026, 1, 1) + timedelta(days=at) for at in range(365)]
    real = {day: plane_h(other, day) for day in days}
    other.clearness = 1.0
    own = [OwnDay(day, sun_h, sun_h / plane_h(other, day)) for day, sun_h in real.items()]
    clear_h = {day.month: plane_h(other, day) for day in mean_days()}
    panel_W = world.array.panel_vmp_V * world.array.panel_imp_A
    system = System(12, True, 12, 100, 1, 1, RESERVE, None, panel_W / CHARGING_V, 1)
    december = dark_months(system, load_W * 24 / 12, clear_h, own)[11]
    return december.chance, december.nights


def simulated(load_W: float, seed: int) -> int:
    """Dark nights of December in one run: days from noon to noon whose lowest charge is below the reserve."""
    plant = Plant(world_of(load_W, seed))
    lowest: dict[int, float] = {}

    def see(truth: Truth) -> None:
        if truth.time_ms > DECEMBER_MS:
            day = (truth.time_ms - DECEMBER_MS) // DAY_MS
            lowest[day] = min(lowest.get(day, 1.0), truth.state_of_charge)

    plant.advance_to(DECEMBER_MS + 31 * DAY_MS, see)
    return sum(soc < RESERVE for soc in lowest.values())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--loads", type=float, nargs="+", default=[4.0, 5.0, 6.0], help="W around the clock")
    given = parser.parse_args()
    for load_W in given.loads:
        chance, nights = planned(world_of(load_W, 1), load_W)
        counts = [simulated(load_W, seed) for seed in range(1, given.runs + 1)]
        share = fmean(count > 0 for count in counts)
        share_sd = sqrt(share * (1 - share) / len(counts))
        nights_sd = stdev(counts) / sqrt(len(counts))
        print(
            f"{load_W:g} W: dark in December {100 * share:.0f} ± {100 * share_sd:.0f} % of {given.runs} runs,"
            f" planned {100 * chance:.0f} %;"
            f" nights {fmean(counts):.1f} ± {nights_sd:.1f}, planned {nights:.1f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
