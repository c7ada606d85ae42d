"""The reckoning tests at another moment: does one hang on the hour, the season or a change of the clocks?

    python -m tests.elsewhen 2027-10-31T01:20:00Z                       # all of them, some ten minutes
    python -m tests.elsewhen 2028-02-29T23:54:00Z tests/unit -k care    # arguments go to pytest

The time of the tests' own processes begins there and goes on; what they start has the true one. pytest loads
this module as a plug-in, in each of its workers.
"""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import datetime

import pytest
import time_machine

MOMENT = "NIGHTBANK_TESTS_AT"
USUAL = ("-n", "2", "--dist", "loadfile", "--no-loadscope-reorder", "tests/reference", "tests/unit")
BY_TRUE_TIME = "tests/unit/test_manual.py::test_mandoc_finds_nothing_to_say_about_the_page"
"""mandoc warns of a manual page that is dated in the future, and has the true time."""


def pytest_configure(config: pytest.Config) -> None:
    """Set the clocks of this process to the moment that the environment names."""
    travel = time_machine.travel(datetime.fromisoformat(os.environ[MOMENT]), tick=True)
    travel.start()
    config.add_cleanup(travel.stop)


def main() -> int:
    """Run pytest at the moment that was asked for; its exit status."""
    try:
        moment = datetime.fromisoformat(sys.argv[1])
    except (IndexError, ValueError):
        moment = None
    if moment is None or moment.tzinfo is None:
        print("When? Write the moment in UTC, as in 2027-10-31T01:20:00Z.", file=sys.stderr)
        return 2
    command = [sys.executable, "-m", "pytest", "-p", "tests.elsewhen", "-m", "not timed"]
    command += ["--deselect", BY_TRUE_TIME, *(sys.argv[2:] or USUAL)]
    return subprocess.run(command, env={**os.environ, MOMENT: moment.isoformat()}, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
