"""How long from a reading to a notice at a local broker's subscriber, and what a broker costs in memory.

    python -m tests.bench.notice_latency [--alarms 100]

Readings cross an urgent rule's set point and come back; each goes through the real pipeline (estimate, store,
alarms), the noticer (outbox, two commits) and a mosquitto of its own to a second client. Beside it the
baseline: the same client's own message through the same broker.
Target: 1 s from the reading's append to the subscriber, the slowest included. The daemon's wait for the line
comes before that and is no part of it.
"""

from __future__ import annotations

import argparse
import logging
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from statistics import median

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.clock import SteppedClock
from monitor.notices.noticer import Noticer
from monitor.pipeline import Pipeline
from monitor.poll import PollResult
from monitor.records import DeviceHealth, Reading, parse_iso
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import open_writer
from tests.bench.figures import cost, hand_over, ratio
from tests.interop.brokers import CHANNEL, Broker, Listener
from tests.unit.site_files import MARSH_HIDE
from tests.waiting import wait_for

TARGET_S = 1.0
NOON_MS = parse_iso("2026-11-24T12:00:00Z")
SITE = """
[[alarms]]
name = "Bench"
quantity = "controller_temperature_C"
condition = "above"
set_point = 50
on_delay_s = 0
off_delay_s = 0
priority = "urgent"
"""
RESIDENT = """
import sys
from pathlib import Path
from monitor import service
from monitor.clock import SystemClock
from monitor.notices.noticer import Noticer
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import open_writer
def resident_MB():
    line = next(line for line in open("/proc/self/status") if line.startswith("VmRSS"))
    return int(line.split()[1]) / 1024
path = Path(sys.argv[1])
site, _ = with_defaults(load_site(path))
with open_writer(path.with_suffix(".db"), "Europe/London") as store:
    before = resident_MB()
    noticer = Noticer(site, path.parent, store, SystemClock())
    noticer.follow()
    import time
    time.sleep(1)
    print(resident_MB() - before)
    noticer.stop()
"""


def polled(time_ms: int, temperature_C: float) -> PollResult:
    health = DeviceHealth("charger", "bench", "answering", NOON_MS, time_ms, 80.0, 1)
    values = {
        "controller_temperature_C": temperature_C,
        "battery_voltage_V": 12.6,
        "battery_current_A": -2.0,
        "battery_temperature_C": 15.0,
    }
    readings = tuple(Reading(time_ms, "charger", name, value) for name, value in values.items())
    return PollResult("charger", readings, health, None)


def latencies(site_file: Path, listener: Listener, alarms: int) -> list[float]:
    """Seconds from each reading that raises the alarm to its notice at the listener."""
    site, _ = with_defaults(load_site(site_file))
    clock = SteppedClock(NOON_MS)
    took = []
    with open_writer(site_file.with_suffix(".db"), "Europe/London") as store:
        pipeline = Pipeline(site, store, clock)
        noticer = Noticer(site, site_file.parent, store, clock)
        for number in range(2 * alarms):
            time_ms = NOON_MS + (number + 1) * 60_000
            clock.set(time_ms)
            before = len(listener.texts("nightbank/notice"))
            began_s = time.monotonic()
            noticer.take(pipeline.take(polled(time_ms, 60.0 if number % 2 == 0 else 20.0)))
            wait_for(partial(come, listener, before))
            if number % 2 == 0:
                came_s = next(
                    at for topic, *_, at in reversed(listener.messages) if topic == "nightbank/notice"
                )
                took.append(came_s - began_s)
            while noticer.busy:
                noticer.follow()
        noticer.stop()
    return took


def come(listener: Listener, before: int) -> bool:
    """Whether a notice has come that was not there before."""
    return len(listener.texts("nightbank/notice")) > before


def echoed(listener: Listener, text: str) -> bool:
    """Whether a message of one's own has come back."""
    return listener.last("bench") == text


def baseline(port: int, listener: Listener, messages: int) -> list[float]:
    """Seconds of a message of one's own through the same broker."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    took = []
    for number in range(messages):
        began_s = time.monotonic()
        client.publish("bench", str(number), qos=1)
        wait_for(partial(echoed, listener, str(number)))
        took.append(next(at for topic, *_, at in reversed(listener.messages) if topic == "bench") - began_s)
    client.disconnect()
    client.loop_stop()
    return took


def broker_costs_MB(folder: Path, channels: str) -> float:
    """Memory that a noticer adds to a process that has all else of the daemon imported."""
    path = folder / "cost.toml"
    path.write_text(MARSH_HIDE + channels, encoding="utf-8")
    command = [sys.executable, "-c", RESIDENT, str(path)]
    return float(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--alarms", type=int, default=100)
    alarms = parser.parse_args().alarms
    logging.disable(logging.WARNING)
    with tempfile.TemporaryDirectory() as name, Broker(Path(name)) as broker:
        site_file = Path(name) / "hide.toml"
        site_file.write_text(MARSH_HIDE + SITE + CHANNEL.format(port=broker.port), encoding="utf-8")
        listener = Listener(broker.port)
        took = latencies(site_file, listener, alarms)
        bare = baseline(broker.port, listener, alarms)
        listener.close()
        without_MB = broker_costs_MB(Path(name), "")
        with_MB = broker_costs_MB(Path(name), SITE + CHANNEL.format(port=broker.port))
    print(f"from a reading to its notice at a subscriber, {alarms} alarms")
    slowest = f"slowest {1000 * max(took):6.1f} ms (target {TARGET_S:.0f} s)"
    print(f"  median {1000 * median(took):6.1f} ms  {slowest}")
    print(f"  a bare message {1000 * median(bare):6.1f} ms  ratio {median(took) / median(bare):.1f}")
    print(f"the noticer in memory: {without_MB:.1f} MB without channels, {with_MB:.1f} MB with a broker")
    hand_over(
        ratio(
            "from a reading to its notice", median(took) / median(bare), "a bare message through the broker"
        ),
        cost("from a reading to its notice, slowest", max(took), "s", at_most=TARGET_S),
        cost("a broker's channel in the daemon's memory", with_MB - without_MB, "MB"),
    )
    return 0 if max(took) <= TARGET_S else 1


if __name__ == "__main__":
    sys.exit(main())
