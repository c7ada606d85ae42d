"""Benchmarks, one after the other, and their newest figures beside each other: python -m tests.bench

    python -m tests.bench                      # all of them, which takes hours
    python -m tests.bench --quick              # those whose last run took less than two minutes
    python -m tests.bench --only zoom daemon   # some

Each prints what it always prints; what it hands over (`figures.py`) is kept in results.json with the day,
the command and the machine, and RESULTS.md is made anew of all that is kept. Nothing else should run beside
it: the wire's timing is part of what is measured. A benchmark alone, with options of its own and without
the page: python -m tests.bench.NAME
"""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from tests.bench.figures import WHERE, figures_in
from tests.bench.results import PAGE, Run, benchmarks, keep_runs, load_runs

FIRST = ("poll_cycle", "poll_delivery", "daemon", "store_speed", "simulator_cost", "page_cost")

QUICK_S = 120.0

TWO = ("--jobs", "2")
OPTIONS: dict[str, tuple[str, ...]] = {
    "array_findings": ("--each", "3", "--kept", "--seeds", "101", *TWO),
    "charge_error": TWO,
    "checkup_systems": TWO,
    "fleet": ("--sites", "200"),
    "hidden_loads": ("--plain", *TWO),
    "kills": ("--kills", "60"),
    "line_faults": ("--frames", "2500"),
    "match_maps": ("--talks", "0", "--plain", "0"),
    "outlook_nights": ("--seeds", "101-112", *TWO),
    "plan_nights": ("--seeds", "5001-5050", *TWO),
    "simulated_months": TWO,
    "soak": ("--days", "6"),
    "sky_days": ("--kept", "--seeds", "102", *TWO),
    "winter_runs": ("--seeds", "9011-9018", "--records", "2", *TWO),
    "supply_ends": ("--seeds", "101-140"),
}
"""How a benchmark is run for the page where its own defaults are not meant: seeds that no constant was
chosen with, and less of what takes an hour (its long runs stand in the tables)."""


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    known = benchmarks()
    in_order = [*FIRST, *(name for name in known if name not in FIRST)]
    some = parser.add_mutually_exclusive_group()
    some.add_argument("--only", nargs="+", choices=in_order, metavar="NAME")
    some.add_argument("--quick", action="store_true", help=f"whose last run took less than {QUICK_S:.0f} s")
    some.add_argument("--page", action="store_true", help="run none; make RESULTS.md of what is kept")
    asked = parser.parse_args()
    runs = load_runs()
    chosen = [] if asked.page else asked.only or in_order
    if asked.quick:
        chosen = [name for name in in_order if name in runs and runs[name].seconds < QUICK_S]
    failed = []
    for name in chosen:
        print(f"\n== {name}", flush=True)
        done = run(name)
        runs = load_runs()  # another one may have kept its own meanwhile
        if done.figures or name not in runs:  # what was kept stays where a run gave nothing
            runs[name] = done
        if done.status != 0:
            failed.append(name)
        keep_runs(runs, in_order)
    keep_runs(runs, in_order)
    print(f"\nthe newest figures of all: {PAGE}")
    if failed:
        sys.exit(f"did not finish, or missed a target: {', '.join(failed)}")


def run(name: str) -> Run:
    """Run a benchmark in a process of its own and take what it hands over."""
    words = [f"tests.bench.{name}", *OPTIONS.get(name, ())]
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "figures"
        load, began_s = os.getloadavg()[0], time.monotonic()
        done = subprocess.run([sys.executable, "-m", *words], env=os.environ | {WHERE: str(file)})
        seconds = time.monotonic() - began_s
        found = tuple(figures_in(file))
    cores = os.cpu_count()
    machine = f"{cores} cores, {platform.machine()}, Python {sys.version_info.major}.{sys.version_info.minor}"
    when = f"{datetime.now(UTC):%Y-%m-%d}"
    return Run(
        f"python -m {' '.join(words)}",
        when,
        round(seconds, 1),
        machine,
        round(load, 1),
        done.returncode,
        found,
    )


if __name__ == "__main__":
    main()
