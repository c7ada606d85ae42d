"""Signs of the computer itself, from the kernel's own interfaces: supply, heat, room on the card.

Everything is read below a root that can be handed in, so that tests use a folder tree. What the computer does
not tell is unknown, never fine.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from monitor.alarms.seen import Seen

SUPPLY_MONITOR = "rpi_volt"
"""Name of the Raspberry Pi's supply monitor among the kernel's hwmon devices; its in0_lcrit_alarm is 1 while
the supply is too low (kernel documentation, drivers/hwmon/raspberrypi-hwmon, from memory)."""


@dataclass(frozen=True, slots=True)
class Computer:
    """Where the computer is asked: the root of its file system, and the store's folder."""

    folder: Path
    root: Path = Path("/")

    def under_voltage(self) -> Seen | None:
        """1 while the supply is too low."""
        for monitor in sorted(self.root.glob("sys/class/hwmon/hwmon*")):
            if _text(monitor / "name") == SUPPLY_MONITOR:
                told = _number(monitor / "in0_lcrit_alarm")
                if told is not None:
                    return Seen(told, "the computer's supply is below what it needs", {"under_voltage": told})
        return None

    def temperature(self) -> Seen | None:
        """The hottest of the processor's thermal zones in °C."""
        found = [
            milli_C / 1000
            for zone in self.root.glob("sys/class/thermal/thermal_zone*")
            if _is_processor(_text(zone / "type") or "") and (milli_C := _number(zone / "temp")) is not None
        ]
        if not found:
            return None
        hottest_C = max(found)
        words = f"the computer's processor is at {hottest_C:.0f} °C"
        return Seen(hottest_C, words, {"computer_temperature_C": hottest_C})

    def free_space(self) -> Seen | None:
        """Megabytes that the daemon may still write where the store is."""
        try:
            told = os.statvfs(self.folder)
        except OSError:
            return None
        free_MB = told.f_bavail * told.f_frsize / 1e6
        return Seen(free_MB, f"{free_MB:.0f} MB are left where the store is", {"free_space_MB": free_MB})


def _is_processor(kind: str) -> bool:
    return kind.startswith(("cpu", "soc", "x86_pkg"))


def _text(path: Path) -> str | None:
    try:
        return path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return None


def _number(path: Path) -> float | None:
    try:
        return float(_text(path) or "")
    except ValueError:
        return None
