"""A finding: one thing wrong with the array, with its evidence and what to look at first."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from monitor.records import iso_utc


class Kind(StrEnum):
    """What can be wrong; the words stand in `nightbank array --json`."""

    ARRAY_OPEN = "array_open"
    PANEL_LOST = "panel_lost"
    DIODE_LOST = "diode_lost"
    SHADE = "shade"
    SOILING = "soiling"
    SNOW = "snow"
    HEAT_DERATING = "heat_derating"
    CLOCK_WRONG = "clock_wrong"
    LOCATION_WRONG = "location_wrong"
    SENSOR_STUCK = "sensor_stuck"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing wrong, from start_ms to end_ms (UTC; None: still so in the last reading).

    size is the share of its power (diode_lost: of its voltage; shade: of a clear day's energy) that the array
    loses, 0..1; for clock_wrong minutes by which the readings come too late, for location_wrong degrees by
    which the site file's longitude is too far east, for sensor_stuck hours. confidence is 0..1: our rough
    odds that something of this kind is there.
    """

    kind: Kind
    start_ms: int
    end_ms: int | None
    size: float
    confidence: float
    evidence: str
    look_first: str

    def overlaps(self, start_ms: int, end_ms: int) -> bool:
        """Whether any of it falls into a span."""
        return self.start_ms < end_ms and (self.end_ms is None or self.end_ms > start_ms)

    def document(self) -> dict[str, Any]:
        """As `nightbank array --json` prints it; times are UTC, ISO 8601."""
        return {
            "kind": str(self.kind),
            "start": iso_utc(self.start_ms),
            "end": None if self.end_ms is None else iso_utc(self.end_ms),
            "size": round(self.size, 3),
            "confidence": round(self.confidence, 2),
            "evidence": self.evidence,
            "look_first": self.look_first,
        }
