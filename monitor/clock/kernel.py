"""What the computer itself knows of the time. Read only: nothing here sets a clock."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

TIME_DAEMON = "run/systemd/timesync"
"""systemd's time daemon keeps a file 'synchronized' there from the first time it has set the clock since the
start (systemd-timesyncd.service(8), from memory)."""

UNSYNCHRONISED = 0x40
"""STA_UNSYNC in `status` of adjtimex(2): nobody has set the clock by a better one (from memory)."""

PC_MACHINES = ("x86_64", "i686", "i586", "i386")
"""uname(2)'s names for a PC's processor."""

COMPUTER_ID = "etc/machine-id"
"""32 hexadecimal digits that an installation keeps for all its boots. They are confidential and stand nowhere
but hashed, with a key of our own (machine-id(5))."""

BOOT_VARIABLE = "NIGHTBANK_BOOT"
"""The unit hands the boot's id over (specifier %b of systemd.unit(5)): /proc/sys is hidden from it."""

_TIMEX_LONGS = 32
"""struct timex is 26 long-wide fields at most on any Linux; its status is the sixth int (from memory)."""

_CHIP_NEAR_MS = 2_000
"""A chip tells whole seconds; where the system's clock is this near, it has the fraction."""


class Kernel:
    """This computer's kernel, below a root that tests can hand in."""

    def __init__(
        self,
        root: Path = Path("/"),
        ask: Callable[[], bool | None] = lambda: kernel_clock_is_set(),
        machine: str | None = None,
    ) -> None:
        """ask tells whether the kernel's clock follows a better one; machine is what uname(2) calls it."""
        self._root, self._ask, self._machine = root, ask, machine or os.uname().machine

    @property
    def boot(self) -> str:
        """What this run of the computer is called; '' where it is not told."""
        return _boot_id(self._root)

    @property
    def computer(self) -> str:
        """A mark of this computer, the same in all its boots; '' where it has none. Cards that were copied
        from one that had run bear the same."""
        try:
            told = (self._root / COMPUTER_ID).read_text(encoding="ascii").strip()
            digits = bytes.fromhex(told)
        except (OSError, ValueError):
            return ""
        from hashlib import blake2b  # the daemon alone asks, which has it

        return blake2b(digits, key=b"nightbank clock", digest_size=8).hexdigest() if len(digits) == 16 else ""

    def count_ms(self) -> int:
        """Milliseconds since the computer was switched on, sleep included; nothing ever sets them."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000

    def system_ms(self) -> int:
        """UTC by the system's clock, right or wrong."""
        return time.time_ns() // 1_000_000

    def is_set(self) -> bool | None:
        """Whether the system's clock follows a better one; None where nobody says.

        The kernel's word; where a sandbox forbids to ask it (ProtectClock=), the time daemon's flag.
        """
        told = self._ask()
        if told is None and (self._root / TIME_DAEMON).is_dir():
            return (self._root / TIME_DAEMON / "synchronized").exists()
        return told

    def is_guest(self) -> bool:
        """Whether this computer is a guest on another one, which keeps its clock: a PC's kind of processor
        without the clock chip that every PC has, and without the device tree that every board has (common
        practice, no source). Of other processors nobody can tell, so they are none."""
        is_pc = self._machine in PC_MACHINES
        chips = any(self._root.glob("sys/class/rtc/rtc*"))
        return is_pc and not chips and not (self._root / "sys/firmware/devicetree/base").exists()

    def chip_ms(self) -> int | None:
        """UTC by a clock chip that goes on without supply (rtc's ABI, since_epoch: from memory), if any."""
        for chip in sorted(self._root.glob("sys/class/rtc/rtc*/since_epoch")):
            try:
                told_ms = int(chip.read_text(encoding="ascii")) * 1000
            except (OSError, ValueError):
                continue
            system_ms = self.system_ms()
            return system_ms if abs(system_ms - told_ms) <= _CHIP_NEAR_MS else told_ms
        return None


def _boot_id(root: Path) -> str:
    handed = os.environ.get(BOOT_VARIABLE, "")
    if handed:
        return handed.replace("-", "")
    try:
        text = (root / "proc/sys/kernel/random/boot_id").read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError):
        return ""
    return text.strip().replace("-", "")


def kernel_clock_is_set() -> bool | None:
    """Whether the kernel's clock follows a better one (adjtimex(2)); None where it does not say."""
    import ctypes  # half a megabyte that only the daemon needs

    try:
        asked = (ctypes.c_long * _TIMEX_LONGS)()
        if ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(asked)) < 0:
            return None
    except (OSError, AttributeError):
        return None
    # modes (int, padded), offset, freq, maxerror, esterror (long), then status (int)
    status = ctypes.c_int.from_buffer(asked, 5 * ctypes.sizeof(ctypes.c_long)).value
    return not status & UNSYNCHRONISED
