"""Clocks that are wrong in every way, drawn from seeds: python -m tests.bench.clock_steps [--seeds 1-20]

Each seed is a site on a computer without a clock chip for some days (`tests/faults/clock_world.py`): networks
come and go, somebody sets the system's clock by up to ten years, phones tell the time, wrong ones too, the
daemon is killed, the power is cut for seconds or hours. Printed is what became of each poll that was served:
in the store at its time; set aside, because the time was not known until the power was cut; lost with the
last commit interval before a kill or cut. Wrong, lost, doubled or misordered polls, and alarms that were
raised twice or without reason, end the run with status 1.
"""

from __future__ import annotations

import argparse
import logging
import sys
import time
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory

from monitor.records import parse_iso
from tests.bench.figures import accuracy, cost, hand_over
from tests.faults.clock_world import ClockWorld, judge

CLOCKS = "clocks that are wrong in every way"

NEAR_MS = 3_000
"""A phone of the world is off by two seconds at most."""

BEGINS = ("2026-03-28T10:00:00Z", "2026-10-24T10:00:00Z", "2028-02-28T10:00:00Z")
"""Before both changes of summer time, and a leap day."""


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", default="1-20")
    parser.add_argument("--events", type=int, default=30)
    options = parser.parse_args()
    logging.disable(logging.CRITICAL)
    first, _, last = options.seeds.partition("-")
    happened, fates, faults = Counter[str](), Counter[str](), list[str]()
    begin_s = time.monotonic()
    for seed in range(int(first), int(last or first) + 1):
        with TemporaryDirectory() as name:
            world = ClockWorld(Path(name), parse_iso(BEGINS[seed % len(BEGINS)]), seed, poll_ms=60_000)
            for _ in range(options.events):
                world.happen()
            world.finish()
            verdict = judge(world, NEAR_MS)
        happened.update(world.counts.events)
        fates.update(
            served=verdict.served,
            stored=verdict.stored,
            aside=verdict.aside,
            cut=verdict.cut,
            dips=len(world.dips),
            raised=sum(dip.raised for dip in world.dips),
        )
        faults += [f"seed {seed}: wrong: {each}" for each in verdict.wrong]
        faults += [f"seed {seed}: lost: {each}" for each in verdict.lost]
        faults += [f"seed {seed}: raised without reason at {each}" for each in world.stray_alarms]
        faults += [f"seed {seed}: raised {dip.raised} times: {dip}" for dip in world.dips if dip.raised > 1]
        faults += [
            f"seed {seed}: never raised: {dip}" for dip in world.dips if not dip.raised and dip.seen_whole
        ]
        print(f"  seed {seed} done, {time.monotonic() - begin_s:.0f} s", file=sys.stderr, flush=True)
    print(f"what happened: {dict(sorted(happened.items()))}")
    print(f"what became of it: {dict(fates)}")
    print(f"wrong, lost, doubled, misordered, or an alarm too many or too few: {len(faults)}")
    for fault in faults[:20]:
        print(f"  {fault}")
    hand_over(
        accuracy(
            "polls wrong, lost or doubled, alarms too many or too few", len(faults), "", CLOCKS, at_most=0
        ),
        cost("polls that were served meanwhile", fates["served"], ""),
    )
    sys.exit(1 if faults else 0)


if __name__ == "__main__":
    main()
