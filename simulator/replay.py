"""A recorded sky in place of the weather: irradiance in the array's plane, or the array's own best power."""

from __future__ import annotations

import csv
from bisect import bisect_right
from datetime import datetime
from pathlib import Path

from simulator.sky import Place, SeededSky, SkySample

LONGEST_GAP_MS = 3_600_000  # our choice: over a longer hole the record counts as dark
VALUE_COLUMNS = ("plane_irradiance_W_m2", "array_available_W")
AIR_COLUMN = "air_temperature_C"


class ReplayError(ValueError):
    """The record cannot be used; the text names file, line and remedy."""


class ReplaySky:
    """A record played at its own times, straight lines between its rows; air from the weather if it has
    none.
    """

    def __init__(self, file: Path, weather: SeededSky) -> None:
        """Reads a CSV with a header: `time` (ISO 8601 with zone), one of `plane_irradiance_W_m2` and
        `array_available_W`, and perhaps `air_temperature_C`. Raises ReplayError."""
        self.clearness: float | None = None
        self._weather = weather
        self._times: list[int] = []
        self._values: list[float] = []
        self._air: list[float] = []
        self._is_power = False
        self._read(file)

    @property
    def place(self) -> Place:
        return self._weather.place

    def at(self, time_ms: int) -> SkySample:
        place = bisect_right(self._times, time_ms)
        if place == 0 or place == len(self._times):
            inside = place > 0 and time_ms == self._times[-1]
            value, air = (self._values[-1] if inside else 0.0), None
        else:
            before, after = self._times[place - 1], self._times[place]
            share = (time_ms - before) / (after - before)
            dark = after - before > LONGEST_GAP_MS
            value = 0.0 if dark else self._between(self._values, place, share)
            air = self._between(self._air, place, share) if self._air else None
        if self.clearness is not None:
            value *= self.clearness
        air_C = self._weather.air_temperature_C(time_ms) if air is None else air
        if self._is_power:
            return SkySample(0.0, air_C, max(0.0, value))
        return SkySample(max(0.0, value), air_C)

    @staticmethod
    def _between(values: list[float], place: int, share: float) -> float:
        return values[place - 1] * (1 - share) + values[place] * share

    def _read(self, file: Path) -> None:
        try:
            handle = file.open(newline="", encoding="utf-8")
        except OSError as error:
            raise ReplayError(f"{file}: cannot be read ({error.strerror}); check [sky] file") from error
        with handle:
            rows = csv.DictReader(handle)
            names = rows.fieldnames or []
            wanted = [name for name in VALUE_COLUMNS if name in names]
            if "time" not in names or len(wanted) != 1:
                raise ReplayError(
                    f"{file}: line 1: needs the columns `time` and one of {' or '.join(VALUE_COLUMNS)}, "
                    f"found {', '.join(names) or 'nothing'}"
                )
            self._is_power = wanted[0] == "array_available_W"
            for row in rows:
                self._take(file, rows.line_num, row, wanted[0], AIR_COLUMN in names)
        if len(self._times) < 2:
            raise ReplayError(f"{file}: has fewer than two rows with a value; nothing can be replayed")

    def _take(self, file: Path, line: int, row: dict[str, str], column: str, has_air: bool) -> None:
        if not row[column]:
            return
        try:
            moment = datetime.fromisoformat(row["time"])
            value = float(row[column])
            air = float(row[AIR_COLUMN]) if has_air else 0.0
        except (ValueError, TypeError) as error:
            raise ReplayError(f"{file}: line {line}: {error}") from error
        if moment.tzinfo is None:
            raise ReplayError(f"{file}: line {line}: `{row['time']}` names no zone; add Z or an offset")
        time_ms = round(moment.timestamp() * 1000)
        if self._times and time_ms <= self._times[-1]:
            raise ReplayError(f"{file}: line {line}: time does not go forward; sort the rows")
        self._times.append(time_ms)
        self._values.append(value)
        if has_air:
            self._air.append(air)
