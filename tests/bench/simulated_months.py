"""Charge and stage over months of the simulator, its bank's constants drawn and unknown to the estimator.

    python -m tests.bench.simulated_months [--seeds 1 2 3] [--chemistries NAME ...] [--levels NAME ...]
        [--grade coarse|fine] [--days 60] [--jobs 2] [--plain]

Each plant is one chemistry and seed: season, sizes, weather, temperature, loads and instrument errors are
drawn by the seed. It runs once and is read at three metering levels: 'shunt' sees all; 'controller' sees the
loads on its output and not those wired straight to the bank; 'charging' sees no load. Plants are kept in the
temporary folder under a key of the simulator's code.

Stage: the estimator is told no stage. A row is clear if the true stage has not changed within two minutes to
either side, and if the charge current is either nothing (stage off) or at least one step of the meter.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import pickle
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from random import Random

from simulator.bank import CHEMISTRIES
from simulator.plant import Plant, Truth
from simulator.scenario import load_world
from tests.banks.plain_methods import METHODS
from tests.banks.site import STEPS, Grade, Level, Record, Row
from tests.banks.site import Truth as TruthRow
from tests.bench.charge_error import HEADER, Score, estimates_of, line, means, run_plain, scored, told
from tests.bench.figures import accuracy, hand_over

LEVELS: tuple[Level, ...] = ("shunt", "controller", "charging")
STAGES = ("off", "bulk", "absorption", "float", "equalization")
CLEAR_ROWS = 2

PER_CELL_V = {  # absorption, float, equalization (out of use where there is none), disconnect, reconnect
    "flooded": (2.467, 2.25, 2.583, 1.90, 2.10),
    "agm": (2.40, 2.27, 2.60, 1.90, 2.10),
    "gel": (2.37, 2.25, 2.60, 1.90, 2.10),
    "lifepo4": (3.50, 3.36, 3.70, 3.00, 3.25),
}
COMPENSATION_V = {"flooded": -0.005, "agm": -0.004, "gel": -0.005, "lifepo4": 0.0}


@dataclass(frozen=True, slots=True)
class Kept:
    """A plant's course in the columns that the meters look at."""

    time_ms: int
    voltage_V: float
    bank_A: float
    charge_A: float
    load_A: float
    unseen_A: float
    temperature_C: float
    array_V: float
    array_A: float
    stage: str
    soc: float
    capacity_Ah: float


@dataclass(frozen=True, slots=True)
class Drawn:
    """One plant's scenario and what the seed drew beside it."""

    scenario: str
    bank_tables: str
    start_ms: int
    voltage_gain: float
    current_gain: float
    current_offset_A: float


def draw(chemistry: str, seed: int) -> Drawn:
    """A supply by chemistry and seed. Sizes and chances are our choice."""
    rng = Random(f"{chemistry}/{seed}")
    series = rng.choice((1, 2))
    strings = rng.choice((1, 2))
    unit_V = 12.8 if chemistry == "lifepo4" else 12
    unit_Ah = rng.choice((80, 100, 150, 225))
    rated_Ah, bank_V = unit_Ah * strings, 12 * series
    cells = (4 if chemistry == "lifepo4" else 6) * series
    absorption, floating, equalization, disconnect, reconnect = (
        round(volts * cells, 2) for volts in PER_CELL_V[chemistry]
    )
    a_day_Wh = rated_Ah * bank_V * rng.uniform(0.12, 0.35)
    panels = max(1, round(a_day_Wh * rng.uniform(0.35, 0.8) / 150))
    equalize_days = 14 if chemistry == "flooded" else 0
    controller = f"""[controller]
kind = "{rng.choice(("mppt", "pwm")) if series == 1 else "mppt"}"
rating_A = {max(15, round(panels * 160 / bank_V))}
absorption_V = {absorption}
absorption_h = {rng.choice((1.5, 2.0, 2.5, 3.0))}
float_V = {floating}
equalization_V = {equalization}
temperature_compensation_V_per_C = {COMPENSATION_V[chemistry] * cells:.4f}
tail_current_fraction = {rng.choice((0.01, 0.02, 0.03))}
disconnect_V = {disconnect}
reconnect_V = {reconnect}
"""
    bank = f"""[bank]
chemistry = "{chemistry}"
unit_voltage_V = {unit_V}
unit_capacity_Ah = {unit_Ah}
units_in_series = {series}
strings_in_parallel = {strings}
"""
    lamps_W, fridge_W = a_day_Wh * 0.45 / 5, a_day_Wh * 0.30 / 24
    scenario = f"""name = "{chemistry} {seed}"
{bank}start_soc = {rng.uniform(0.35, 1.0):.3f}
constants = "drawn"

[place]
air_mean_C = {rng.uniform(5, 25):.2f}

[array]
panels_in_series = 1
strings_in_parallel = {panels}
{"panel_voc_V = 44.6" if series == 2 else ""}
{"panel_vmp_V = 36.4" if series == 2 else ""}
{"panel_isc_A = 4.3" if series == 2 else ""}
{"panel_imp_A = 4.125" if series == 2 else ""}

{controller}equalization_h = 1.0
equalize_every_days = {equalize_days}
"""
    scenario = "weather = []\n" + scenario + _loads(lamps_W, fridge_W, a_day_Wh)
    tables = f"""{bank}
{controller if equalize_days else controller.replace(f"equalization_V = {equalization}{chr(10)}", "")}"""
    tables = tables.replace("rating_A", "array_voltage_limit_V = 100\nrating_A")
    start = datetime(2026, rng.randint(1, 12), rng.randint(1, 28), tzinfo=UTC)
    return Drawn(
        scenario,
        tables,
        round(start.timestamp() * 1000),
        1 + rng.uniform(-0.004, 0.004),
        1 + rng.uniform(-0.01, 0.01),
        rng.uniform(-0.05, 0.05),
    )


def _loads(lamps_W: float, fridge_W: float, a_day_Wh: float) -> str:
    """Lamps and a pump on the output; a lamp, the fridge and the monitor straight on the bank."""
    return f"""
[[loads]]
name = "lamps"
power_W = {lamps_W:.1f}
metered = true
from_h = 17.5
to_h = 22.5
jitter_h = 0.7

[[loads]]
name = "pump"
power_W = {a_day_Wh * 0.1:.1f}
metered = true
from_h = 10
to_h = 11
jitter_h = 0.6

[[loads]]
name = "fridge"
power_W = {fridge_W:.1f}
metered = true

[[loads]]
name = "porch"
power_W = {a_day_Wh * 0.1 / 5:.1f}
metered = false
from_h = 18
to_h = 23
jitter_h = 0.7

[[loads]]
name = "feast"
power_W = {lamps_W * 2:.1f}
metered = true
from_h = 18
to_h = 23
on_days_ago = [2, 3, 11, 26, 27, 28, 45]

[[loads]]
name = "monitor"
power_W = 2
metered = false
"""


def plant_course(chemistry: str, seed: int, days: int) -> list[Kept]:
    """A plant's whole course by the minute, from the temporary folder where it has been run before."""
    folder = Path(tempfile.gettempdir()) / f"nightbank-months-{os.getuid()}"
    folder.mkdir(mode=0o700, exist_ok=True)
    drawn = draw(chemistry, seed)
    digest = hashlib.sha256(f"{drawn}/{days}".encode())
    for file in sorted(Path(__file__).parents[2].joinpath("simulator").glob("*.py")):
        digest.update(file.read_bytes())
    file = folder / f"{chemistry}-{seed}-{digest.hexdigest()[:16]}.pickle"
    if file.exists():
        return [Kept(*values) for values in pickle.loads(file.read_bytes())]
    scenario = file.with_suffix(f".{os.getpid()}.toml")
    scenario.write_text(f"window_days = {days}\n{drawn.scenario}", encoding="utf-8")
    try:
        plant = Plant(load_world(scenario, drawn.start_ms, drawn.start_ms, seed))
    finally:
        scenario.unlink()
    course: list[tuple[object, ...]] = []

    def keep(now: Truth) -> None:
        course.append(
            (
                now.time_ms,
                now.battery_voltage_V,
                now.battery_current_A,
                now.charge_current_A,
                now.load_current_A,
                now.unseen_load_A,
                now.battery_temperature_C,
                now.array_voltage_V,
                now.array_current_A,
                STAGES[now.charge_stage],
                now.state_of_charge,
                now.capacity_Ah,
            )
        )

    plant.advance_to(plant.world.end_ms, keep)
    part = file.with_suffix(f".{os.getpid()}")
    part.write_bytes(pickle.dumps(course))
    part.replace(file)
    return [Kept(*values) for values in course]  # type: ignore[arg-type]


def month(chemistry: str, seed: int, level: Level, grade: Grade, days: int) -> Record:
    """What a monitor at that metering level keeps of a plant."""
    drawn = draw(chemistry, seed)
    volt, amp, degree = STEPS[grade]

    def amps(value: float) -> float:
        return _rounded(value * drawn.current_gain + drawn.current_offset_A, amp)

    rows, truth = [], []
    for now in plant_course(chemistry, seed, days):
        charge_A = amps(now.charge_A) if now.charge_A > 0 else 0.0
        rows.append(
            Row(
                now.time_ms,
                _rounded(now.voltage_V * drawn.voltage_gain, volt),
                amps(now.bank_A) if level == "shunt" else None,
                max(0.0, charge_A),
                max(0.0, amps(now.load_A)) if level == "controller" else None,
                _rounded(now.temperature_C, degree),
                _rounded(now.array_V, volt),
                _rounded(now.array_A, amp),
                0,
            )
        )
        unseen_A = {
            "shunt": 0.0,
            "controller": now.unseen_A,
            "charging": now.unseen_A + now.load_A,
        }[level]
        truth.append(TruthRow(now.time_ms, now.soc, now.capacity_Ah, now.stage, unseen_A))
    meters = f"""
[meters]
voltage_step_V = {volt}
current_step_A = {amp}
temperature_step_C = {degree}
voltage_gain_tolerance = 0.004
current_gain_tolerance = 0.01
current_offset_tolerance_A = 0.05
"""
    name = f"{chemistry}/{seed}/{level}/{grade}"
    return Record(name, drawn.bank_tables + meters, tuple(rows), tuple(truth))


def _rounded(value: float, step: float) -> float:
    return round(round(value / step) * step, 6)


def clear_rows(kept: Record, step_A: float) -> list[bool]:
    """Whether each row's stage can be told, as the head of this file defines it."""
    stages = [truth.stage for truth in kept.truth]
    clear = []
    for place, (row, stage) in enumerate(zip(kept.rows, stages, strict=True)):
        around = stages[max(0, place - CLEAR_ROWS) : place + CLEAR_ROWS + 1]
        charge_A = row.charge_current_A or 0.0
        visible = charge_A == 0 if stage == "off" else charge_A >= step_A
        clear.append(visible and all(other == stage for other in around))
    return clear


@dataclass(frozen=True, slots=True)
class Stages:
    """Counts over clear rows of (true stage, stage told)."""

    counts: Counter[tuple[str, str]]

    @property
    def right(self) -> float:
        return sum(n for (true, said), n in self.counts.items() if true == said) / sum(self.counts.values())

    def recall(self, stage: str) -> float | None:
        """Share of a true stage's rows that were told right, None where there was none."""
        whole = sum(n for (true, _), n in self.counts.items() if true == stage)
        return self.counts[stage, stage] / whole if whole else None


def score_month(
    chemistry: str, seed: int, level: Level, grade: Grade, days: int, plain: bool
) -> tuple[list[Score], Stages]:
    kept = month(chemistry, seed, level, grade, days)
    estimates, spent_ms = estimates_of(kept)
    scores = [scored(kept, "estimator", told(estimates), estimates[-1].capacity_Ah, spent_ms)]
    if plain:
        scores += [run_plain(kept, method) for method in METHODS]
    counts = Counter(
        (truth.stage, STAGES[estimate.stage])
        for truth, estimate, clear in zip(
            kept.truth, estimates, clear_rows(kept, STEPS[grade][1]), strict=True
        )
        if clear
    )
    return scores, Stages(counts)


def stage_line(stages: Stages) -> str:
    recalls = ((stage, stages.recall(stage)) for stage in STAGES)
    words = "  ".join(f"{stage} {100 * recall:.1f}" for stage, recall in recalls if recall is not None)
    return f"    stage right {100 * stages.right:.1f} %; recall {words}"


TRUTH = "months of the simulator"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--chemistries", nargs="+", choices=CHEMISTRIES, default=CHEMISTRIES)
    parser.add_argument("--levels", nargs="+", choices=LEVELS, default=LEVELS)
    parser.add_argument("--grade", choices=("coarse", "fine"), default="fine")
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--plain", action="store_true", help="the plain methods, too")
    asked = parser.parse_args()
    work = [
        (chemistry, seed, level, asked.grade, asked.days, asked.plain)
        for chemistry in asked.chemistries
        for seed in asked.seeds
        for level in asked.levels
    ]
    print(HEADER, flush=True)
    scores: list[Score] = []
    together: Counter[tuple[str, str]] = Counter()
    with ProcessPoolExecutor(asked.jobs) as pool:
        for found, stages in pool.map(score_month, *zip(*work, strict=True)):
            scores += found
            together += stages.counts
            print("\n".join(line(score) for score in found), stage_line(stages), sep="\n", flush=True)
    for level in asked.levels:
        of = [score for score in scores if f"/{level}/" in score.record]
        print(f"\nmeans, {level}")
        for method in dict.fromkeys(score.method for score in of):
            inside = [score.inside for score in of if score.method == method]
            mean = means(of, method)
            seen = f"{method}, metered: {level}"
            hand_over(
                accuracy(f"charge, RMS error of: {seen}", 100 * mean.rms, "%", TRUTH),
                accuracy(f"rows inside two deviations: {seen}", 100 * mean.inside, "%", TRUTH),
            )
            print(
                f"{line(mean)}   inside in single plants {100 * min(inside):.0f} to {100 * max(inside):.0f} %"
            )
    print(f"\nall levels\n{stage_line(Stages(together))}")
    hand_over(accuracy("stage right in clear rows", 100 * Stages(together).right, "%", TRUTH))


if __name__ == "__main__":
    main()
