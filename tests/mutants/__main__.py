"""Mutation testing by a sample: small changes of the program, drawn by a seed, and whether the tests notice.

    python -m tests.mutants --rooms bank alarms store --mutants 60 --seed 1 --jobs 2

The tree is copied, and its tests of units, contracts and published values run once there under coverage, so
that it is known which test goes through which line and how long it takes (kept in --work, for the next time).
Then each change is made in a copy, and the tests that go through its lines run, the quickest first, until one
fails. What no test noticed is printed: many such changes make no difference that matters; those that do want
a test.
"""

from __future__ import annotations

import argparse
import json
import os
import queue
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from coverage import CoverageData

from tests.mutants.changes import Change, Spot, changed, spots

TREE = Path(__file__).parents[2]
TESTS = ("tests/unit", "tests/contract", "tests/reference")
"""Those that mostly run in pytest's own process, so that coverage knows which of them is at work."""

PATIENCE = 5.0
"""A change that makes its tests so many times slower runs for ever (our choice), but for START_S."""

START_S = 30.0
DURATION = re.compile(r"^([\d.]+)s (?:setup|call|teardown) +(\S.*?)\s*$", re.MULTILINE)


@dataclass(frozen=True)
class Reach:
    """Which tests go through the lines of each file, and the seconds that each test takes."""

    through: dict[str, dict[int, list[str]]]
    takes_s: dict[str, float]

    def tests_of(self, file: str, spot: Spot, most_s: float) -> list[str]:
        """The tests for a change, the quickest first. Lines that run at import: all of the file's."""
        lines = self.through.get(file, {})
        asked = {test for line in range(spot.first_line, spot.last_line + 1) for test in lines.get(line, ())}
        tests = asked or {test for each in lines.values() for test in each}
        chosen, left_s = [], most_s
        for test in sorted(tests, key=lambda test: self.takes_s.get(test, 0.0)):
            left_s -= self.takes_s.get(test, 0.0)
            if left_s < 0:
                break
            chosen.append(test)
        return chosen


@dataclass(frozen=True)
class Verdict:
    """What became of one change: 'noticed', 'ran for ever', 'survived' or 'no test comes here'."""

    file: str
    spot: Spot
    change: Change
    outcome: str


def copied(folder: Path) -> Path:
    """A copy of what git keeps of this tree, and of what was not committed yet."""
    listed = ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"]
    names = subprocess.run(listed, cwd=TREE, capture_output=True, check=True, text=True).stdout
    for name in filter(None, names.split("\0")):
        if (TREE / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(TREE / name, folder / name)
    return folder


def pytest_in(folder: Path, *arguments: str, longest_s: float | None = None) -> tuple[int, str]:
    """pytest's status and words, run on a copy; status -1 where it took too long."""
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *arguments]
    environment = os.environ | {"PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}
    with subprocess.Popen(
        command, cwd=folder, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        start_new_session=True,
    ) as process:  # fmt: skip
        try:
            said = process.communicate(timeout=longest_s)[0]
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            return -1, process.communicate()[0]
    return process.returncode, said


def reach_of(work: Path, tests: list[str]) -> Reach:
    """What `work` has from an earlier time, or else found out now by these tests."""
    kept = work / "reach.json"
    if not kept.exists():
        with tempfile.TemporaryDirectory() as name:
            folder = copied(Path(name))
            covered = ("--cov=monitor", "--cov-context=test", "--cov-report=", "--durations=0", "-vv")
            apart = ("-m", "not timed", "-n", "2", "--dist", "loadfile")
            status, said = pytest_in(folder, *tests, *apart, *covered)
            if status != 0:
                sys.exit(f"the tests must pass before anything is changed:\n{said[-3000:]}")
            takes_s: Counter[str] = Counter()
            for seconds, test in DURATION.findall(said):
                takes_s[test] += float(seconds)
            data = CoverageData(str(folder / ".coverage"))
            data.read()
            through = {
                str(Path(file).relative_to(folder)): {
                    line: sorted({test.partition("|")[0] for test in tests if test})
                    for line, tests in data.contexts_by_lineno(file).items()
                }
                for file in data.measured_files()
            }
            kept.write_text(json.dumps([through, takes_s]), encoding="utf-8")
    through, takes_s = json.loads(kept.read_text(encoding="utf-8"))
    by_line = {file: {int(line): tests for line, tests in lines.items()} for file, lines in through.items()}
    return Reach(by_line, takes_s)


def drawn(room: str, count: int, seed: int) -> list[tuple[str, Spot]]:
    """So many places of a room, each as likely as any other."""
    files = sorted((TREE / "monitor" / room).glob("*.py"))
    every = [(str(file.relative_to(TREE)), spot) for file in files for spot in spots(file.read_text("utf-8"))]
    return sorted(random.Random(f"{room} {seed}").sample(every, min(count, len(every))), key=str)


def judged(folder: Path, reach: Reach, file: str, spot: Spot, most_s: float) -> Verdict:
    """Make a change in a copy, run its tests, and take it back."""
    path = folder / file
    source = path.read_text(encoding="utf-8")
    change = changed(source, spot)
    tests = reach.tests_of(file, spot, most_s)
    if not tests:
        return Verdict(file, spot, change, "no test comes here")
    path.write_text(change.text, encoding="utf-8")
    (folder / "chosen").write_text("\n".join(tests), encoding="utf-8")
    try:
        longest_s = START_S + PATIENCE * sum(reach.takes_s.get(test, 0.0) for test in tests)
        status, said = pytest_in(folder, "-x", "@chosen", longest_s=longest_s)
    finally:
        path.write_text(source, encoding="utf-8")
    if status not in (-1, 0, 1, 2):
        sys.exit(f"pytest ended with {status}:\n{said[-3000:]}")
    return Verdict(file, spot, change, {-1: "ran for ever", 0: "survived"}.get(status, "noticed"))


def told(verdicts: Iterable[Verdict]) -> None:
    """The figures of each room, and each change that nothing noticed."""
    rooms: dict[str, Counter[str]] = {}
    for each in verdicts:
        rooms.setdefault(each.file.split("/")[1], Counter())[each.outcome] += 1
        if each.outcome not in ("noticed", "ran for ever"):
            print(f"{each.file}:{each.spot.first_line}: {each.outcome}")
            print(f"    - {each.change.was}\n    + {each.change.now}")
    for room, counts in rooms.items():
        figures = ", ".join(f"{outcome} {count}" for outcome, count in counts.most_common())
        print(f"{room}: {sum(counts.values())} changes: {figures}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--rooms", nargs="+", default=["bank", "alarms", "store"], help="folders of monitor/")
    parser.add_argument("--mutants", type=int, default=60, help="changes in each room")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--most-s", type=float, default=90.0, help="tests of one change, by what they took")
    parser.add_argument("--tests", nargs="+", default=TESTS, help="files or folders of tests")
    parser.add_argument("--work", type=Path, default=TREE / ".mutants", help="keeps the tests' lines")
    chosen = parser.parse_args()
    chosen.work.mkdir(exist_ok=True)
    reach = reach_of(chosen.work, chosen.tests)
    todo = [each for room in chosen.rooms for each in drawn(room, chosen.mutants, chosen.seed)]
    with tempfile.TemporaryDirectory() as name, ThreadPoolExecutor(chosen.jobs) as pool:
        folders: queue.SimpleQueue[Path] = queue.SimpleQueue()
        for number in range(chosen.jobs):
            (folder := Path(name) / str(number)).mkdir()
            folders.put(copied(folder))

        def judge(each: tuple[str, Spot]) -> Verdict:
            folder = folders.get()
            try:
                verdict = judged(folder, reach, *each, chosen.most_s)
            finally:
                folders.put(folder)
            print(f"{verdict.outcome:20} {each[0]}:{each[1].first_line}", file=sys.stderr, flush=True)
            return verdict

        verdicts = list(pool.map(judge, todo))
    print(f"seed {chosen.seed}")
    told(verdicts)


if __name__ == "__main__":
    main()
