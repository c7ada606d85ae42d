"""Mutation testing by a sample: small changes of the program, drawn by a seed, and whether the tests notice.

    python -m tests.mutants --rooms bank alarms store --mutants 60 --seed 1 --jobs 2

The tree is copied, and its tests of units, contracts and published values run once there under coverage, so
that it is known which test goes through which line and how long it takes. Then each change is made in a
copy, and the tests that go through its lines run until one fails. What no test noticed is printed: many such
changes make no difference that matters; those that do want a test.

--work keeps what was found, and the next time does no more than is new: tests that are another run once more,
changes that were noticed are not tried again, and those that were not are. A seed draws the same places while
their lines stay as they are, whatever becomes of other lines.
"""

from __future__ import annotations

import argparse
import queue
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.mutants.changes import changed
from tests.mutants.copies import TREE, compiled, copied, pytest_in
from tests.mutants.outcome import PAGE, Verdict, keep, kept_in, page, reasons
from tests.mutants.reach import Reach, reach_of
from tests.mutants.sample import Place, drawn

TESTS = ("tests/unit", "tests/contract", "tests/reference")
"""Those that mostly run in pytest's own process, so that coverage knows which of them is at work."""

PATIENCE = 5.0
"""A change that makes its tests so many times slower runs for ever (our choice), but for START_S. On a busy
computer a slow run looks the same, so such a change is tried again the next time."""

START_S = 60.0


def judged(folder: Path, reach: Reach, place: Place, most_s: float) -> Verdict:
    """Make a change in a copy, run its tests, and take it back."""
    path = folder / place.file
    source = path.read_text(encoding="utf-8")
    change = changed(source, place.spot)
    turns = reach.turns_of(place.file, place.spot, most_s)
    outcome = "survived" if turns else "no test comes here"
    path.write_text(change.text, encoding="utf-8")
    try:
        for tests in turns:
            (folder / "chosen").write_text("\n".join(tests), encoding="utf-8")
            longest_s = START_S + PATIENCE * sum(reach.takes_s[test] for test in tests)
            status, said = pytest_in(folder, "-x", "@chosen", longest_s=longest_s)
            if status not in (-1, 0, 1, 2):
                sys.exit(f"pytest ended with {status}:\n{said[-3000:]}")
            if status != 0:
                outcome = "ran for ever" if status == -1 else "noticed"
                break
    finally:
        path.write_text(source, encoding="utf-8")
    where = (place.key, place.digest, place.file, change.within, place.spot.first_line)
    return Verdict(*where, change.was, change.now, outcome)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--rooms", nargs="+", default=["bank", "alarms", "store"], help="folders of monitor/")
    parser.add_argument("--mutants", type=int, default=60, help="changes in each room, for each seed")
    parser.add_argument("--seed", type=int, nargs="+", default=[1])
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--most-s", type=float, default=90.0, help="tests of one change, by what they took")
    parser.add_argument("--tests", nargs="+", default=TESTS, help="files or folders of tests")
    parser.add_argument("--work", type=Path, default=TREE / ".mutants", help="keeps what was found")
    parser.add_argument("--page", action="store_true", help="lay the outcome down in MUTANTS.md")
    chosen = parser.parse_args()
    chosen.work.mkdir(exist_ok=True)
    reach = reach_of(chosen.work, chosen.tests, chosen.rooms, chosen.jobs)
    log = chosen.work / "verdicts.jsonl"
    known = {key: each for key, each in kept_in(log).items() if each.outcome == "noticed"}
    places = {
        place.key: place
        for room in chosen.rooms
        for seed in chosen.seed
        for place in drawn(room, chosen.mutants, seed)
    }
    with tempfile.TemporaryDirectory() as name, ThreadPoolExecutor(chosen.jobs) as pool:
        folders: queue.SimpleQueue[Path] = queue.SimpleQueue()
        for number in range(chosen.jobs):
            (folder := Path(name) / str(number)).mkdir()
            folders.put(compiled(copied(folder)))

        def judge(place: Place) -> Verdict:
            if found := known.get((place.key, place.digest)):
                return found
            folder = folders.get()
            try:
                verdict = judged(folder, reach, place, chosen.most_s)
            finally:
                folders.put(folder)
            keep(verdict, log)
            print(f"{verdict.outcome:20} {place.file}:{verdict.line}", file=sys.stderr, flush=True)
            return verdict

        verdicts = list(pool.map(judge, places.values()))
    seeds = " ".join(map(str, chosen.seed))
    told = page(verdicts, f"--mutants {chosen.mutants} --seed {seeds}", reasons())
    if chosen.page:
        PAGE.write_text(told, encoding="utf-8")
    print(told)


if __name__ == "__main__":
    main()
