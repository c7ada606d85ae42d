"""Simulated time: standing, advanced by hand, or running by itself; and the truth file.

Everything that touches the plant goes through `Timekeeper`, which is safe for several threads.
"""

from __future__ import annotations

import csv
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from simulator.plant import Plant, Truth

SMALLEST_STEP_MS = 200  # running time moves in steps no smaller than this


class OrderError(ValueError):
    """A control line that cannot be obeyed; the text says why and what would be."""


class TruthFile:
    """The ground truth as CSV, one row a step."""

    def __init__(self, file: Path) -> None:
        self._handle = file.open("w", newline="", encoding="utf-8")
        self._writer: csv.DictWriter[str] | None = None

    def write(self, truth: Truth) -> None:
        """Add one row; loads stand in columns of their own, in A."""
        values = truth.as_dict()
        for name in ("time_ms", "loads", "faults"):
            del values[name]
        moment = datetime.fromtimestamp(truth.time_ms / 1000, UTC).isoformat(timespec="milliseconds")
        row = {
            "time": moment.replace("+00:00", "Z"),
            **{name: f"{value:.6g}" if isinstance(value, float) else value for name, value in values.items()},
            "faults": " ".join(truth.faults),
            **{f"load_{name}_A": f"{amps:.6g}" for name, amps in truth.loads.items()},
        }
        if self._writer is None:
            self._writer = csv.DictWriter(self._handle, list(row))
            self._writer.writeheader()
        self._writer.writerow(row)

    def close(self) -> None:
        self._handle.close()


class Timekeeper:
    """The plant and its time: standing, advanced by hand, or running by itself. Safe for several threads."""

    def __init__(self, plant: Plant, record: Callable[[Truth], None] | None) -> None:
        self._plant = plant
        self._record = record
        self._lock = threading.RLock()
        self._speed: float | None = None
        self._from_ms, self._from_s = plant.time_ms, 0.0

    @property
    def running(self) -> bool:
        return self._speed is not None

    def look(self) -> Truth:
        """What is true now; running time is caught up first."""
        with self._lock:
            if self._speed is not None:
                now_ms = self._from_ms + int((time.monotonic() - self._from_s) * 1000 * self._speed)
                if now_ms - self._plant.time_ms >= SMALLEST_STEP_MS:
                    self._plant.advance_to(now_ms, self._record)
            return self._plant.truth

    def advance(self, to_ms: int) -> None:
        """Step to a time. Raises OrderError where that lies behind or time runs by itself."""
        with self._lock:
            if self._speed is not None:
                raise OrderError("time runs by itself; send hold first")
            if to_ms < self._plant.time_ms:
                raise OrderError(f"to_ms {to_ms} lies before the present {self._plant.time_ms}")
            self._plant.advance_to(to_ms, self._record)

    def run(self, speed: float) -> None:
        """Let time run from here."""
        with self._lock:
            self.look()
            self._from_ms, self._from_s, self._speed = self._plant.time_ms, time.monotonic(), speed

    def hold(self) -> None:
        """Let time stand."""
        with self._lock:
            self.look()
            self._speed = None

    def change(self, deed: Callable[[Plant], None]) -> None:
        """Do something to the plant between two steps."""
        with self._lock:
            self.look()
            deed(self._plant)
