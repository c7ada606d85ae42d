"""The simulator as a process: started by its command, steered by its control channel, imported by nobody."""

from __future__ import annotations

import json
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from monitor.errors import NightbankError
from monitor.records import iso_utc

SEED = 1125
"""The demo's weather and loads are the same each time."""

STOP_WAIT_S = 10.0


class DemoError(NightbankError):
    """The demo cannot run; the text says why and what to do."""


class SimulatorProcess:
    """`python -m simulator serve`, obeying JSON lines on its standard input."""

    def __init__(
        self, ports_dir: Path, start_ms: int, *, scenario: Path | None = None, seed: int = SEED
    ) -> None:
        """Start it standing at start_ms, in the built-in scenario or another, its ports in ports_dir."""
        command = [
            sys.executable,
            "-m",
            "simulator",
            "serve",
            "--ports",
            str(ports_dir),
            "--start",
            iso_utc(start_ms),
            "--seed",
            str(seed),
        ]
        if scenario is not None:
            command += ["--scenario", str(scenario)]
        # A session of its own: Ctrl-C at the terminal must reach only us, so that we stop all in order.
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True
        )
        self.devices: dict[str, dict[str, Any]] = self._answer()["devices"]

    def ask(self, **order: Any) -> dict[str, Any]:
        """Send one order and return the answer. Raises DemoError if it was refused or nobody answers."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(json.dumps(order) + "\n")
            self._process.stdin.flush()
        except BrokenPipeError as error:
            raise DemoError("the simulator has ended by itself; its message stands above") from error
        return self._answer()

    def _answer(self) -> dict[str, Any]:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise DemoError("the simulator has ended by itself; its message stands above")
        answer: dict[str, Any] = json.loads(line)
        if answer.get("ok") is False:
            raise DemoError(f"the simulator refused an order: {answer.get('error')}")
        return answer

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with suppress(DemoError):
            self.ask(do="quit")
        for pipe in (self._process.stdin, self._process.stdout):
            with suppress(BrokenPipeError):  # an order may be left in it that nobody takes any more
                if pipe is not None:
                    pipe.close()
        end(self._process)


def end(process: subprocess.Popen[Any]) -> None:
    """Wait for a process that was asked to end; kill it if it does not."""
    try:
        process.wait(STOP_WAIT_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
