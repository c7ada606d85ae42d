"""A person with the real command before them: reads what it asks and does it on a served simulator."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.serving import ServedSimulator

NOTICED = ("Open the array", "Close the array", "Switch off all loads", "Switch on all loads")
"""What the readings show by themselves, as long as nothing is wrong with it."""


def longitude_for(solar_hour: float) -> float:
    """Where it is now such a time by the sun."""
    now = datetime.now(UTC)
    return ((solar_hour - now.hour - now.minute / 60) * 15 + 180) % 360 - 180


def started_now() -> str:
    """The present as `--start` takes it."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


class Person:
    """Runs `nightbank checkup` and answers it. `skip` are beginnings of acts that are skipped, `enter` of
    those that are confirmed though they should be noticed; at `leave` the person presses Ctrl-C."""

    def __init__(
        self,
        simulator: ServedSimulator,
        site_file: Path,
        *options: str,
        answers: tuple[str, str, str] = ("", "", ""),
        skip: tuple[str, ...] = (),
        enter: tuple[str, ...] = (),
        leave: str = "",
    ) -> None:
        self._leave = leave
        self._simulator, self._answers, self._skip, self._enter = simulator, list(answers), skip, enter
        self.said: list[str] = []
        command = [sys.executable, "-m", "monitor.cli", "checkup", str(site_file), "--json", *options]
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        typed, printed, told = self._process.stdin, self._process.stdout, self._process.stderr
        assert typed is not None
        assert printed is not None
        assert told is not None
        self._typed, self._printed, self._told = typed, printed, told
        self._listener = threading.Thread(target=self._listen)
        self._listener.start()

    def result(self, wait_s: float = 200.0) -> tuple[int, dict[str, Any]]:
        """Exit status and document, when the command has ended; it prints less than a pipe holds."""
        try:
            status = self._process.wait(wait_s)
            printed = self._printed.read()
        finally:
            self.end()
        return status, json.loads(printed) if printed else {}

    def end(self) -> None:
        """Stop the command if it still runs; may be called twice."""
        self._process.kill()
        self._process.wait()
        self._listener.join()
        for stream in (self._typed, self._printed, self._told):
            stream.close()

    def _listen(self) -> None:
        act = ""
        for line in self._told:
            self.said.append(line.rstrip())
            if line.startswith(("This computer's", "Which absorption", "And which float")):
                self._type(self._answers.pop(0))
            elif line.startswith(("  (It is noticed", "  (Press Enter")):
                self._do(act)
            elif line.strip() and not line.startswith(" "):
                act = line.strip()

    def _do(self, act: str) -> None:
        if self._leave and act.startswith(self._leave):
            self._process.send_signal(signal.SIGINT)
            return
        if act.startswith(self._skip) and self._skip:
            self._type("s")
            return
        tell, found = self._simulator.tell, re.search(r"string (\d)", act)
        number = int(found[1]) if found is not None else 0
        if act.startswith(("Open the array", "Close the array")):
            tell("switch", name="array", on=act.startswith("Close"))
        elif act.startswith(("Switch off all loads", "Switch on all loads")):
            tell("loads", name="lamps", on="on" in act.split()[1])
        elif act.startswith(("Close your hand", "Let the probe")):
            tell("hand", on=act.startswith("Close"))
        elif act.startswith("Cover"):
            tell("cover", number=number, on=True)
        elif act.startswith("Take the cover"):
            for string in range(1, 7):
                tell("cover", number=string, on=False)
        elif act.startswith("Switch off every string"):
            for string in range(1, 4):
                tell("string", number=string, on=string == number)
        elif act.startswith("Switch all strings"):
            for string in range(1, 4):
                tell("string", number=string, on=True)
        if not act.startswith(NOTICED) or (self._enter and act.startswith(self._enter)):
            self._type("")

    def _type(self, text: str) -> None:
        self._typed.write(text + "\n")
        self._typed.flush()
