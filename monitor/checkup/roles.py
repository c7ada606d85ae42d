"""Which device plays which part in a checkup, and in which phases the bank is at rest or charged. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.checkup.levels import LEAST_SAMPLES, level
from monitor.checkup.recording import ARRAY_OFF, ARRAY_ON, LOADS_OFF, START, Recording

DAYLIGHT_DEG = 5.0
"""With the sun so high any sky lights a panel (our choice; a panel's voltage comes with the first light)."""

DARK_DEG = -3.0
"""With the sun so low no panel charges (our choice: civil twilight ends at -6)."""

LIT_SHARE = 0.2
"""An array voltage above this share of its rated best-point voltage is light (our choice)."""


@dataclass(frozen=True, slots=True)
class Roles:
    """charger gives charge current or array voltage; shunt gives the net current where the site has one;
    lit is whether it is day, None where neither sun nor array tells."""

    charger: str | None
    shunt: str | None
    lit: bool | None

    @property
    def voltmeter(self) -> str | None:
        """Whose word on the bank's voltage is nearest to its posts."""
        return self.shunt or self.charger


def roles_of(recording: Recording) -> Roles:
    """The parts that the devices play."""
    chargers = recording.givers("charge_current_A") or recording.givers("array_voltage_V")
    charger = next(iter(chargers), None)
    shunts = [name for name in recording.givers("battery_current_A") if name != charger]
    shunt = next(iter(shunts), None) if recording.site.metering.level == "shunt" else None
    return Roles(charger, shunt, _lit(recording, charger))


def silent(recording: Recording, phase: str, device: str) -> bool:
    """Whether a device was asked in a phase and never answered."""
    samples = recording.within(phase, device)
    return len(samples) >= LEAST_SAMPLES and not any(sample.answered for sample in samples)


def resting_phase(recording: Recording, roles: Roles) -> str | None:
    """The phase in which the bank was neither charged nor loaded, as far as acts can make it so."""
    dark = roles.lit is False or recording.phase(ARRAY_OFF) is not None
    return LOADS_OFF if dark and recording.phase(LOADS_OFF) is not None else None


def charged_phases(recording: Recording) -> list[str]:
    """The phases in which the array is connected and nothing is covered, the newest first."""
    return [name for name in (ARRAY_ON, START) if recording.phase(name) is not None]


def array_V(recording: Recording, charger: str | None) -> float | None:
    """The array's voltage while it is connected: the highest of such phases."""
    if charger is None:
        return None
    found = [level(recording, name, charger, "array_voltage_V") for name in charged_phases(recording)]
    return max((each.mean for each in found if each is not None), default=None)


def rated_V(recording: Recording) -> float | None:
    """The array's rated best-point voltage."""
    array = recording.site.array
    return None if array is None else array.panel_vmp_V * array.panels_in_series


def _lit(recording: Recording, charger: str | None) -> bool | None:
    volts, rated = array_V(recording, charger), rated_V(recording)
    if volts is not None and rated is not None and volts > LIT_SHARE * rated:
        return True
    if recording.sun is None:
        return None
    if recording.sun.elevation_deg > DAYLIGHT_DEG:
        return True
    return False if recording.sun.elevation_deg < DARK_DEG else None
