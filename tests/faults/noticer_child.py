"""The daemon's noticer in a process of its own, driven line by line, to be killed at any moment.

    python -m tests.faults.noticer_child SITE_FILE START_MS

Each line on standard input is a step {"to": ms, "alarms": [[alarm, cause, priority, worthless_ms], ...]}:
the clock is set, the alarms' transitions are committed as the alarm engine would, and the noticer is followed
until nothing is under way. Then the step's time is said on standard output. A step that was done in part
before a kill may be sent again: what is stored already is not stored twice.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

from monitor.clock import SteppedClock
from monitor.notices.noticer import Noticer
from monitor.records import AlarmState, Condition, Transition
from monitor.site.load import load_site, with_defaults
from monitor.store import store_path
from monitor.store.base import StoreWriter
from monitor.store.embedded import open_writer

STATES = {
    "raised": (Condition.NORMAL, Condition.UNACKNOWLEDGED),
    "returned": (Condition.UNACKNOWLEDGED, Condition.RETURNED),
    "acknowledged": (Condition.UNACKNOWLEDGED, Condition.ACKNOWLEDGED),
    "shelved": (Condition.UNACKNOWLEDGED, Condition.SHELVED),
    "unshelved": (Condition.SHELVED, Condition.UNACKNOWLEDGED),
}


def store(writer: StoreWriter, time_ms: int, alarms: list[list[Any]]) -> list[Transition]:
    """Commit the transitions that are not stored yet."""
    known = {(each.alarm, each.cause) for each in writer.transitions(time_ms, time_ms + 1)}
    new = []
    for alarm, cause, priority, worthless_ms in alarms:
        if (alarm, cause) in known:
            continue
        before, after = STATES[cause]
        writer.put_alarm(AlarmState(alarm, after, time_ms, priority, None, f"{alarm} is beyond its limit"))
        new.append(
            Transition(
                time_ms,
                alarm,
                before,
                after,
                cause,
                priority,
                f"{alarm}: 11.2 V is below 11.4 V",
                worthless_ms=worthless_ms,
            )
        )
        writer.add_transition(new[-1])
    writer.commit()
    return new


def main() -> None:
    site_file, start_ms = Path(sys.argv[1]), int(sys.argv[2])
    site, _ = with_defaults(load_site(site_file))
    clock = SteppedClock(start_ms)
    with open_writer(store_path(site, site_file), site.site.time_zone) as writer:
        noticer = Noticer(site, site_file.parent, writer, clock, seed=start_ms)
        for line in sys.stdin:
            step = json.loads(line)
            clock.set(step["to"])
            noticer.take(store(writer, step["to"], step["alarms"]))
            noticer.follow()
            while noticer.busy:
                time.sleep(0.001)
                noticer.follow()
            print(step["to"], flush=True)
        noticer.stop()


if __name__ == "__main__":
    main()
