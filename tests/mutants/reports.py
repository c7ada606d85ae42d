"""A plug-in of pytest: how each test ended and how long it took, a line of JSON for each of its parts."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

WHERE = "NIGHTBANK_TEST_REPORTS"
"""The variable that names the file."""


class Report(NamedTuple):
    """One part of a test: its setup, the test itself, or what follows it."""

    test: str
    outcome: str
    seconds: float


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Add a line; with several processes pytest calls this in the first alone."""
    with open(os.environ[WHERE], "a", encoding="utf-8") as out:
        out.write(json.dumps(Report(report.nodeid, report.outcome, report.duration)) + "\n")


def reports_in(file: Path) -> Iterator[Report]:
    """What was written."""
    if file.exists():
        for line in file.read_text(encoding="utf-8").splitlines():
            yield Report(*json.loads(line))
