"""What the bank feeds: lamps, pump, camera mast, by schedule with some chance in it.

Times of day are mean solar time of the place, so that no clock change touches the evening.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

from simulator.sky import solar_day


@dataclass(frozen=True, slots=True)
class LoadSettings:
    """One entry of the scenario's [[loads]].

    metered loads hang on the controller's load output (and go off with it), the others straight on the
    bank. The load is on from from_h to to_h (to_h may pass 24 into the next morning), each end moved at
    random by up to jitter_h; `on_days_ago` limits it to days counted back from the window's end.
    """

    name: str
    power_W: float
    metered: bool
    from_h: float = 0.0
    to_h: float = 24.0
    jitter_h: float = 0.0
    on_days_ago: tuple[int, ...] = ()


class Loads:
    """All loads with their schedules and what was set by hand."""

    def __init__(
        self, settings: Sequence[LoadSettings], longitude_deg: float, end_ms: int, seed: int
    ) -> None:
        self.settings = tuple(settings)
        self._longitude_deg = longitude_deg
        self._end_day = solar_day(end_ms, longitude_deg)[0]
        self._seed = seed
        self._by_hand: dict[str, bool] = {}
        self._hours: dict[tuple[str, int], tuple[float, float] | None] = {}

    def set(self, name: str, on: bool | None) -> None:
        """Switch a load by hand, None gives it back to its schedule. Raises KeyError for an unknown name."""
        if name not in {load.name for load in self.settings}:
            raise KeyError(name)
        if on is None:
            self._by_hand.pop(name, None)
        else:
            self._by_hand[name] = on

    def powers_W(self, time_ms: int) -> dict[str, float]:
        """What each load asks for at a time, 0 where it is off."""
        day, hour = solar_day(time_ms, self._longitude_deg)
        return {
            load.name: load.power_W if self._by_hand.get(load.name, self._scheduled(load, day, hour)) else 0.0
            for load in self.settings
        }

    def _scheduled(self, load: LoadSettings, day: int, hour: float) -> bool:
        if load.to_h - load.from_h >= 24 and not load.on_days_ago:
            return True
        for start, at in ((day, hour), (day - 1, hour + 24)):
            hours = self._hours_of(load, start)
            if hours is not None and hours[0] <= at < hours[1]:
                return True
        return False

    def _hours_of(self, load: LoadSettings, day: int) -> tuple[float, float] | None:
        key = (load.name, day)
        if key not in self._hours:
            if len(self._hours) > 200:
                self._hours.clear()
            self._hours[key] = self._draw(load, day)
        return self._hours[key]

    def _draw(self, load: LoadSettings, day: int) -> tuple[float, float] | None:
        if load.on_days_ago and self._end_day - day not in load.on_days_ago:
            return None
        rng = Random(f"{self._seed}/load/{load.name}/{day}")
        return load.from_h + rng.uniform(-1, 1) * load.jitter_h, load.to_h + rng.uniform(
            -1, 1
        ) * load.jitter_h
