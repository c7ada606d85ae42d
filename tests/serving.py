"""The simulator as a process of its own, spoken to through its command and its control lines."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import datetime
from pathlib import Path
from typing import Any


class ServedSimulator:
    """`python -m simulator serve` as a child process; `ready` is its ready line."""

    def __init__(
        self, folder: Path, *options: str, scenario: str = "", start: str = "2026-11-11T00:00:00Z"
    ) -> None:
        self.ports = folder / "ports"
        arguments = ["--ports", str(self.ports), "--start", start, *options]
        if scenario:
            file = folder / "scenario.toml"
            file.write_text(scenario, encoding="utf-8")
            arguments += ["--scenario", str(file)]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "simulator", "serve", *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self._orders, self._answers = self.process.stdin, self.process.stdout
        self.ready: dict[str, Any] = json.loads(self._answers.readline())
        self.charger = self.ready["devices"]["charger"]
        self.shunt = self.ready["devices"]["shunt"]

    def ask(self, line: str) -> dict[str, Any]:
        """The answer to a control line as it stands."""
        self._orders.write(line + "\n")
        self._orders.flush()
        answer: dict[str, Any] = json.loads(self._answers.readline())
        return answer

    def tell(self, do: str, **more: object) -> dict[str, Any]:
        """The answer to an order that must succeed."""
        answer = self.ask(json.dumps({"do": do, **more}))
        assert answer["ok"], answer
        return answer

    def advance_to(self, iso: str) -> None:
        """Step the plant to a time."""
        self.tell("advance", to_ms=round(datetime.fromisoformat(iso).timestamp() * 1000))

    def truth(self) -> dict[str, Any]:
        """What is true in the plant now."""
        truth: dict[str, Any] = self.tell("truth")["truth"]
        return truth

    def stop(self) -> int:
        """Close its standard input and wait; the exit status."""
        if not self._orders.closed:
            self._orders.close()
        status = self.process.wait(timeout=60)
        self._answers.close()
        return status
