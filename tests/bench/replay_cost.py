"""What a replay and a rebuild cost beside the estimator's own time.

    python -m tests.bench.replay_cost [--days N]

The same minutes go through csv's reader and writer alone (the baseline), through `replay` with an estimator
that answers at once, through `replay` with the estimator, and from a store through `rebuild`; and rows five
minutes apart go to the estimator, each of which is a whole step of its filter. CPU is that of this process.
"""

from __future__ import annotations

import argparse
import csv
import io
import math
import random
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from monitor.bank.description import describe_site
from monitor.bank.estimator import BankEstimator
from monitor.bank.replay import MEASURED, Remarks, replay
from monitor.bank.sample import BankEstimate, BankSample
from monitor.clock import SystemClock
from monitor.quantities import Stage
from monitor.rebuild import rebuild
from monitor.records import Reading, iso_utc
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import open_writer
from tests.bench.figures import cost, hand_over, ratio

SEED = 20261125
START_MS = 1_764_547_200_000
MINUTE_MS = 60_000
SITE = Path(__file__).resolve().parents[2] / "monitor/demo_site.toml"


def minutes(count: int) -> Iterator[tuple[int, list[float]]]:
    """Time and the measured values of a bank with sun by day and lamps in the evening, with noise."""
    rng = random.Random(SEED)
    for minute in range(count):
        sun = max(0.0, math.sin(2 * math.pi * (minute % 1440 - 360) / 1440))
        charge_A, load_A = 20 * sun, 2.0 + 3 * (minute % 1440 > 1100)
        values = [12.3 + 2 * sun, charge_A - load_A, charge_A, load_A, 12 + 6 * sun, 18 * sun, 13 * sun]
        yield START_MS + minute * MINUTE_MS, [round(value + rng.gauss(0, 0.01), 2) for value in values]


class Ready:
    """An estimator that answers at once."""

    answer = BankEstimate(0, 0.5, 0.1, Stage.BULK, 440.0, 20.0, 0.1, ("full seen 2 days ago", "loads unseen"))

    def update(self, sample: BankSample) -> BankEstimate:
        return self.answer

    def state(self) -> str:
        return ""


def cpu_us(task: Callable[[], object], rows: int) -> float:
    """CPU µs a row."""
    began = time.process_time()
    task()
    return (time.process_time() - began) * 1e6 / rows


def through_csv(lines: list[str]) -> None:
    """Read and write the table, nothing else."""
    writer = csv.writer(io.StringIO())
    for row in csv.reader(lines):
        writer.writerow(row)


def each_weighed(estimator: BankEstimator, count: int) -> None:
    """Rows so far apart that each moves and weighs all supposed banks."""
    for row, (_, values) in enumerate(minutes(count)):
        measured: dict[str, Any] = dict(zip(MEASURED, values, strict=True))
        estimator.update(BankSample(START_MS + row * 5 * MINUTE_MS, **measured))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=7)
    count = parser.parse_args().days * 1440
    site, _ = with_defaults(load_site(SITE))
    bank = describe_site(site)
    table = [",".join(("time", *MEASURED))]
    table += [",".join((iso_utc(time_ms), *map(str, values))) for time_ms, values in minutes(count)]

    def replayed(make: Callable[[], Ready | BankEstimator]) -> Callable[[], object]:
        return lambda: sum(len(row) for row in replay(table, make, Remarks()))

    plain = cpu_us(lambda: through_csv(table), count)
    reading = cpu_us(replayed(Ready), count)
    whole = cpu_us(replayed(lambda: BankEstimator(bank)), count)
    with TemporaryDirectory() as folder, open_writer(Path(folder) / "store.db", "UTC") as store:
        for time_ms, values in minutes(count):
            store.append(
                Reading(time_ms, site.devices[0].name, name, value)
                for name, value in zip(MEASURED, values, strict=True)
            )
        store.commit()
        again = cpu_us(lambda: rebuild(site, store, START_MS, SystemClock()), count)
    estimator = whole - reading
    weighed = cpu_us(lambda: each_weighed(BankEstimator(bank), count // 5), count // 5)
    print(f"{count} rows, CPU a row")
    print(f"csv in and out alone          {plain:7.1f} µs")
    print(f"replay without the estimator  {reading:7.1f} µs   {reading / plain:.1f} times csv alone")
    print(f"replay                        {whole:7.1f} µs   a year of minutes: {whole * 0.5256:.0f} s")
    print(f"a step that is weighed        {weighed:7.1f} µs   target 700 µs; rows 5 minutes apart all are")
    print(f"rebuild                       {again:7.1f} µs   {again - estimator:.0f} µs beside the estimator")
    hand_over(
        ratio("a replay without the estimator", reading / plain, "the table read and written alone"),
        ratio("a rebuild from the store", again / whole, "a replay of the same minutes"),
        cost("a step of the estimator that is weighed, CPU", weighed, "µs", at_most=700),
        cost("a replay of a year of minutes, CPU", whole * 0.5256, "s"),
    )


if __name__ == "__main__":
    main()
