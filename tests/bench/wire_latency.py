"""How long from a change in the plant to its notice at a local broker's subscriber, everything real.

    python -m tests.bench.wire_latency [--alarms 12]

The simulator behind a pty at 9600 baud, the daemon as a process, mosquitto. A lamp is switched on at a random
moment; an alarm without delay watches its current. What is measured runs from the switching to the
subscriber. Target: one poll period and a second, the slowest included. Beside it the wait alone, which no
program can avoid: half a period on average, a whole one at most.
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from monitor.demo import site_text
from monitor.records import parse_iso
from monitor.simulated import SimulatorProcess
from tests.bench.figures import cost, hand_over, ratio
from tests.interop.brokers import CHANNEL, Broker, Listener
from tests.waiting import wait_for

NOON_MS = parse_iso("2026-06-21T12:00:00Z")
PERIOD_S = 5.0
SLACK_S = 1.0
PATIENCE_S = 30.0
STATE = "nightbank/alarm/lamp-on"
ALARM = """
[[alarms]]
name = "Lamp on"
quantity = "load_current_A"
condition = "above"
set_point = 6.0
deadband = 0.5
on_delay_s = 0
off_delay_s = 0
priority = "urgent"
"""


def heard(listener: Listener, topic: str, word: str, count: int) -> float:
    """When the message with a word in it came that follows `count` such ones, by time.monotonic().

    Raises SystemExit where none comes.
    """
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        stamps = [at for sent_to, text, _, at in listener.messages if sent_to == topic and word in text]
        if len(stamps) > count:
            return float(stamps[count])
        time.sleep(0.01)
    raise SystemExit(f"nothing with {word!r} came on {topic}: the alarm did not reach the broker")


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--alarms", type=int, default=12)
    parser.add_argument("--seed", type=int, default=7)
    asked = parser.parse_args()
    moments = random.Random(asked.seed)
    took = []
    with (
        tempfile.TemporaryDirectory() as name,
        Broker(Path(name)) as broker,
        SimulatorProcess(Path(name) / "ports", NOON_MS) as simulator,
    ):
        simulator.ask(do="run", speed=1.0)
        site_file = Path(name) / "site.toml"
        site_file.write_text(
            site_text(simulator) + ALARM + CHANNEL.format(port=broker.port), encoding="utf-8"
        )
        listener = Listener(broker.port)
        command = [sys.executable, "-m", "monitor.cli", "monitor", str(site_file)]
        with (Path(name) / "log").open("wb") as log:
            daemon = subprocess.Popen(command, stderr=log)
        try:
            time.sleep(4 * PERIOD_S)
            for number in range(asked.alarms):
                began_s = time.monotonic()
                simulator.ask(do="loads", name="party", on=True)
                took.append(heard(listener, "nightbank/notice", "is above", number) - began_s)
                wait_for(lambda: '"unacknowledged"' in listener.last(STATE), seconds=PATIENCE_S)
                simulator.ask(do="loads", name="party", on=None)
                # the notice that it is over waits, lest a storm of them comes; the retained state does not
                wait_for(lambda: "returned to normal" in listener.last(STATE), seconds=PATIENCE_S)
                time.sleep(moments.uniform(0, PERIOD_S))
        finally:
            daemon.send_signal(signal.SIGTERM)
            daemon.wait(20)
            listener.close()
    limit_s = PERIOD_S + SLACK_S
    print(f"from the switch to the subscriber, {len(took)} alarms, polled every {PERIOD_S:.0f} s")
    print(f"  median {median(took):.2f} s  slowest {max(took):.2f} s (target {limit_s:.0f} s)")
    print(f"  over the mere wait for the poll: median {median(took) / (PERIOD_S / 2):.2f} times")
    hand_over(
        ratio(
            "from a switched lamp to its notice", median(took) / (PERIOD_S / 2), "the mere wait for the poll"
        ),
        cost("from a switched lamp to its notice, slowest", max(took), "s", at_most=limit_s),
    )
    return 0 if max(took) <= limit_s else 1


if __name__ == "__main__":
    sys.exit(main())
