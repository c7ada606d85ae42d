"""The almanac as a short-lived process: started, given its request, its lines read, ended in every case."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from monitor.errors import SunError

COMMAND = (sys.executable, "-m", "monitor.sun.almanac")
"""The almanac; only tests have another."""

LONGEST_S = 900.0
"""A process that has not ended by then hangs and is killed (our choice: a year's tables take a small Pi
about a minute)."""


FIRST_TO_GO = "1000"
"""Where memory runs out the kernel ends this process and not the daemon (proc(5): the highest value)."""


class AlmanacRun:
    """One run of the almanac: `lines` waits for it, `end` stops it."""

    def __init__(self, request: dict[str, Any], command: Sequence[str] = COMMAND) -> None:
        """Start it. Raises SunError where that fails."""
        self._request = json.dumps(request)
        # One thread is enough for its small sums; more would only cost memory on a small computer.
        environment = {"OPENBLAS_NUM_THREADS": "1", **os.environ}
        try:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
                encoding="utf-8",
                env=environment,
            )
        except OSError as error:
            raise SunError(
                f"the sun's tables cannot be worked out: {command[0]}: {error.strerror}"
            ) from error
        with suppress(OSError):  # where the computer has no such file, nothing is lost
            Path(f"/proc/{self.pid}/oom_score_adj").write_text(FIRST_TO_GO, encoding="ascii")

    @property
    def pid(self) -> int:
        """The process's id."""
        return self._process.pid

    def lines(self) -> list[str]:
        """All that it printed, one table a line. Raises SunError where it failed or was ended."""
        try:
            printed, complaints = self._process.communicate(self._request, LONGEST_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.communicate()
            raise SunError(f"the sun's tables were not worked out within {LONGEST_S:.0f} s") from None
        if self._process.returncode != 0:
            said = complaints.strip().splitlines()
            why = said[-1] if said else f"it ended with status {self._process.returncode}"
            raise SunError(f"the sun's tables could not be worked out: {why}")
        return printed.splitlines()

    def end(self) -> None:
        """Stop it if it still runs; may be called from another thread than `lines`."""
        with suppress(ProcessLookupError):
            self._process.terminate()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.end()
        self._process.communicate()
