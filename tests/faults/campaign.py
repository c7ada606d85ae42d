"""The fault campaign on the wire: wrong values accepted must be 0 in every class.

    python -m tests.faults.campaign [--frames 2000] [--seed 1] [--only CLASS ...]

Each class reads from a peer that spoils a share of its replies. A value that was accepted is wrong unless it
is exactly what the peer holds for the last request of that length, which is the one just answered.
"""

from __future__ import annotations

import argparse
import ctypes
import json
import random
import subprocess
import sys
import threading
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from time import monotonic

from monitor.devices.rtu import RtuLink
from monitor.devices.tcp import TcpLink
from monitor.errors import BadFrame, DeviceError, NoAnswer
from tests.faults.peer import UNIT, Peer, Plan, words
from tests.faults.tcp_peer import TcpPeer, TcpPlan

FRAMES = 2000
WORKERS = 10  # they mostly wait
BAUD = 460800  # fast, so that the silence between frames (1.75 ms) and not the bits takes the time
TIMEOUT_S = 0.016
COUNT = 4
SETTLED_WITHIN = 20
"""Looks at a line after which it is silent, however busy the computer (our choice)."""

FAILED_AFTER, MORE_ENDS = 2, 4
"""So many reads may fail once a fault has ended; where more do, further ends show whether all are so."""


@dataclass(frozen=True)
class Class:
    """One class of faults: what the peer does to which share of its replies."""

    name: str
    fault: str
    rate: float
    timeout_s: float = TIMEOUT_S
    addresses: tuple[int, int] = (0, 0x2FF)
    stalls: bool = False
    tcp: bool = False


ECHO = (0x0300, 0x03F8)
"""Where the echo of a read looks like a reply: the address stands in the place of the byte count."""

CLASSES = (
    Class("bit flips", "bit_flip", 0.10),
    Class("dropped bytes", "drop_bytes", 0.10),
    Class("truncation", "truncate", 0.10),
    Class("silence", "silence", 0.10),
    Class("noise around", "noise", 0.20),
    Class("exceptions", "exception", 0.20),
    Class("other function", "other_function", 0.10, timeout_s=0.05),
    Class("other length", "other_length", 0.10),
    Class("other unit", "other_unit", 0.10),
    Class("late by time-out + 30 ms", "late", 0.05),
    Class("later than any time-out", "far_too_late", 0.03),
    Class("always slower than the time-out", "slow", 1.0, timeout_s=0.005),
    Class("a way longer than the time-out", "latency", 1.0, timeout_s=0.005),
    Class("a way longer than any time-out", "long_latency", 1.0, timeout_s=0.005),
    Class("echo, reply behind", "echo_then_reply", 1.0, addresses=ECHO),
    Class("echo alone", "echo_only", 1.0, timeout_s=0.008, addresses=ECHO),
    Class("machine stalls", "none", 0.0, stalls=True),
    Class("TCP silence", "silence", 0.05, tcp=True),
    Class("TCP late", "late", 0.05, tcp=True),
    Class("TCP truncation", "truncate", 0.05, tcp=True),
    Class("TCP exceptions", "exception", 0.20, tcp=True),
    Class("TCP other function", "other_function", 0.20, tcp=True),
    Class("TCP other length", "other_length", 0.20, tcp=True),
    Class("TCP other unit", "other_unit", 0.05, tcp=True),
    Class("TCP other transaction", "other_transaction", 0.05, tcp=True),
    Class("TCP wrong byte count", "wrong_byte_count", 0.20, tcp=True),
    Class("TCP reset", "reset", 0.20, tcp=True),
)


@dataclass
class Result:
    """What one class gave; the fields with `after` count from the fault's end (to the first good value)."""

    name: str
    seed: int
    frames: int = 0
    accepted: int = 0
    wrong: int = 0
    stale: int = 0
    refused: dict[str, int] = field(default_factory=dict)
    hit: int = 0
    requests: int = 0
    functions: list[int] = field(default_factory=list)
    failed_after: int = 0
    good_after_s: float = 0.0
    wrong_after: int = 0
    timeout_s: float = 0.0

    def line(self) -> str:
        refused = ", ".join(f"{kind} {count}" for kind, count in sorted(self.refused.items())) or "none"
        return (
            f"{self.name:32} frames {self.frames}  hit {self.hit}  accepted {self.accepted}  "
            f"wrong {self.wrong}  refused: {refused}  good again after {self.failed_after} failed reads, "
            f"{self.good_after_s:.3f} s"
        )


class Stalls:
    """Stops this whole process now and then, as a busy or sleeping machine does.

    The C library's sleep called with the interpreter's lock held: no Python of this process runs meanwhile.
    """

    def __init__(self, seed: int, timeout_s: float) -> None:
        self._random = random.Random(seed)
        self._timeout_s = timeout_s
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self.count = 0

    def _run(self) -> None:
        usleep = ctypes.PyDLL(None).usleep
        while not self._end.wait(self._random.uniform(0.0, 0.06)):
            usleep(int(1e6 * self._random.uniform(0.1, 2.5) * self._timeout_s))
            self.count += 1

    def __enter__(self) -> Stalls:
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._end.set()
        self._thread.join()


def settle(link: RtuLink) -> None:
    """Wait until the line is silent, on a computer that may be held up each time one looks."""
    for _ in range(SETTLED_WITHIN):
        with suppress(BadFrame):
            return link.settle(UNIT)
    link.settle(UNIT)


def run(kind: Class, frames: int, seed: int) -> Result:
    """Read `frames` times through the faults of one class, then see it recover."""
    peer: Peer | TcpPeer
    link: RtuLink | TcpLink
    if kind.tcp:
        peer = TcpPeer(TcpPlan(timeout_s=kind.timeout_s, fault=kind.fault, rate=kind.rate, seed=seed))
        link = TcpLink("127.0.0.1", peer.port, timeout_s=kind.timeout_s)
    else:
        peer = Peer(Plan(baud=BAUD, timeout_s=kind.timeout_s, fault=kind.fault, rate=kind.rate, seed=seed))
        link = RtuLink(peer.path, baud=BAUD, parity="even", timeout_s=kind.timeout_s)
    result = Result(kind.name, seed, timeout_s=kind.timeout_s)
    draw = random.Random(seed)
    refused: Counter[str] = Counter()

    def read() -> bool | None:
        """True for a right value, False for a wrong one, None for an error."""
        function, address = draw.choice((3, 4)) if draw.random() < 0.2 else 4, draw.randint(*kind.addresses)
        before = peer.number
        try:
            values = link.read(UNIT, function, address, COUNT)
        except DeviceError as error:
            refused[error.kind] += 1
            if kind.fault == "other_function" and isinstance(link, RtuLink) and isinstance(error, NoAnswer):
                # This computer was held up. An answer that is late and has the function of the next request,
                # nobody could tell: that is two faults at once, and no class here. So the peer is given the
                # time to come round, and the line to settle.
                peer.change()
                settle(link)
            return None
        if values == words(address, COUNT, peer.asked(COUNT)):
            return True
        older = range(max(0, before - 100), peer.number)
        result.stale += any(values == words(address, COUNT, number) for number in older)
        return False

    with peer:

        def campaign() -> None:
            for _ in range(frames):
                match read():
                    case True:
                        result.accepted += 1
                    case False:
                        result.wrong += 1
                result.frames += 1

        def recover() -> None:
            """From a fault's end to the first good value."""
            result.failed_after, ended_s = 0, monotonic()
            while (good := read()) is not True:
                result.failed_after += 1
                result.wrong_after += good is False
                if monotonic() - ended_s > 10:
                    break
            result.good_after_s = monotonic() - ended_s

        if kind.stalls:
            with Stalls(seed, kind.timeout_s) as stalls:
                campaign()
            result.hit = stalls.count
        else:
            campaign()
        result.refused = dict(refused)
        counted = peer.change(fault="none", rate=0.0)
        result.hit = result.hit or counted["hit"]
        result.requests, result.functions = counted["number"], counted["functions"]
        recover()
        for _ in range(MORE_ENDS):
            # On a busy computer the far end may be held up just then: that is not the link's doing.
            if result.failed_after <= FAILED_AFTER:
                break
            peer.change(fault=kind.fault, rate=kind.rate)
            result.wrong_after += sum(read() is False for _ in range(50))
            peer.change(fault="none", rate=0.0)
            recover()
        for _ in range(20):
            result.wrong_after += read() is False
        link.close()
    return result


def run_apart(kind: Class, frames: int, seed: int) -> Result:
    """The same in a process of its own, so that classes can run side by side and stalls hit only one."""
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "tests.faults.campaign",
            "--frames",
            str(frames),
            "--seed",
            str(seed),
            "--only",
            kind.name,
            "--json",
        ],
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    return Result(**json.loads(done.stdout))


def run_all(frames: int, seed: int, kinds: tuple[Class, ...] = CLASSES) -> dict[str, Result]:
    """Every class, a few at a time; those that hit most replies take longest and start first."""
    with ThreadPoolExecutor(WORKERS) as pool:
        started = sorted(kinds, key=lambda kind: -kind.rate)
        results = pool.map(lambda kind: run_apart(kind, frames, seed), started)
        found = {result.name: result for result in results}
    return {kind.name: found[kind.name] for kind in kinds}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--frames", type=int, default=FRAMES, help="reads a class")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", choices=[kind.name for kind in CLASSES], default=None)
    parser.add_argument("--json", action="store_true", help="run one class here and print its result as JSON")
    chosen = parser.parse_args()
    kinds = tuple(kind for kind in CLASSES if chosen.only is None or kind.name in chosen.only)
    if chosen.json:
        print(json.dumps(asdict(run(kinds[0], chosen.frames, chosen.seed))))
        return 0
    started_s = monotonic()
    results = run_all(chosen.frames, chosen.seed, kinds)
    print(f"seed {chosen.seed}")
    for result in results.values():
        print(result.line())
    wrong = sum(result.wrong + result.wrong_after for result in results.values())
    print(f"wrong values accepted: {wrong}; {monotonic() - started_s:.0f} s")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
