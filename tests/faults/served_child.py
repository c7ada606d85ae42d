"""A daemon's writer that is killed: `python -m tests.faults.served_child FOLDER URL SEED LOG`.

Forks a writer on the site in FOLDER, waits until it ends, and forks the next one. Each writer goes on behind
the last half hour whose commit returned, and appends 'began PID' and 'done NUMBER' to LOG. The
writer is the real one; only its waits are cut short, as time is driven.
"""

from __future__ import annotations

import os
import random
import sys
import time
from pathlib import Path

from monitor.records import Event, Reading
from tests.faults.successors import follow_each_other
from tests.faults.test_mirror_campaign import HOUR_MS, HOURS, readings_of
from tests.interop.mirror_world import NOON_MS
from tests.interop.served_world import ServedSite

COMMITS_AN_HOUR = 2
COMMITS = HOURS * COMMITS_AN_HOUR
PAUSE_S = 0.03
TIMEOUT_S = 0.5


def halves(seed: int) -> list[list[Reading]]:
    """The readings that land in each half hour, the last with all that is late."""
    found: list[list[Reading]] = [[] for _ in range(COMMITS)]
    for lands_ms, reading in readings_of(random.Random(seed)):
        at = (lands_ms - NOON_MS) * COMMITS_AN_HOUR // HOUR_MS
        found[min(at, COMMITS - 1)].append(reading)
    return found


def done(log: Path) -> int:
    """The number of the last commit that returned, -1 where none did."""
    return max((int(line.split()[1]) for line in log.read_text().splitlines() if "done" in line), default=-1)


def write(site: ServedSite, seed: int, log: Path) -> None:
    with log.open("a") as handle:
        handle.write(f"began {os.getpid()}\n")
    coming = halves(seed)
    with site.writer(timeout_s=TIMEOUT_S) as writer:
        writer.rank_devices(["shunt", "charger", "shed"])
        for number in range(done(log) + 1, COMMITS):
            writer.append(coming[number])
            writer.put_note("made", str(number))
            if number % 10 == 0:
                writer.add_event(Event(NOON_MS + number, "made", "", str(number)))
            writer.commit()
            with log.open("a") as handle:
                handle.write(f"done {number}\n")
            site.clock.skip(3600 / COMMITS_AN_HOUR)
            time.sleep(PAUSE_S)
        time.sleep(60)  # the parent ends it


def main() -> None:
    folder, url, seed, log = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), Path(sys.argv[4])
    site = ServedSite(folder, url)
    follow_each_other(lambda: write(site, seed, log))


if __name__ == "__main__":
    main()
