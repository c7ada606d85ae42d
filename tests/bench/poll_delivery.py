"""What the poll loop delivers on a bad line: damaged answers, and a dead unit beside a living one.

    python -m tests.bench.poll_delivery [--cycles 500]

A charger of three requests a cycle answers over a pty at a wire's pace, 115200 baud. First one answer in a
hundred is damaged (one bit); then a second unit on the line is dead.
Targets: >= 99.9 % of the quantities in their cycle; a dead unit costs the others <= 5 % of the cycles.
"""

from __future__ import annotations

import argparse
import queue
import random
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from monitor.clock import SystemClock
from monitor.devices.device import build_lines
from monitor.poll import Poller, PollResult
from monitor.records import Quality
from monitor.site.model import Bank, DeviceEntry, Place, Site
from tests.bench.figures import accuracy, hand_over
from tests.unit.far_ends import RtuFarEnd, charger_registers

SEED = 1125
BAUD = 115200
HIT_SHARE = 0.01
PERIOD_S = 0.4
FULL = 12  # quantities of the charger
WARM_UP_S = 3.0


def device(port: Path, **more: Any) -> DeviceEntry:
    usual: dict[str, Any] = {
        "name": "charger",
        "profile": "marsh-charger",
        "connection": "serial",
        "port": str(port),
        "baud": BAUD,
        "every_s": PERIOD_S,
        "timeout_s": 0.25,
    }
    return DeviceEntry(**usual | more)


def polled(entries: tuple[DeviceEntry, ...], seconds: float) -> list[tuple[float, PollResult]]:
    """All results of so many seconds, each with the time at which it came."""
    site = Site(
        site=Place(name="Bench", latitude_deg=52.6, longitude_deg=1.5),
        bank=Bank(chemistry="flooded", unit_voltage_V=6, unit_capacity_Ah=225, units_in_series=2),
        devices=entries,
    )
    clock = SystemClock()
    results: queue.SimpleQueue[PollResult] = queue.SimpleQueue()
    poller = Poller(build_lines(site, Path(), clock), clock, results, seed=SEED)
    found = []
    end_s = time.monotonic() + seconds
    poller.start()
    while (left_s := end_s - time.monotonic()) > 0:
        try:
            found.append((time.monotonic(), results.get(timeout=left_s)))
        except queue.Empty:
            break
    poller.stop()
    return found


def delivered(results: list[tuple[float, PollResult]], cycles: int) -> float:
    """Share of the quantities that came good in their cycle."""
    good = sum(
        reading.quality is Quality.GOOD
        for _, result in results
        if result.device == "charger"
        for reading in result.readings
    )
    return min(1.0, good / (FULL * cycles))


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--cycles", type=int, default=500)
    cycles = parser.parse_args().cycles
    rng = random.Random(SEED)
    with tempfile.TemporaryDirectory() as folder:
        wire = RtuFarEnd(Path(folder) / "charger", {1: charger_registers()}, baud=BAUD)
        wire.damage_at = {number for number in range(4 * cycles) if rng.random() < HIT_SHARE}
        results = polled((device(wire.link),), cycles * PERIOD_S)
        hit = sum(number < len(wire.requests) for number in wire.damage_at)
        share = delivered(results, len(results))
        print(
            f"{len(results)} cycles, {hit} of {len(wire.requests)} answers damaged: "
            f"{100 * share:.3f} % of the quantities in their cycle (target 99.9)"
        )
        wire.damage_at = set()
        seconds = max(30.0, cycles * PERIOD_S / 4)
        began_s = time.monotonic()
        dead = device(wire.link, name="dead", unit=2)
        results = [one for one in polled((device(wire.link), dead), seconds) if one[0] - began_s > WARM_UP_S]
        asked_dead = sum(result.device == "dead" for _, result in results)
        slots = round((seconds - WARM_UP_S) / PERIOD_S)
        beside = delivered(results, slots)
        print(
            f"beside a dead unit, asked {asked_dead} times: {100 * beside:.1f} % of {slots} cycles "
            "(target 95)"
        )
        wire.close()
    lively = "beside a dead unit on the same line"
    hand_over(
        accuracy(
            "quantities in their cycle", 100 * share, "%", "one answer in a hundred damaged", at_least=99.9
        ),
        accuracy("quantities in their cycle", 100 * beside, "%", lively, at_least=95),
    )
    return 0 if share >= 0.999 and beside >= 0.95 else 1


if __name__ == "__main__":
    sys.exit(main())
