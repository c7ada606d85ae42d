"""What the whole daemon costs: memory with everything running, and CPU for 1,000 polls.

    python -m tests.bench.daemon

The real daemon polls both of the simulator's devices (the charger at 9600 baud) while the store fills, and
its memory and CPU are read from /proc. Beside it, the baseline: a bare interpreter that has only imported the
same libraries, so that the difference is what the daemon itself holds. A second run on the same site without
an array shows what the sun's tables cost; the process that makes them is watched until it has ended.
"""

import argparse
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from monitor.demo import site_text
from monitor.simulated import SimulatorProcess
from monitor.store.embedded import open_reader
from monitor.sun.expected import note_key
from monitor.sun.helper import COMMAND as ALMANAC
from tests.bench.figures import cost, hand_over, ratio
from tests.bench.process import cpu_s, memory_MB

POLL_EVERY_S = 0.5
RUN_S = 60.0
WARM_UP_S = 10.0
PATIENCE_S = 300.0
"""For the sun's process to come and to end (our choice: 2 s, and far more on a busy computer)."""
TARGET_MB = 64.0
SUN_TARGET_MB = 5.0
NOON_MS = 1_782_043_200_000
"""2026-06-21T12:00:00Z: an hour with every device alive."""

AS_THE_UNIT = {"OPENBLAS_NUM_THREADS": "1"}
"""What the systemd unit sets for the daemon."""

LIBRARIES = (
    "import sqlite3, serial, click, pydantic, pymodbus.client.tcp, pymodbus.framer\n"
    "print(open('/proc/self/status').read())"
)


def fast(text: str) -> str:
    """A site file's text, polled fast and committed each minute."""
    text = text.replace("\nevery_s = 5", f"\nevery_s = {POLL_EVERY_S}")
    return text.replace("commit_every_s = 5", "commit_every_s = 60")


def without_array(text: str) -> str:
    """A site file's text without its [array] table, so that there is no sun to work out."""
    return re.sub(r"(?ms)^\[array\].*?(?=^\[)", "", text)


@dataclass(frozen=True, slots=True)
class Helper:
    """The almanac's process as seen from outside: its largest memory and how long it was there."""

    peak_MB: float
    lasted_s: float


def children_of(pid: int) -> list[int]:
    """Processes that a process's main thread has started and that are still there."""
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def is_almanac(pid: int) -> bool:
    """Whether this process is the one that works out the sun's tables."""
    return ALMANAC[-1].encode() in Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")


def watch_helper(daemon: subprocess.Popen[bytes], come_s: float) -> Helper | None:
    """Wait for the sun's process of a daemon to come and to end; None where none comes in time."""
    begin_s, peak_MB, seen_s = time.monotonic(), 0.0, 0.0
    while daemon.poll() is None and time.monotonic() - begin_s < (PATIENCE_S if seen_s else come_s):
        at_work = False
        for child in children_of(daemon.pid):
            with suppress(OSError, StopIteration):  # it may end while it is looked at
                if is_almanac(child):
                    at_work, seen_s = True, seen_s or time.monotonic()
                    peak_MB = max(peak_MB, memory_MB(child))
        if seen_s and not at_work:
            return Helper(peak_MB, time.monotonic() - seen_s)
        time.sleep(0.02)
    if seen_s and daemon.poll() is None:
        sys.exit(f"the sun's process did not end within {PATIENCE_S:.0f} s")
    return None


@dataclass(frozen=True, slots=True)
class Held:
    """What one run of the daemon took."""

    first_MB: float
    last_MB: float
    cpu_s: float
    helper: Helper | None
    tables: int


def run_daemon(folder: Path, change: Callable[[str], str], come_s: float) -> Held:
    """The daemon on a simulator and the demo's site file, changed, for WARM_UP_S and then RUN_S.

    come_s is how long the sun's process is waited for.
    """
    folder.mkdir()
    with SimulatorProcess(folder / "ports", NOON_MS) as simulator:
        simulator.ask(do="run", speed=1.0)
        (folder / "site.toml").write_text(fast(change(site_text(simulator))), encoding="utf-8")
        command = [sys.executable, "-m", "monitor.cli", "monitor", str(folder / "site.toml")]
        with (folder / "log").open("wb") as log:
            daemon = subprocess.Popen(command, stderr=log, env=os.environ | AS_THE_UNIT)
        try:
            begin_s = time.monotonic()
            helper = watch_helper(daemon, come_s)
            time.sleep(max(0.0, WARM_UP_S - (time.monotonic() - begin_s)))
            if daemon.poll() is not None:
                sys.exit((folder / "log").read_text(encoding="utf-8"))
            first_MB, first_s = memory_MB(daemon.pid), cpu_s(daemon.pid)
            time.sleep(RUN_S)
            spent_s, last_MB = cpu_s(daemon.pid) - first_s, memory_MB(daemon.pid)
            daemon.send_signal(signal.SIGTERM)
            if daemon.wait(PATIENCE_S) != 0:
                sys.exit((folder / "log").read_text(encoding="utf-8"))
        finally:
            daemon.kill()
            daemon.wait()
    today = datetime.now(UTC).date()
    with open_reader(folder / "nightbank.db") as reader:
        notes = [reader.note(note_key(today + timedelta(days=ahead))) for ahead in range(-1, 9)]
    return Held(first_MB, last_MB, spent_s, helper, sum(note is not None for note in notes))


def libraries_MB() -> float:
    """What a bare interpreter takes that has imported the daemon's libraries."""
    told = subprocess.run([sys.executable, "-c", LIBRARIES], stdout=subprocess.PIPE, text=True, check=True)
    found = re.search(r"VmRSS:\s+(\d+)", told.stdout)
    assert found is not None
    return int(found[1]) / 1024


def main() -> None:
    argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter).parse_args()
    with tempfile.TemporaryDirectory() as name:
        held = run_daemon(Path(name) / "sun", str, PATIENCE_S)
        dark = run_daemon(Path(name) / "dark", without_array, WARM_UP_S)
    bare_MB = libraries_MB()
    polls = 2 * RUN_S / POLL_EVERY_S
    print(f"daemon, two devices every {POLL_EVERY_S} s for {RUN_S:.0f} s ({polls:.0f} polls)")
    print(
        f"  memory              {held.last_MB:6.1f} MB  "
        f"(after warm-up {held.first_MB:.1f}; target {TARGET_MB:.0f})"
    )
    print(f"  the libraries alone {bare_MB:6.1f} MB  ratio {held.last_MB / bare_MB:.2f}")
    a_thousand_s = 1000 * held.cpu_s / polls
    print(f"  CPU                 {a_thousand_s:6.2f} s for 1,000 polls, all the way into the store")
    if held.helper is None or held.tables == 0 or dark.helper is not None or dark.tables:
        sys.exit(f"the sun's process was to run beside the first daemon only: {held}, {dark}")
    print(
        f"  without an array    {dark.last_MB:6.1f} MB  "
        f"the sun costs {held.last_MB - dark.last_MB:+.1f} (target below {SUN_TARGET_MB:.0f})"
    )
    print(
        f"  the sun's process   {held.helper.peak_MB:6.1f} MB at most, "
        f"ended after {held.helper.lasted_s:.1f} s with {held.tables} tables"
    )
    hand_over(
        ratio(
            "the daemon's memory", held.last_MB / bare_MB, "a process that has only imported its libraries"
        ),
        cost("the daemon's memory, two devices", held.last_MB, "MB", at_most=TARGET_MB),
        cost("of it for the sun's tables", held.last_MB - dark.last_MB, "MB", at_most=SUN_TARGET_MB),
        cost("the sun's process while it lasts", held.helper.peak_MB, "MB"),
        cost("the daemon's CPU for 1,000 polls", a_thousand_s, "s"),
    )


if __name__ == "__main__":
    main()
