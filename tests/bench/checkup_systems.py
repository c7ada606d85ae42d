"""What `nightbank checkup` finds of mistakes made in random systems, and what it says of right ones.

    python -m tests.bench.checkup_systems [--seeds 1-50] [--jobs 2] [--no-acts] [--no-answers] [--show]

Every system is drawn by its seed (12 and 24 V, 1 to 6 panels, every chemistry, every metering level,
weather, meters of 0.01 or 0.1 steps with gains and offsets), and is judged by day and by night: wired
right, and with each mistake that it can have.

found     a check that names the mistake says wrong
untold    none of these says wrong or right: 'not to be told'
missed    one of them says right and none says wrong
recall    found of found and missed
false     checks that say wrong and have nothing to do with the mistake, of all checks made

The thresholds were chosen with seeds 1 to 50 in view, and mended after a look at 101 to 150, 301 to 350 and
401 to 450; 451 to 500 are the test.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from itertools import repeat
from random import Random

from monitor.checkup.judge import judge
from monitor.checkup.result import Result, Verdict
from tests.bench.figures import accuracy, hand_over
from tests.checkups.mistakes import MISTAKES, Mistake
from tests.checkups.play import play
from tests.checkups.systems import draw

RIGHT = "wired right"
DRAWN = "systems drawn by seed"


@dataclass
class Tally:
    """Counts by mistake ('wired right' among them), day and night apart."""

    outcomes: Counter[tuple[str, bool, str]] = field(default_factory=Counter)
    checks: int = 0
    told: int = 0
    false: list[str] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    untold: Counter[tuple[str, bool]] = field(default_factory=Counter)
    asked: Counter[tuple[str, bool]] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        """Another tally into this one."""
        for name in ("outcomes", "untold", "asked"):
            getattr(self, name).update(getattr(other, name))
        self.checks += other.checks
        self.told += other.told
        self.false += other.false
        self.missed += other.missed


def system_tally(seed: int, acts: bool, answers: bool) -> Tally:
    """One system by day and by night, right and with every mistake."""
    tally = Tally()
    for day in (True, False):
        system = draw(seed, day=day)
        _count(tally, None, judge(play(system, acts=acts, answers=answers)), seed, day)
        for mistake in MISTAKES:
            made = mistake.make(system, Random(f"{mistake.name}/{seed}"))
            if made is not None:
                _count(tally, mistake, judge(play(made, acts=acts, answers=answers)), seed, day)
    return tally


def _count(tally: Tally, mistake: Mistake | None, results: Sequence[Result], seed: int, day: bool) -> None:
    allowed = () if mistake is None else (*mistake.found_by, *mistake.with_it)
    where = f"{seed} {'day' if day else 'night'}, {mistake.name if mistake else RIGHT}"
    for result in results:
        tally.checks += 1
        tally.told += result.verdict is not Verdict.UNTOLD
        if result.verdict is Verdict.WRONG and result.check not in allowed:
            tally.false.append(f"{where}: {result.check}: {result.evidence}")
        if mistake is None:
            tally.asked[result.check, day] += 1
            tally.untold[result.check, day] += result.verdict is Verdict.UNTOLD
    if mistake is None:
        return
    verdicts = {result.check: result.verdict for result in results if result.check in mistake.found_by}
    outcome = "untold"
    if Verdict.WRONG in verdicts.values():
        outcome = "found"
    elif Verdict.RIGHT in verdicts.values() and not _only_others(verdicts, mistake):
        outcome = "missed"
        said = "; ".join(
            f"{r.check} {r.verdict}: {r.evidence}" for r in results if r.check in mistake.found_by
        )
        tally.missed.append(f"{where}: {said}")
    tally.outcomes[mistake.name, day, outcome] += 1


def _only_others(verdicts: dict[str, Verdict], mistake: Mistake) -> bool:
    """Whether the first of the checks that could name it is not to be told: then the others say nothing of
    it."""
    return verdicts.get(mistake.found_by[0]) is Verdict.UNTOLD


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", default="451-500", help="first-last")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--no-acts", action="store_true", help="the person does nothing")
    parser.add_argument("--no-answers", action="store_true", help="the person reads no clock and no display")
    parser.add_argument("--show", action="store_true", help="every false finding and every missed mistake")
    given = parser.parse_args()
    first, _, last = given.seeds.partition("-")
    seeds = range(int(first), int(last or first) + 1)
    tally = Tally()
    with ProcessPoolExecutor(given.jobs) as pool:
        for one in pool.map(system_tally, seeds, repeat(not given.no_acts), repeat(not given.no_answers)):
            tally.add(one)
    report(tally, seeds, given.show)


def report(tally: Tally, seeds: Sequence[int], show: bool) -> None:
    """Print the tables."""
    print(f"seeds {seeds[0]} to {seeds[-1]}: {len(seeds)} systems, each by day and by night")
    print(f"{'mistake':32} {'day: found untold missed':>26} {'night: found untold missed':>28}")
    totals: Counter[tuple[bool, str]] = Counter()
    for mistake in MISTAKES:
        row = f"{mistake.name:32} "
        for day in (True, False):
            counts = [tally.outcomes[mistake.name, day, outcome] for outcome in ("found", "untold", "missed")]
            row += "".join(f"{count:9d}" for count in counts)
            for outcome, count in zip(("found", "untold", "missed"), counts, strict=True):
                totals[day, outcome] += count
        print(row)
    for day in (True, False):
        found, untold, missed = (totals[day, outcome] for outcome in ("found", "untold", "missed"))
        told = found + missed
        print(
            f"{'by day' if day else 'by night'}: recall {found}/{told} = {found / told:.3f}; not to be told"
            f" {untold}/{told + untold} = {untold / (told + untold):.3f}"
        )
        light = "by day" if day else "by night"
        hand_over(
            accuracy(f"mistakes of wiring found {light}, of those that can be told", found / told, "", DRAWN),
            accuracy(f"mistakes not to be told {light}", untold / (told + untold), "", DRAWN),
        )
    print(
        f"false findings {len(tally.false)} of {tally.told} told checks = {len(tally.false) / tally.told:.4f}"
        f" (of {tally.checks} checks made)"
    )
    hand_over(accuracy("false findings among told checks", len(tally.false) / tally.told, "", DRAWN))
    print("not to be told in right systems, by day / by night:")
    for check in sorted({check for check, _ in tally.asked}):
        parts = [f"{tally.untold[check, day]}/{tally.asked[check, day]}" for day in (True, False)]
        print(f"  {check:18} {parts[0]:>8} {parts[1]:>8}")
    if show:
        print("false:", *tally.false, sep="\n  ")
        print("missed:", *tally.missed, sep="\n  ")


if __name__ == "__main__":
    main()
