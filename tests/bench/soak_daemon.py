"""The soak's daemon: what `nightbank monitor` runs, by a clock that is faster than life.

    python -m tests.bench.soak_daemon SITE SPEED EVERY_S INSIDE

It does without what that command does without and imports nothing else of the tests, so that its memory is
the daemon's. Each LOOK_S it adds a line to the file INSIDE of what is held, as told from inside (`Inside`).
"""

from __future__ import annotations

import ctypes
import logging
import sys
import threading
from contextlib import closing
from dataclasses import astuple, dataclass
from pathlib import Path

LOOK_S = 20.0
START_MS = 1_793_491_200_000
"""2026-11-01T00:00:00Z."""


class _Mallinfo(ctypes.Structure):
    """What mallinfo2(3) returns: ten numbers, the eighth what is in use and the ninth what is free."""

    _fields_ = tuple((f"part_{number}", ctypes.c_size_t) for number in range(10))


@dataclass(frozen=True, slots=True)
class Inside:
    """What a process says of its own memory: Python's blocks in use (objects of up to 512 bytes), and of the
    C library's heap what is in use and what is free between that, in MB."""

    blocks: int
    heap_used_MB: float
    heap_free_MB: float


def inside() -> Inside | None:
    """Of this process; None where the C library does not tell."""
    ask = getattr(ctypes.CDLL(None), "mallinfo2", None)
    if ask is None:
        return None
    ask.restype = _Mallinfo
    told = ask()
    return Inside(sys.getallocatedblocks(), told.part_7 / 2**20, told.part_8 / 2**20)


def insides(file: Path) -> list[Inside]:
    """What a daemon has told so far."""
    lines = file.read_text(encoding="ascii").splitlines() if file.exists() else []
    return [Inside(int(blocks), float(used), float(free)) for blocks, used, free in map(str.split, lines)]


def _keep_telling(file: Path, stop: threading.Event) -> None:
    while not stop.wait(LOOK_S) and (told := inside()) is not None:
        with file.open("a", encoding="ascii") as out:
            print(*astuple(told), file=out)


def run_daemon(site_file: Path, speed: float, every_s: float, told: Path) -> None:
    """The daemon in this process, each device polled every every_s of real time."""
    from monitor.memory import keep_small, leave_openssl_out

    leave_openssl_out()
    keep_small()
    from monitor.clock import CLOCK_NOTE, PacedClock, SystemClock
    from monitor.devices.device import build_lines
    from monitor.service import serve
    from monitor.site.load import load_site, with_defaults
    from monitor.stopping import stop_signals
    from monitor.stores import open_writer

    site, _ = with_defaults(load_site(site_file))
    clock = PacedClock(SystemClock().now_ms(), START_MS, speed)
    slow = {"every_s": every_s * speed}
    shown = site.model_copy(
        update={"devices": tuple(entry.model_copy(update=slow) for entry in site.devices)}
    )
    with stop_signals() as stop, closing(open_writer(site, site_file)) as store:
        threading.Thread(target=_keep_telling, args=(told, stop), daemon=True).start()
        store.put_note(CLOCK_NOTE, clock.note())
        serve(shown, site_file, build_lines(site, site_file.parent, clock), store, clock, stop)


def main() -> None:
    site_file, speed, every_s, told = sys.argv[1:]
    # each line of the log, none left out
    logging.basicConfig(format="%(levelname)s %(message)s", level=logging.INFO)
    run_daemon(Path(site_file), float(speed), float(every_s), Path(told))


if __name__ == "__main__":
    main()
