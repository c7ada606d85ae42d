"""What the simulator costs and how well it keeps the wire's pace.

    python -m tests.bench.simulator_cost

CPU of a one-minute step of the whole plant over the built-in fortnight (bound: 0.4 ms); for three speeds
the time from a request of 9 registers to its last reply byte, over what the wire takes (bound for the
median: 1.03).
"""

from __future__ import annotations

import os
import struct
import tempfile
import time
import tty
from datetime import UTC, datetime
from pathlib import Path
from statistics import median

from simulator.line import character_s, frame_gap_s
from simulator.modbus_device import with_crc
from simulator.plant import Plant, Truth
from simulator.scenario import load_world
from tests.bench.figures import cost, hand_over, ratio
from tests.serving import ServedSimulator

REQUESTS = 100
REGISTERS = 9


def step_cost_ms() -> tuple[int, float]:
    """Number of steps and CPU milliseconds a step."""
    start_ms = round(datetime(2026, 11, 11, tzinfo=UTC).timestamp() * 1000)
    plant = Plant(load_world(None, start_ms, start_ms, 1))
    truths: list[Truth] = []
    begin = time.process_time()
    plant.advance_to(plant.world.end_ms, truths.append)
    return len(truths), (time.process_time() - begin) / len(truths) * 1000


def pace(baud: int, folder: Path) -> tuple[float, float, float]:
    """Wire time, median and longest time of a request with its reply, in ms."""
    simulator = ServedSimulator(folder, scenario=f"[charger]\nbaud = {baud}\n")
    fd = os.open(simulator.charger["serial"], os.O_RDWR | os.O_NOCTTY)
    tty.setraw(fd)
    request = with_crc(struct.pack(">BBHH", 1, 4, 700, REGISTERS))
    size = 5 + 2 * REGISTERS
    wire_s = (len(request) + size) * character_s(baud, 11) + frame_gap_s(baud) + 0.005
    taken = []
    for _ in range(REQUESTS):
        begin, got = time.monotonic(), 0
        os.write(fd, request)
        while got < size:
            got += len(os.read(fd, 256))
        taken.append(time.monotonic() - begin)
        time.sleep(frame_gap_s(baud) + 0.001)
    os.close(fd)
    simulator.stop()
    return wire_s * 1000, median(taken) * 1000, max(taken) * 1000


def main() -> None:
    steps, cost_ms = step_cost_ms()
    print(f"plant: {steps} steps of a minute, {cost_ms:.3f} ms of CPU each (bound 0.4)")
    hand_over(cost("a minute of the simulated plant, CPU", cost_ms, "ms", at_most=0.4))
    for baud in (9600, 19200, 115200):
        with tempfile.TemporaryDirectory() as folder:
            wire, middle, longest = pace(baud, Path(folder))
        print(
            f"{baud:6d} baud: wire {wire:.2f} ms, median {middle:.2f} ms = {middle / wire:.4f} (bound 1.03), "
            f"longest {longest:.2f} ms"
        )
        hand_over(
            ratio(f"the simulator's answer at {baud}", middle / wire, "what the wire takes", at_most=1.03)
        )


if __name__ == "__main__":
    main()
