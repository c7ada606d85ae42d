"""Where capacity tests end on banks of other physics (`tests/banks`), sound and worn, only the rating known.

    python -m tests.bench.capacity_stops [--seeds 100-139]

Each seed draws a bank, its size, air from 0 to 30 °C, a load that would empty it in 6 to 40 hours, and a
meter of 0.01 V with noise and offset. Who ends the test knows the rating alone. Printed is the charge that is
left, by the bank's own count, with all that ends a test and with the safe voltage alone; 'late' is less than
the fifth below which a maker's guide never goes. The changing load is another one after 50 minutes on
average, 0.4 to 1.8 times as large: with it the question is also how soon a sound bank's test ends.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from random import Random
from statistics import median

from monitor.care.stopping import TAKE, Step, course_of
from tests.bench.figures import accuracy, hand_over
from tests.unit.test_capacity_models import CELLS, MAKES

STEP_H = 1 / 12
CHANGES = 0.1
"""The chance that a changing load is another one after five minutes."""

HEALTHS = (1.0, 0.85, 0.7, 0.6, 0.5)
SPENT = (0.6, 0.5)
"""Shares of the rating that a bank still holds, and those of the worn ones that the figures are about."""

LATE = 0.2
"""A battery maker's guide, read: never below a fifth."""


@dataclass(frozen=True, slots=True)
class Ended:
    """One test: the charge left and the share of the rating taken at its end, and the charge left where only
    the safe voltage or half of the rating ends it."""

    left: float
    taken: float
    left_by_voltage: float


def played(name: str, seed: int, health: float, *, changes: bool) -> Ended:
    """Play one test to its end, and on to where the safe voltage alone would have ended it."""
    make, chemistry = MAKES[name]
    rng, meter = Random(seed), Random(7 * seed + 1)
    air_C, rated_Ah, offset_V = rng.uniform(0, 30), rng.uniform(100, 400), meter.uniform(-0.01, 0.01)
    bank, usual_A = make(rated_Ah * health, rng, air_C), rated_Ah / rng.uniform(6, 40)
    out_A, taken, steps, ended = usual_A, 0.0, list[Step](), None
    while True:
        if changes and rng.random() < CHANGES:
            out_A = usual_A * rng.uniform(0.4, 1.8)
        bank.step(-out_A, STEP_H, air_C)
        taken += out_A * STEP_H / rated_Ah
        read_V = round(bank.voltage_V(-out_A) + offset_V + meter.gauss(0, 0.005), 2)
        steps.append(Step(STEP_H * (len(steps) + 1), taken, out_A, read_V / CELLS))
        course = course_of(chemistry, rated_Ah, air_C, steps)
        assert course is not None, "a step under load has a course"
        is_down = taken >= TAKE or course.margin_V <= 0
        if ended is None and (is_down or course.falls_too_fast):
            ended = bank.state_of_charge, taken
        if ended is not None and is_down:
            return Ended(*ended, bank.state_of_charge)


def row(name: str, health: float, ended: Sequence[Ended]) -> str:
    left = [each.left for each in ended]
    late = sum(each.left < LATE for each in ended)
    before = sum(each.left_by_voltage < LATE for each in ended)
    return (
        f"  {name:18} {100 * health:3.0f} %  left {100 * min(left):3.0f} at least, {100 * median(left):3.0f}"
        f" in the middle; late {late:2} (by the safe voltage alone {before:2}) of {len(ended)};"
        f" taken {100 * min(each.taken for each in ended):3.0f} at least"
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", default="100-139")
    first, last = map(int, parser.parse_args().seeds.split("-"))
    for changes in (False, True):
        load = "changing" if changes else "steady"
        print(f"a {load} load, seeds {first} to {last}; in % of the present capacity, taken of the rated")
        spent: list[Ended] = []
        sound: list[Ended] = []
        for name in MAKES:
            for health in HEALTHS:
                ended = [played(name, seed, health, changes=changes) for seed in range(first, last + 1)]
                print(row(name, health, ended), flush=True)
                spent += ended if health in SPENT else []
                sound += ended if health == 1.0 else []
        late = sum(each.left < LATE for each in spent) / len(spent)
        before = sum(each.left_by_voltage < LATE for each in spent) / len(spent)
        whole = sum(each.taken >= TAKE for each in sound) / len(sound)
        print(
            f"  worn to 50 or 60 %: late {100 * late:.1f} %, by the safe voltage alone {100 * before:.1f} %"
        )
        print(f"  sound: {100 * whole:.0f} % of the tests take half")
        truth = f"banks of other physics, a {load} load"
        hand_over(
            accuracy("capacity tests of worn banks that end with less than a fifth left", late, "", truth),
            accuracy("the same by the safe voltage alone", before, "", truth),
            accuracy("least charge left in a worn bank", min(each.left for each in spent), "", truth),
            accuracy("tests of sound banks that take half", whole, "", truth),
        )


if __name__ == "__main__":
    main()
