"""The description of one supply that `plant` runs: what `scenario` reads from a file, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from simulator.array import ArraySettings
from simulator.bank import BankSettings
from simulator.controller import ControllerSettings
from simulator.loads import LoadSettings
from simulator.meters import MeterSettings
from simulator.replay import ReplaySky
from simulator.sky import Place, SeededSky, Sky, WeatherSpan
from simulator.wiring import WiringSettings


@dataclass(frozen=True, slots=True)
class ChargerSettings:
    """[charger]: the controller's communication; map is "own" or "sunspec"."""

    baud: int
    unit: int
    turnaround_s: float
    map: str


@dataclass(frozen=True, slots=True)
class ShuntSettings:
    """[shunt]: the bank monitor's communication."""

    baud: int


@dataclass(frozen=True, slots=True)
class World:
    """A scenario bound to a start time and a seed."""

    name: str
    seed: int
    start_ms: int
    window_days: float
    place: Place
    bank: BankSettings
    array: ArraySettings
    controller: ControllerSettings
    meters: MeterSettings
    loads: tuple[LoadSettings, ...]
    weather: tuple[WeatherSpan, ...]
    charger: ChargerSettings
    shunt: ShuntSettings
    wiring: WiringSettings
    sky_file: Path | None
    probe_missing: bool

    @property
    def end_ms(self) -> int:
        """End of the window from which the scenario counts its days back."""
        return self.start_ms + round(self.window_days * 86_400_000)

    def build_sky(self) -> Sky:
        """The record where one is named, else the seeded weather. Raises ReplayError."""
        weather = SeededSky(
            self.place, self.array.tilt_deg, self.array.azimuth_deg, self.weather, self.end_ms, self.seed
        )
        return weather if self.sky_file is None else ReplaySky(self.sky_file, weather)
