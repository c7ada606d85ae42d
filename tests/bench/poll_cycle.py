"""How near the monitor's reading of a serial line comes to what the wire allows, and what it costs.

    python -m tests.bench.poll_cycle [--cycles 100]

Twenty quantities in 25 neighbouring registers, a device with 5 ms of turnaround at a wire's pace (11 bits a
character) in its own process. Ours: one read with RtuLink. Beside it a plain script: each of the twenty
quantities read by itself with pymodbus's own serial client, each row committed to SQLite at once.
A cycle's time is the median of all. Wire limit: (13 + 2 x registers) characters + 2 x t3.5 + turnaround
(Modbus over Serial Line V1.02, 2.5.1).
Targets: cycle <= 1.03 of the limit at 9600 and 19200, <= 1.10 at 115200, no gap under t3.5, CPU <= 1.5 s per
1,000 cycles at 9600.
"""

from __future__ import annotations

import argparse
import json
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from statistics import median
from typing import Any, TypeVar

from tests.bench.figures import Figure, cost, hand_over, ratio
from tests.faults.peer import UNIT, Peer, Plan, words

SPEEDS = (9600, 19200, 115200)
TURNAROUND_S = 0.005
ADDRESS, REGISTERS = 0, 25
QUANTITIES = 20
PAIRS = 5  # of the twenty quantities so many take two registers: 15 + 2 x 5 = 25
TIMEOUT_S = 1.0
TARGETS = {9600: 1.03, 19200: 1.03, 115200: 1.10}
MOST_CPU_S = 1.5
T = TypeVar("T")
WIRE = "what the wire allows"


def limit_s(baud: int, registers: int) -> float:
    """The wire limit of one read, worked out here and not by the code under test."""
    silence_s = 3.5 * 11 / baud if baud <= 19200 else 1.750e-3
    return (13 + 2 * registers) * 11 / baud + 2 * silence_s + TURNAROUND_S


def rss_MB() -> float:
    """Resident memory of this process, of the kernel's own count."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def timed(cycle: Callable[[], Any], cycles: int) -> dict[str, Any]:
    """What the cycles gave, the median time of one, CPU s of a thousand, resident memory at the end."""
    values: list[Any] = []
    times_s: list[float] = []
    cpu_s = time.process_time()
    for _ in range(cycles):
        began_s = time.monotonic()
        values += [cycle()]
        times_s += [time.monotonic() - began_s]
    cpu_s = time.process_time() - cpu_s
    return {"values": values, "cycle_s": median(times_s), "cpu_s": cpu_s / cycles * 1000, "rss_MB": rss_MB()}


def again(ask: Callable[[], T], error: type[Exception]) -> T:
    """What is asked for, twice more where it fails, as the poll loop does: a device that is held up in the
    middle of an answer, as this one is on a busy computer, sends damage."""
    for _ in range(2):
        with suppress(error):
            return ask()
    return ask()


def ours(path: str, baud: int, cycles: int) -> dict[str, Any]:
    """One coalesced read a cycle; every value is checked afterwards: it is what one request got, and no older
    one than the value before. A computer that is held up between sending and looking at the clock asks once
    more, so that numbers are left out."""
    from monitor.devices.rtu import TRIES, RtuLink
    from monitor.errors import DeviceError

    link = RtuLink(path, baud=baud, parity="even", timeout_s=TIMEOUT_S)

    def cycle() -> tuple[int, ...]:
        return again(lambda: link.read(UNIT, 4, ADDRESS, REGISTERS), DeviceError)

    cycle()
    found, number = timed(cycle, cycles), 0
    for value in found.pop("values"):
        numbers = range(number + 1, number + 2 + 6 * TRIES)
        number = next((each for each in numbers if words(ADDRESS, REGISTERS, each) == value), 0)
        assert number, f"{value} is no answer, or an old one"
    return found


def plain(path: str, baud: int, cycles: int) -> dict[str, Any]:
    """Each quantity by itself, each row committed: what a first script does."""
    from pymodbus.client import ModbusSerialClient
    from pymodbus.exceptions import ModbusException

    # Without parity: on a pseudo-terminal this client cannot set it, and the peer keeps its pace anyhow.
    client = ModbusSerialClient(path, baudrate=baud, timeout=TIMEOUT_S)
    client.connect()
    with tempfile.TemporaryDirectory() as folder:
        table = sqlite3.connect(Path(folder) / "readings.db")
        table.execute("CREATE TABLE reading (time TEXT, name TEXT, value REAL)")

        def ask(address: int, count: int) -> Any:
            answer = client.read_input_registers(address, count=count, device_id=UNIT)
            if answer.isError():
                raise ModbusException("refused")
            return answer

        def cycle() -> None:
            address = ADDRESS
            for quantity in range(QUANTITIES):
                count = 2 if quantity < PAIRS else 1
                answer = again(partial(ask, address, count), ModbusException)
                value = sum(register << 16 * i for i, register in enumerate(reversed(answer.registers)))
                row = (time.strftime("%Y-%m-%d %H:%M:%S"), f"quantity {quantity}", value)
                table.execute("INSERT INTO reading VALUES (?, ?, ?)", row)
                table.commit()
                address += count

        found = timed(cycle, cycles)
        found.pop("values")
        table.close()
    return found


CLIENTS = {"one read": ours, "plain script": plain}


def measure(client: str, baud: int, cycles: int) -> dict[str, Any]:
    """One client in a process of its own against a fresh peer; the peer counts the gaps."""
    with Peer(Plan(baud=baud, turnaround_s=TURNAROUND_S)) as peer:
        done = subprocess.run(
            [
                sys.executable,
                "-m",
                "tests.bench.poll_cycle",
                "--client",
                client,
                "--port",
                peer.path,
                "--baud",
                str(baud),
                "--cycles",
                str(cycles),
            ],
            stdout=subprocess.PIPE,
            text=True,
            check=True,
        )
        counted = peer.change()
    found: dict[str, Any] = json.loads(done.stdout)
    return found | {"gaps": counted["gaps"], "short_gaps": counted["short_gaps"]}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--cycles", type=int, default=100, help="cycles of ours; the plain script a tenth")
    parser.add_argument("--client", choices=CLIENTS, help="run one client here, on --port at --baud")
    parser.add_argument("--port")
    parser.add_argument("--baud", type=int)
    chosen = parser.parse_args()
    if chosen.client:
        print(json.dumps(CLIENTS[chosen.client](chosen.port, chosen.baud, chosen.cycles)))
        return 0
    met = True
    figures: list[Figure] = []
    print(
        f"{'':14}{'baud':>7}{'limit ms':>10}{'cycle ms':>10}{'of limit':>10}{'gaps < t3.5':>13}"
        f"{'CPU s/1000':>12}{'RSS MB':>8}"
    )
    for baud in SPEEDS:
        limit = limit_s(baud, REGISTERS)
        for client in CLIENTS:
            cycles = chosen.cycles if client == "one read" else max(2, chosen.cycles // 10)
            found = measure(client, baud, cycles)
            cycle_s, share = found["cycle_s"], found["short_gaps"] / found["gaps"]
            print(
                f"{client:14}{baud:7}{limit * 1e3:10.1f}{cycle_s * 1e3:10.1f}{cycle_s / limit:10.3f}"
                f"{share:12.1%} {found['cpu_s']:12.2f}{found['rss_MB']:8.1f}"
            )
            if client == "one read":
                met &= found["cycle_s"] <= TARGETS[baud] * limit and found["short_gaps"] == 0
                met &= baud != SPEEDS[0] or found["cpu_s"] <= MOST_CPU_S
                figures.append(
                    ratio(f"a poll of 20 quantities at {baud}", cycle_s / limit, WIRE, at_most=TARGETS[baud])
                )
                if baud == SPEEDS[0]:
                    cpu_s = found["cpu_s"]
                    figures.append(cost(f"CPU of 1,000 polls at {baud}", cpu_s, "s", at_most=MOST_CPU_S))
            else:
                figures.append(ratio(f"the plain script's at {baud}", cycle_s / limit, WIRE))
    hand_over(*figures)
    print("targets met" if met else "targets missed")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
