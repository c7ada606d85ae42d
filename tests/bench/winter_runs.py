"""The winter's answer beside simulated winters: does a standing bank come to where it may freeze?

    python -m tests.bench.winter_runs [--seeds 1-20] [--records 4] [--jobs N]

Each small site stands from 16 November to the end of March, its loads off, so many watts connected. A run is
the simulator's winter of one seed with its own clouds, self-discharge and cold, from a full bank; its outcome
is the first day on which the acid is weaker than the coldest night asks for. The answer is that of `nightbank
care SITE winter`, to a person whose store has nothing, and to some with a year of another seed's days. Right
is: no more than one run of twenty before the day to act by; where the array keeps the bank, none at all.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from statistics import median
from typing import Any

from monitor.care.winter_told import Asked
from monitor.clock import CLOCK_NOTE, PacedClock
from monitor.day_book import note_key
from monitor.store.embedded import open_writer
from monitor.sun.expected import supply_of
from monitor.sun.months import MONTHS_NOTE, ClearMonth, clear_months, months_note
from monitor.winter_report import winter_report
from simulator.plant import Plant
from tests.bench.figures import accuracy, hand_over
from tests.bench.plan_nights import (
    RECORD_SEED,
    START_MS,
    at_ms,
    clear_Wh,
    record_of,
    run,
    site_of,
    world_of,
)
from tests.nights.described import SYSTEMS, Described, Lamp

END_MS = at_ms(2027, 3, 31)
COLDEST_C = -20.0
"""59 % are needed: enough that some winters come below."""

SITES = tuple(
    replace(SYSTEMS[name], name=f"{name} {watts:g} W", loads=(Lamp("rest", watts, 0, 24, metered=False),))
    for name, watts in (("marsh", 1.0), ("marsh", 4.0), ("marsh", 8.0), ("pond", 5.0), ("pond", 10.0))
)


def outcome(described: Described, least: float, seed: int) -> date | None:
    """The first day of a run on which the acid is weaker than at the least charge; None where it never is.

    The acid goes with what was taken of the rating, and not of what the cold leaves of it.
    """
    plant = Plant(world_of(described, seed, START_MS, "published"))
    _, _, unit_Ah, _, strings = described.bank
    run(plant, END_MS, lambda truth: truth.removed_Ah > (1 - least) * unit_Ah * strings)
    return None if plant.time_ms >= END_MS else datetime.fromtimestamp(plant.time_ms / 1000, UTC).date()


def answered(described: Described, clear: Sequence[ClearMonth], entries: dict[date, Any]) -> dict[str, Any]:
    """What `nightbank care SITE winter` tells a person with those days on record."""
    site = site_of(described)
    with (
        tempfile.TemporaryDirectory() as folder,
        closing(open_writer(Path(folder) / "nightbank.db", "UTC")) as store,
    ):
        store.put_note(CLOCK_NOTE, PacedClock(START_MS, START_MS, 1e-9).note())
        store.put_note(MONTHS_NOTE, months_note(supply_of(site), clear))
        for day, entry in entries.items():
            store.put_note(note_key(day), json.dumps(entry))
        store.commit()
        # the simulated controller takes 0.6 W beside what is connected
        asked = Asked(coldest_C=COLDEST_C, draw_W=described.loads[0].power_W + 0.6)
        return winter_report(site, store, asked, charge=1.0, at_once=False)


def judged(told: dict[str, Any], runs: Sequence[date | None]) -> tuple[int, str]:
    """How many runs were at risk before the answer said so, and the answer in short."""
    if told["keeps"] == "yes":
        return sum(day is not None for day in runs), "keeps it"
    by = None if told["act_by"] is None else date.fromisoformat(told["act_by"])
    early = sum(day is not None and (by is None or day < by) for day in runs)
    return early, f"{told['keeps']}, by {by}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seeds", default="1-20", help="one a run")
    parser.add_argument("--records", type=int, default=4)
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    first, _, last = given.seeds.partition("-")
    seeds = range(int(first), int(last or first) + 1)
    early = asked = 0
    print("| site | runs at risk | middle day | on record | answer | runs before it |")
    print("|---|---:|---|---|---|---:|", flush=True)
    with ProcessPoolExecutor(given.jobs) as pool:
        for described in SITES:
            clear = clear_months(supply_of(site_of(described)))
            bare = answered(described, clear, {})
            runs = list(pool.map(partial(outcome, described, bare["least_charge"]), seeds))
            at_risk = sorted(day for day in runs if day is not None)
            middle = "–" if not at_risk else f"{median(day.toordinal() for day in at_risk):.0f}"
            middle = "–" if not at_risk else str(date.fromordinal(int(float(middle))))
            bright, by_month = clear_Wh(described), {each.month: each for each in clear}
            answers = [("nothing", bare)]
            for number in range(given.records):
                entries, _ = record_of(described, RECORD_SEED + seeds[0] * 1000 + number, by_month, bright)
                answers.append((f"year {number + 1}", answered(described, clear, entries)))
            for name, told in answers:
                before, answer = judged(told, runs)
                early, asked = early + before, asked + len(runs)
                print(
                    f"| {described.name} | {len(at_risk)} of {len(runs)} | {middle} | {name} | {answer} |"
                    f" {before} |",
                    flush=True,
                )
    print(f"\n{early} of {asked} runs came to risk before the answer said so ({100 * early / asked:.1f} %).")
    hand_over(accuracy("winters at risk before the day to act by", 100 * early / asked, "%", at_most=5.0))


if __name__ == "__main__":
    main()
