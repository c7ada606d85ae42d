"""Signs of the computer itself, from the kernel's own interfaces: supply, heat, clock, room on the card.

Everything is read below a root that can be handed in, so that tests use a folder tree. What the computer does
not tell is unknown, never fine.
"""

from __future__ import annotations

import ctypes
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from monitor.alarms.signs import Seen

SUPPLY_MONITOR = "rpi_volt"
"""Name of the Raspberry Pi's supply monitor among the kernel's hwmon devices; its in0_lcrit_alarm is 1 while
the supply is too low (kernel documentation, drivers/hwmon/raspberrypi-hwmon, from memory)."""

TIME_DAEMON = "run/systemd/timesync"
"""systemd's time daemon keeps a file 'synchronized' there from the first time it has set the clock since the
start (systemd-timesyncd.service(8), from memory)."""

UNSYNCHRONISED = 0x40
"""STA_UNSYNC in `status` of adjtimex(2): nobody has set the clock by a better one (from memory)."""

_TIMEX_LONGS = 32
"""struct timex is 26 long-wide fields at most on any Linux; its status is the sixth int (from memory)."""


@dataclass(frozen=True, slots=True)
class Computer:
    """Where the computer is asked: the root of its file system, the store's folder, the kernel's clock."""

    folder: Path
    root: Path = Path("/")
    clock_is_set: Callable[[], bool | None] = lambda: kernel_clock_is_set()

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

    def has_clock_chip(self) -> bool:
        """Whether the kernel knows a clock that goes on without supply."""
        return any(self.root.glob("sys/class/rtc/rtc*"))

    def _clock_is_set(self) -> bool | None:
        """The kernel's word; where a sandbox forbids to ask it (ProtectClock=), the time daemon's flag."""
        told = self.clock_is_set()
        if told is None and (self.root / TIME_DAEMON).is_dir():
            return (self.root / TIME_DAEMON / "synchronized").exists()
        return told

    def clock_doubt(self) -> Seen | None:
        """1 where the time was set by nobody since the start and no clock chip kept it."""
        if self.has_clock_chip():
            return Seen(0.0, "", {})
        is_set = self._clock_is_set()
        if is_set is None:
            return None
        words = "no network has set the computer's time since its start, and it has no clock chip"
        return Seen(0.0 if is_set else 1.0, words, {"clock_is_set": float(is_set)})


def kernel_clock_is_set() -> bool | None:
    """Whether the kernel's clock follows a better one (adjtimex(2)); None where it does not say."""
    try:
        asked = (ctypes.c_long * _TIMEX_LONGS)()
        if ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(asked)) < 0:
            return None
    except (OSError, AttributeError):
        return None
    # modes (int, padded), offset, freq, maxerror, esterror (long), then status (int)
    status = ctypes.c_int.from_buffer(asked, 5 * ctypes.sizeof(ctypes.c_long)).value
    return not status & UNSYNCHRONISED


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
