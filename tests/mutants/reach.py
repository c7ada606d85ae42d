"""Which tests go through which line of monitor/, and how long each takes; kept from one time to the next.

By the digests of files it is known what has changed since: tests that are new or other ones run once more,
and so do those that go through a file of the asked rooms that is another one.
"""

from __future__ import annotations

import hashlib
import json
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from statistics import fmean

from coverage import CoverageData

from tests.mutants.changes import Spot
from tests.mutants.copies import TREE, copied, pytest_in
from tests.mutants.reports import WHERE, reports_in

NEAREST, QUICK_S = 3, 2.0
"""The quick tests of so many files are tried first (our choice): those that go through the fewest other lines
are the line's own, and pytest begins with few files sooner than with all."""


@dataclass
class Reach:
    """Tests by line and file, the seconds that each test takes, and what files looked like then."""

    through: dict[str, dict[int, list[str]]] = field(default_factory=dict)
    takes_s: dict[str, float] = field(default_factory=dict)
    digests: dict[str, str] = field(default_factory=dict)

    @cached_property
    def widths(self) -> Counter[str]:
        """How many lines each test goes through."""
        return Counter(
            test for by_line in self.through.values() for tests in by_line.values() for test in tests
        )

    def turns_of(self, file: str, spot: Spot, most_s: float) -> list[list[str]]:
        """The tests for a change: quick ones of the nearest files, then all others, the quickest first, and
        all together within most_s. Lines that run at import: all of the file's."""
        lines = self.through.get(file, {})
        asked = {test for line in range(spot.first_line, spot.last_line + 1) for test in lines.get(line, ())}
        tests = asked or {test for each in lines.values() for test in each}
        widths: dict[str, list[int]] = defaultdict(list)
        for test in tests:
            widths[file_of(test)].append(self.widths[test])
        nearest = sorted(widths, key=lambda file: (fmean(widths[file]), file))[:NEAREST]
        turns: tuple[list[str], list[str]] = ([], [])

        def turn_of(test: str) -> int:
            return int(file_of(test) not in nearest or self.takes_s[test] > QUICK_S)

        for test in sorted(tests, key=lambda test: (turn_of(test), self.takes_s[test], test)):
            most_s -= self.takes_s[test]
            if most_s < 0 and any(turns):
                break
            turns[turn_of(test)].append(test)
        return [turn for turn in turns if turn]

    def without(self, files: Iterable[str]) -> Reach:
        """The same without the tests of some files."""
        gone = set(files)
        return Reach(
            {
                file: {
                    line: [test for test in tests if file_of(test) not in gone]
                    for line, tests in by_line.items()
                }
                for file, by_line in self.through.items()
            },
            {test: seconds for test, seconds in self.takes_s.items() if file_of(test) not in gone},
            self.digests,
        )

    def add(self, other: Reach) -> None:
        """Take another's tests in."""
        for file, by_line in other.through.items():
            ours = self.through.setdefault(file, {})
            for line, tests in by_line.items():
                ours[line] = sorted({*ours.get(line, ()), *tests})
        self.takes_s |= other.takes_s


def file_of(test: str) -> str:
    """The file of a test's name."""
    return test.partition("::")[0]


def reach_of(work: Path, tests: Sequence[str], rooms: Sequence[str], jobs: int) -> Reach:
    """The reach of the tests in these files and folders, right for these rooms of monitor/."""
    kept = work / "reach.json"
    reach = _read(kept) if kept.exists() else Reach()
    now = {name: _digest(TREE / name) for name in _test_files(tests)}
    sources = {name: _digest(TREE / name) for room in rooms for name in _modules(room)}
    if not reach.digests:
        sources = {name: _digest(TREE / name) for name in _modules("**")}
    others = {name for name, digest in sources.items() if reach.digests.get(name) != digest}
    again = {name for name, digest in now.items() if reach.digests.get(name) != digest}
    again |= {
        file_of(test) for file in others for tests_there in reach.through.get(file, {}).values()
        for test in tests_there
    } & set(now)  # fmt: skip
    gone = {file_of(test) for test in reach.takes_s if not (TREE / file_of(test)).exists()}
    if again or gone:
        reach = reach.without(again | gone)
        for file in others:
            reach.through.pop(file, None)
        if again:
            print(f"{len(again)} files of tests run once, to know where they go", file=sys.stderr, flush=True)
            reach.add(_measured(sorted(again), jobs))
    reach.digests |= now | sources
    _write(reach, kept)
    return reach


def _measured(files: Sequence[str], jobs: int) -> Reach:
    """What the tests of these files go through; those that fail or race a clock are left out."""
    with tempfile.TemporaryDirectory() as name:
        folder = copied(Path(name))
        covered = ("--cov=monitor", "--cov-context=test", "--cov-report=")
        apart = ("-m", "not timed", "-n", str(jobs), "--dist", "loadfile", "-p", "tests.mutants.reports")
        (folder / "chosen").write_text("\n".join(files), encoding="utf-8")
        status, said = pytest_in(
            folder, "@chosen", *apart, *covered, variables={WHERE: str(folder / "reports")}
        )
        if status not in (0, 1, 5):
            sys.exit(f"the tests cannot be run:\n{said[-3000:]}")
        takes_s: dict[str, float] = defaultdict(float)
        failed = set()
        for report in reports_in(folder / "reports"):
            takes_s[report.test] += report.seconds
            if report.outcome == "failed":
                failed.add(report.test)
        for test in sorted(failed):
            print(f"fails without any change, so it is left out: {test}", file=sys.stderr, flush=True)
            del takes_s[test]
        data = CoverageData(str(folder / ".coverage"))
        data.read()
        through = {
            str(Path(file).relative_to(folder)): {
                line: sorted({test for each in tests if (test := each.partition("|")[0]) in takes_s})
                for line, tests in data.contexts_by_lineno(file).items()
            }
            for file in data.measured_files()
        }
        return Reach(through, dict(takes_s))


def _test_files(tests: Iterable[str]) -> list[str]:
    paths: list[Path] = []
    for each in tests:
        paths += [TREE / each] if each.endswith(".py") else (TREE / each).glob("test_*.py")
    return [str(path.relative_to(TREE)) for path in paths]


def _modules(room: str) -> list[str]:
    return [str(path.relative_to(TREE)) for path in (TREE / "monitor").glob(f"{room}/*.py")]


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _read(file: Path) -> Reach:
    kept = json.loads(file.read_text(encoding="utf-8"))
    names = list(kept["takes_s"])
    through = {
        source: {int(line): [names[number] for number in numbers] for line, numbers in by_line.items()}
        for source, by_line in kept["through"].items()
    }
    return Reach(through, kept["takes_s"], kept["digests"])


def _write(reach: Reach, file: Path) -> None:
    number = {name: at for at, name in enumerate(reach.takes_s)}
    through = {
        source: {line: [number[test] for test in tests] for line, tests in by_line.items()}
        for source, by_line in reach.through.items()
    }
    kept = {"takes_s": reach.takes_s, "through": through, "digests": reach.digests}
    file.write_text(json.dumps(kept), encoding="utf-8")
