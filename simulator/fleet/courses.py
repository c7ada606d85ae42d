"""The courses of a handful of plants: what is true in each, minute by minute, as tables of numbers.

A plant is the built-in one with a place, bank, array, loads and weather drawn by the seed. The ranges are our
choice: what people build who build such a supply themselves.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from random import Random

import numpy as np
import numpy.typing as npt

from simulator.fleet.plan import DAY_MS, QUANTITIES, Plan
from simulator.plant import Plant
from simulator.scenario import load_world
from simulator.world import World

MINUTE_MS = 60_000

SITES_TO_A_PLANT, MOST_PLANTS = 10, 16
"""How many sites share a plant, until there are as many plants as that (our choice: a dozen seconds of CPU
for a simulated day)."""

SPARE_DAYS = 3
"""A plant runs so many days longer than the fleet, so that its sites can live through different ones."""

FARTHEST_EAST_DEG = 30
"""Plants stand at 0 degrees; their sites between there and here, whose sun is up to two hours ahead."""

AHEAD_MS = FARTHEST_EAST_DEG * 4 * MINUTE_MS

Course = npt.NDArray[np.float64]
"""A row for each of QUANTITIES, a column for each minute from the plan's start on."""

_BANKS = {  # unit voltage V, units in series, absorption V, float V
    "flooded": (6.0, 2, 14.8, 13.5),
    "agm": (12.0, 1, 14.4, 13.6),
    "gel": (12.0, 1, 14.1, 13.6),
    "lifepo4": (12.8, 1, 14.2, 13.5),
}  # common practice, no source


def plants_of(plan: Plan) -> int:
    """How many plants the fleet is made of."""
    return min(MOST_PLANTS, -(-plan.sites // SITES_TO_A_PLANT))


def world_of(plan: Plan, number: int) -> World:
    """The description of one of the plants."""
    rng = Random(f"{plan.seed}/plant/{number}")
    built_in = load_world(None, plan.start_ms, plan.start_ms, rng.randrange(2**31))
    chemistry = rng.choice(tuple(_BANKS))
    unit_V, in_series, absorption_V, float_V = _BANKS[chemistry]
    latitude_deg = rng.uniform(35, 62)
    draw = rng.uniform(0.5, 1.6)
    bank = replace(
        built_in.bank,
        chemistry=chemistry,
        unit_voltage_V=unit_V,
        units_in_series=in_series,
        start_soc=rng.uniform(0.5, 0.95),
        health=rng.uniform(0.7, 1.0),
        constants="drawn",
    )
    controller = replace(
        built_in.controller,
        absorption_V=absorption_V,
        float_V=float_V,
        temperature_compensation_V_per_C=0.0 if chemistry == "lifepo4" else -0.030,
    )
    loads = tuple(
        replace(load, power_W=load.power_W * draw * rng.uniform(0.7, 1.3), on_days_ago=())
        for load in built_in.loads
        if not load.on_days_ago
    )
    return replace(
        built_in,
        name=f"plant {number}",
        place=replace(
            built_in.place,
            latitude_deg=latitude_deg,
            longitude_deg=0.0,
            air_mean_C=built_in.place.air_mean_C + 0.5 * (52.6 - latitude_deg),
        ),
        bank=bank,
        array=replace(built_in.array, strings_in_parallel=rng.randint(2, 4), tilt_deg=rng.uniform(20, 60)),
        controller=controller,
        loads=loads,
        weather=(),
    )


def course_of(world: World, plan: Plan) -> Course:
    """Run a plant through the fleet's days and the spare ones."""
    plant = Plant(world)
    minutes = -(-(plan.span_ms + SPARE_DAYS * DAY_MS + AHEAD_MS) // MINUTE_MS) + 2
    course = np.empty((len(QUANTITIES), minutes))
    for minute in range(minutes):
        plant.advance_to(plan.start_ms + minute * MINUTE_MS)
        course[:, minute] = [getattr(plant.truth, name) for name in QUANTITIES]
    return course


def courses_of(plan: Plan, each: Callable[[], None] | None = None) -> list[Course]:
    """The courses of all plants; `each` hears of every one that is done."""
    courses = []
    for number in range(plants_of(plan)):
        courses.append(course_of(world_of(plan, number), plan))
        if each is not None:
            each()
    return courses
