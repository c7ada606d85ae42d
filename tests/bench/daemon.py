"""What the whole daemon costs: memory with everything running, and CPU for 1,000 polls.

    python -m tests.bench.daemon

The real daemon polls both of the simulator's devices (the charger at 9600 baud) while the store fills, and
its memory and CPU are read from /proc. Beside it, the baseline: a bare interpreter that has only imported the
same libraries, so that the difference is what the daemon itself holds.
"""

import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from monitor.demo import site_text
from monitor.simulated import SimulatorProcess

POLL_EVERY_S = 0.5
RUN_S = 60.0
WARM_UP_S = 5.0
TARGET_MB = 64.0
NOON_MS = 1_782_043_200_000
"""2026-06-21T12:00:00Z: an hour with every device alive."""

LIBRARIES = (
    "import sqlite3, serial, click, pydantic, pymodbus.client.tcp, pymodbus.framer, signal; signal.pause()"
)


def memory_MB(pid: int) -> float:
    """Resident set of a process (VmRSS of proc(5))."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    line = next(line for line in status.splitlines() if line.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


def cpu_s(pid: int) -> float:
    """CPU time of a process, user and system (fields 14 and 15 of proc(5) stat)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def fast_site(simulator: SimulatorProcess) -> str:
    """The demo's site, polled fast and committed each minute."""
    text = site_text(simulator).replace("\nevery_s = 5", f"\nevery_s = {POLL_EVERY_S}")
    return text.replace("commit_every_s = 5", "commit_every_s = 60")


def main() -> None:
    bare = subprocess.Popen([sys.executable, "-c", LIBRARIES])
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with SimulatorProcess(folder / "ports", NOON_MS) as simulator:
            simulator.ask(do="run", speed=1.0)
            (folder / "site.toml").write_text(fast_site(simulator), encoding="utf-8")
            command = [sys.executable, "-m", "monitor.cli", "monitor", str(folder / "site.toml")]
            with (folder / "log").open("wb") as log:
                daemon = subprocess.Popen(command, stderr=log)
            time.sleep(WARM_UP_S)
            if daemon.poll() is not None:
                sys.exit((folder / "log").read_text(encoding="utf-8"))
            first_MB, first_s = memory_MB(daemon.pid), cpu_s(daemon.pid)
            time.sleep(RUN_S)
            spent_s, held_MB = cpu_s(daemon.pid) - first_s, memory_MB(daemon.pid)
            daemon.send_signal(signal.SIGTERM)
            if daemon.wait(20) != 0:
                sys.exit((folder / "log").read_text(encoding="utf-8"))
    bare_MB = memory_MB(bare.pid)
    bare.kill()
    bare.wait()
    polls = 2 * RUN_S / POLL_EVERY_S
    print(f"daemon, two devices every {POLL_EVERY_S} s for {RUN_S:.0f} s ({polls:.0f} polls)")
    print(f"  memory              {held_MB:6.1f} MB  (after warm-up {first_MB:.1f}; target {TARGET_MB:.0f})")
    print(f"  the libraries alone {bare_MB:6.1f} MB  ratio {held_MB / bare_MB:.2f}")
    print(
        f"  CPU                 {1000 * spent_s / polls:6.2f} s for 1,000 polls, all the way into the store"
    )


if __name__ == "__main__":
    main()
