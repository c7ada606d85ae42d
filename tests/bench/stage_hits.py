"""How often the stage is named right, over sixty days of unlike supplies.

    python -m tests.bench.stage_hits [--days N]

The truth is the simulator's, its banks' constants drawn at random, its instruments wrong within the usual
tolerances. Then the same on the judging records (tests/banks), whose banks and controller are of another
family. A row is clear where the true stage has stood for five minutes and stands for five more.
"""

from __future__ import annotations

import argparse
import time
import tomllib
from dataclasses import replace
from datetime import UTC, datetime

from monitor.bank.description import describe_bank
from monitor.bank.sample import BankSample
from monitor.bank.stage import StageTracker
from monitor.quantities import Stage
from monitor.site.model import Bank, Controller, Metering, Meters
from tests.banks.library import NAMES, record
from tests.bench.figures import accuracy, cost, hand_over
from tests.stage_cases import SEEN, Case, Hits, drawn_instruments, hits, truths

AUTUMN_MS = round(datetime(2026, 10, 1, tzinfo=UTC).timestamp() * 1000)

CASES = (
    Case(1),
    Case(2, "pwm"),
    Case(3, "pwm", "agm"),
    Case(4, "mppt", "gel", start_ms=AUTUMN_MS),
    Case(5, "mppt", start_ms=AUTUMN_MS, probe_missing=True),
    Case(6, "mppt", "lifepo4"),
    Case(7, "mppt", start_ms=AUTUMN_MS, compensates=False),
    Case(8, "pwm", "agm", compensates=False),
)


def line(name: str, found: Hits) -> str:
    recalls = (f"{stage.name.lower()} {found.recall(stage):.3f}" for stage in Stage)
    return f"{name:60s} clear {found.clear_right:.4f}  all {found.all_right:.4f}  recall {' '.join(recalls)}"


def simulated(days: int) -> None:
    together, slowest_us = Hits(), 0.0
    for case in (replace(case, days=days) for case in CASES):
        rows, bank = truths(case)
        begin = time.process_time()
        for level in SEEN:
            for step in (0.01, 0.1):
                found = hits(rows, bank, level, drawn_instruments(case.seed, step))
                together.clear.update(found.clear)
                print(line(f"{case}, {level}, {step} V and A", found))
        cost_us = (time.process_time() - begin) / (2 * len(SEEN) * len(rows)) * 1e6
        slowest_us = max(slowest_us, cost_us)
        print(
            f"    {cost_us:.0f} microseconds of CPU an update, the test's own share in it (bound 30)",
            flush=True,
        )
    hand_over(
        accuracy("stage right in clear rows", 100 * together.clear_right, "%", "the simulator's supplies"),
        cost("an update of the stage, CPU, the bench's own share in it", slowest_us, "µs", at_most=30),
    )


def recorded() -> None:
    together = Hits()
    for name in NAMES:
        for grade in ("fine", "coarse"):
            kept = record(name, grade)
            tables = tomllib.loads(kept.bank_toml)
            bank = describe_bank(
                Bank(**tables["bank"]),
                Controller(**tables["controller"]),
                Meters(**tables["meters"]),
                Metering(),
                level=None,
            )
            tracker, told = StageTracker(bank), []
            for row, truth in zip(kept.rows, kept.truth, strict=True):
                if row.restart:
                    tracker = StageTracker(bank)
                view = tracker.update(BankSample(row.time_ms, *row[1:8]))
                told.append((row.time_ms, Stage[truth.stage.upper()], view.stage))
            found = Hits()
            found.add(told)
            together.clear.update(found.clear)
            print(line(kept.name, found), flush=True)
    hand_over(
        accuracy("stage right in clear rows", 100 * together.clear_right, "%", "banks of other physics")
    )


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--days", type=int, default=60)
    simulated(options.parse_args().days)
    recorded()


if __name__ == "__main__":
    main()
