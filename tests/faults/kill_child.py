"""Processes that are killed while they work on a store: `python -m tests.faults.kill_child LOG`.

Each line on standard input is a job; it is done by a fork of this process, so that a kill costs no new start
of Python. Standard output has 'began PID', lines of what the job confirms ('done N'), and after a line
'wait PID' also 'ended PID STATUS'. What a job writes elsewhere goes to LOG.

    {"do": "daemon", "site": FILE}                          the daemon itself
    {"do": "import", "store": FILE, "first": N, "most": M}  history from poll N to M, batch by batch
    {"do": "open", "store": FILE}                           bring a store up to date, and pack what is due
    {"do": "compact", "store": FILE}
    {"do": "backup", "store": FILE, "copy": FILE}
    {"do": "restore", "store": FILE, "copy": FILE, "aside": FILE}
    {"do": "page", "site": FILE, "port": N}                 the page itself
    {"do": "forward", "site": FILE}                         the process of the mirrors itself
"""

from __future__ import annotations

import json
import os
import sys
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from monitor.records import Event, Reading
from monitor.service import run
from monitor.site.load import load_site
from monitor.store.copies import back_up, restore
from monitor.store.embedded import open_importer, open_writer
from monitor.store.upkeep import compact

ZONE = "Europe/London"
BATCH = 40
HISTORY_MS = 1_767_225_600_000
"""2026-01-01T00:00:00Z."""
EVERY_MS = 60_000
NAMES = ("battery_voltage_V", "battery_current_A", "array_power_W")


def history(polls: Iterable[int]) -> list[Reading]:
    """What the hand log says: three readings a poll that tell their number."""
    return [
        Reading(HISTORY_MS + poll * EVERY_MS, "import", name, float((poll * 7 + place) % 50))
        for poll in polls
        for place, name in enumerate(NAMES)
    ]


def do_import(store: Path, first: int, most: int) -> None:
    with open_importer(store, ZONE) as writer:
        for at in range(first, most, BATCH):
            writer.append(history(range(at, at + BATCH)))
            writer.add_event(Event(HISTORY_MS + at * EVERY_MS, "batch", "import", str(at)))
            writer.commit()
            say(f"done {at + BATCH}")


def do_open(store: Path) -> None:
    with open_writer(store, ZONE) as writer:
        say("done 1")
        writer.pack_all(lambda left: None)


def say(text: str) -> None:
    """One write, so that lines of several processes do not mix (pipe(7): up to PIPE_BUF bytes are atomic)."""
    os.write(1, f"{text}\n".encode())


def quiet(done: int, of: int) -> None:
    """Nobody watches the progress."""


def work(job: dict[str, Any]) -> None:
    kind, store = job["do"], Path(job.get("store", ""))
    if kind == "daemon":
        run(Path(job["site"]))
    elif kind == "import":
        do_import(store, job["first"], job["most"])
    elif kind == "open":
        do_open(store)
    elif kind == "compact":
        compact(store, ZONE, quiet)
    elif kind == "backup":
        back_up(store, Path(job["copy"]), quiet)
    elif kind == "restore":
        restore(store, Path(job["copy"]), Path(job["aside"]), quiet, HISTORY_MS)
    elif kind == "page":
        from dashboard.server import serve

        serve(Path(job["site"]), "127.0.0.1", job["port"])
    elif kind == "forward":
        from monitor.mirror.run import run as run_mirrors

        run_mirrors(load_site(Path(job["site"])), Path(job["site"]), threading.Event())


def load_ahead(kind: str) -> None:
    """Import once, in the parent, what jobs of a kind need: forks have it then."""
    if kind == "page" or kind == "forward":
        pass


def main() -> None:
    os.dup2(os.open(sys.argv[1], os.O_WRONLY | os.O_CREAT | os.O_APPEND), 2)
    children = set[int]()
    for line in sys.stdin:
        if line.startswith("wait "):
            pid = int(line.split()[1])
            _, status = os.waitpid(pid, 0)
            children.discard(pid)
            say(f"ended {pid} {os.waitstatus_to_exitcode(status)}")
            continue
        load_ahead(json.loads(line)["do"])
        pid = os.fork()
        if pid == 0:
            # exceptions end the child with their traceback in the log
            status = 1
            try:
                work(json.loads(line))
                status = 0
            finally:
                if status:
                    sys.excepthook(*sys.exc_info())
                os._exit(status)
        children.add(pid)
        say(f"began {pid}")


if __name__ == "__main__":
    main()
