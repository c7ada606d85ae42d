"""Which lines of monitor/ the tests go through: each room's share, and the files where it is small.

    python -m tests.covered                          # all tests, some thirty minutes
    python -m tests.covered tests/unit -k ledger     # arguments go to pytest
    python -m tests.covered --report                 # what was found last, once more

Processes that tests start are counted, too, but those that are killed.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

FEW = 0.90
"""A file with a smaller share of its lines covered is named (issue target for the whole of monitor/)."""

USUAL = ("-n", "3", "--dist", "loadfile", "--no-loadscope-reorder")


def room_of(file: str) -> str:
    """monitor's folder that a file lies in, 'monitor' itself for those beside them."""
    return "/".join(Path(file).parts[:2]) if len(Path(file).parts) > 2 else "monitor"


def told(files: dict[str, tuple[int, int]]) -> str:
    """Rooms with their shares, then the files below FEW with the lowest first; (covered, all) by file."""
    rooms: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for file, counts in files.items():
        rooms[room_of(file)].append(counts)
        rooms["all of monitor/"].append(counts)
    lines = []
    for room in sorted(rooms):
        covered, whole = map(sum, zip(*rooms[room], strict=True))
        lines.append(f"{room:24} {covered:6} of {whole:6} lines  {100 * covered / max(1, whole):5.1f} %")
    few = {file: covered / whole for file, (covered, whole) in files.items() if covered < FEW * whole}
    lines += [
        f"below {100 * FEW:.0f} %: {file} {100 * few[file]:.0f} %"
        for file in sorted(few, key=lambda file: few[file])
    ]
    return "\n".join(lines)


def found() -> dict[str, tuple[int, int]]:
    """(covered, all) lines by file, of the last run."""
    with tempfile.TemporaryDirectory() as name:
        report = Path(name) / "report.json"
        command = [sys.executable, "-m", "coverage", "json", "--quiet", "-o", str(report)]
        subprocess.run(command, check=True)
        files = json.loads(report.read_text(encoding="utf-8"))["files"]
    return {
        file: (each["summary"]["covered_lines"], each["summary"]["num_statements"])
        for file, each in files.items()
    }


def main() -> int:
    arguments, status = sys.argv[1:], 0
    if arguments != ["--report"]:
        tests = [sys.executable, "-m", "pytest", "--cov", "--cov-report=", *(arguments or USUAL)]
        status = subprocess.run(tests, check=False).returncode
    print(told(found()))
    return status


if __name__ == "__main__":
    sys.exit(main())
