"""A Modbus RTU device of the tests' own on a pseudo-terminal: raw bytes, true pace, faults on request.

Nothing of the monitor or of a Modbus library is used here; frames and checksum are written out.
Run in a process of its own (`python -m tests.faults.peer PLAN FILE`): one line of JSON with the path when
ready, then a line on standard input for each change of the fault plan; the end of standard input ends it.

Register values depend on the address and on the number of the request that asked for them, so that
a value of an older request is always recognised. The number of requests received so far stands in FILE.
An order {"plugged": false} takes the pseudo-terminal away, {"plugged": true} brings another.
"""

from __future__ import annotations

import json
import mmap
import os
import random
import select
import struct
import subprocess
import sys
import tempfile
import tty
from collections import deque
from dataclasses import asdict, dataclass, field
from time import monotonic, sleep
from types import TracebackType
from typing import Any, Self

UNIT = 1
LENGTHS = 126  # numbers in FILE: of the last request, of the last for 1, 2, ... 125 registers
PAGE = 64  # then the same for the registers of each page of so many addresses, 16 pages
SHARED = LENGTHS * 17
WAYS = ("latency", "long_latency")
WORDS_PER_REQUEST = 40503  # odd, so that different request numbers give different words (modulo 65536)


def crc16(data: bytes) -> bytes:
    """Checksum on the wire, low byte first. Source: Modbus over Serial Line V1.02, 6.2.2."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return struct.pack("<H", crc)


def word(address: int, number: int) -> int:
    """The register at `address` as the request with this number sees it."""
    return (number * WORDS_PER_REQUEST + address * 257) & 0xFFFF


def counter_of(address: int, count: int) -> int:
    """Where in FILE the number of the last request for so many registers of an address's page stands."""
    return LENGTHS * (1 + address // PAGE % 16) + count


def words(address: int, count: int, number: int) -> tuple[int, ...]:
    """`count` registers from `address` as the request with this number sees them."""
    return tuple(word(address + i, number) for i in range(count))


@dataclass
class Plan:
    """How the peer behaves. fault is a name that Device knows, rate the share of replies that it hits."""

    baud: int = 115200
    turnaround_s: float = 0.0005
    timeout_s: float = 0.02  # the client's, for faults that are set by it
    fault: str = "none"
    rate: float = 0.0
    seed: int = 1
    reply_gap: bool = True  # wait t3.5 after the request, as the standard asks


@dataclass
class Line:
    """The pseudo-terminal with the pace of a wire, and what went over it."""

    master: int
    character_s: float
    gap_s: float
    requests: list[bytes] = field(default_factory=list)
    gaps_s: list[float] = field(default_factory=list)
    last_sent_s: float = 0.0

    def send(self, frame: bytes, start_s: float) -> None:
        """Each byte is readable when its last bit would be through; the first starts at start_s."""
        sent = 0
        while sent < len(frame):
            now = monotonic()
            due = min(len(frame), int((now - start_s) / self.character_s))
            if due > sent:
                os.write(self.master, frame[sent:due])
                # Not the time after the write: this process may lose the processor there to the reader. On
                # the wire the character ended when it was due, which is earlier still.
                self.last_sent_s = now
                sent = due
            else:
                sleep(max(0.0, start_s + (sent + 1) * self.character_s - now))


def exception(unit: int, function: int, code: int) -> bytes:
    body = bytes((unit, function | 0x80, code))
    return body + crc16(body)


def reply(unit: int, function: int, values: tuple[int, ...]) -> bytes:
    body = bytes((unit, function, 2 * len(values))) + struct.pack(f">{len(values)}H", *values)
    return body + crc16(body)


class Device:
    """Answers reads of any address; each request gets the next number."""

    def __init__(self, plan: Plan, line: Line, counter: mmap.mmap) -> None:
        self.plan, self.line, self.counter = plan, line, counter
        self.random = random.Random(plan.seed)
        self.number = 0
        self.hit = 0
        self.held_back: deque[tuple[float, bytes]] = deque()  # on a long way, in order: due at, frame
        self.overtaken: deque[tuple[float, bytes]] = deque()  # others may come before these

    def serve(self, frame: bytes, heard_s: float) -> None:
        plan, line = self.plan, self.line
        unit, function, address, count = struct.unpack(">BBHH", frame[:6])
        self.number += 1
        self.counter[:4] = struct.pack("<I", self.number)
        for at in (count, counter_of(address, count)):
            self.counter[4 * at : 4 * at + 4] = struct.pack("<I", self.number)
        if frame[6:] != crc16(frame[:6]) or unit != UNIT:
            return
        true = reply(unit, function, words(address, count, self.number))
        # The request became readable all at once; on a wire it would still be under way.
        start_s = heard_s + 8 * line.character_s + (line.gap_s if plan.reply_gap else 0.0) + plan.turnaround_s
        fault = plan.fault if self.random.random() < plan.rate else "none"
        self.hit += fault != "none"
        later_s = {
            "latency": 1.6 * plan.timeout_s,  # a long way, as by radio: each answer so much later
            "long_latency": 7.5 * plan.timeout_s,
        }
        if fault in later_s:
            due_s = start_s + later_s[fault]
            last_s = self.held_back[-1][0] if self.held_back else due_s
            self.held_back.append((max(due_s, last_s), true))
            return
        if fault == "overtaken":  # answers to later requests come first, as no wire does
            self.overtaken.append((start_s + plan.timeout_s + 0.030, true))
            return
        delay_s, frames = self.spoil(fault, true, frame, function, address, count)
        if fault.startswith("echo"):
            line.send(frame, heard_s)
        self.send_held_back(start_s)
        if self.held_back:  # what is on the way already comes first
            due_s = max(start_s + delay_s, self.held_back[-1][0])
            self.held_back.extend((due_s, out) for out in frames)
            return
        start_s = max(start_s, line.last_sent_s + line.gap_s)
        for out in frames:
            line.send(out, max(start_s + delay_s, monotonic()) if delay_s else start_s)
            start_s = monotonic() + line.gap_s

    def next_due_s(self) -> float | None:
        """When the next answer of those that come later is due."""
        return min((held[0][0] for held in (self.held_back, self.overtaken) if held), default=None)

    def send_held_back(self, until_s: float) -> None:
        """Send what is due by then of the answers that come later."""
        for held in (self.held_back, self.overtaken):
            while held and held[0][0] <= until_s:
                due_s, frame = held.popleft()
                self.line.send(frame, max(due_s, self.line.last_sent_s + self.line.gap_s))

    def way_ends(self) -> None:
        """The way is short again: what was still on it comes at once and in order, as a wire brings it."""
        now = monotonic()
        self.held_back = deque((min(due_s, now), frame) for due_s, frame in self.held_back)

    def spoil(
        self, fault: str, true: bytes, request: bytes, function: int, address: int, count: int
    ) -> tuple[float, list[bytes]]:
        """Further delay in s and the frames that go out instead of `true`."""
        draw, timeout_s = self.random, self.plan.timeout_s
        values = words(address, count, self.number)
        match fault:
            case "none" | "echo_then_reply":
                return 0.0, [true]
            case "silence" | "echo_only":
                return 0.0, []
            case "bit_flip":
                spoilt = bytearray(true)
                for _ in range(draw.randint(1, 3)):
                    spoilt[draw.randrange(len(true))] ^= 1 << draw.randrange(8)
                return 0.0, [bytes(spoilt)]
            case "scramble":  # more bits than the checksum is sure to tell
                start, length = draw.randrange(len(true) - 1), draw.randint(2, 8)
                return 0.0, [true[:start] + draw.randbytes(length) + true[start + length :]]
            case "drop_bytes":
                start = draw.randrange(len(true))
                return 0.0, [true[:start] + true[start + draw.randint(1, 3) :]]
            case "truncate":
                return 0.0, [true[: draw.randrange(1, len(true))]]
            case "noise":
                return 0.0, [draw.randbytes(draw.randint(1, 12)) + true + draw.randbytes(draw.randint(0, 3))]
            case "exception":
                return 0.0, [exception(UNIT, function, draw.choice((2, 3, 4, 6)))]
            case "flood":  # one after the other, most of them unasked
                return 0.0, [exception(UNIT, function, draw.choice((2, 3, 4, 6))) for _ in range(10)]
            case "other_function":
                return 0.0, [reply(UNIT, draw.choice([f for f in (1, 2, 3, 4, 6) if f != function]), values)]
            case "other_length":
                wrong = draw.choice([n for n in range(1, 9) if n != count])
                return 0.0, [reply(UNIT, function, words(address, wrong, self.number))]
            case "other_unit":
                return 0.0, [reply(draw.choice((2, 3, 129)), function, values)]
            case "late":
                return timeout_s + 0.030, [true]
            case "far_too_late":  # later than any time-out that the link may grow to
                return 5 * timeout_s + 0.030, [true]
            case "slow":
                return 1.3 * timeout_s, [true]
        raise ValueError(f"fault {fault!r} is unknown")


def serve_forever(plan: Plan, shared: str) -> None:
    master, slave = new_terminal()
    with open(shared, "r+b") as file, mmap.mmap(file.fileno(), 4 * SHARED) as counter:
        character_s = 11 / plan.baud
        line = Line(master, character_s, 3.5 * character_s if plan.baud <= 19200 else 1.750e-3)
        device = Device(plan, line, counter)
        tell({"path": os.ttyname(slave)})
        held = b""
        while True:
            due_s = device.next_due_s()
            wait_s = None if due_s is None else max(0.0, due_s - monotonic())
            heard = (master, sys.stdin) if master >= 0 else (sys.stdin,)
            ready, _, _ = select.select(heard, (), (), wait_s)
            heard_s = monotonic()
            device.send_held_back(monotonic())
            if master in ready:  # before an order, whose answer tells that these are answered
                if not held and line.last_sent_s:
                    line.gaps_s.append(heard_s - line.last_sent_s)
                held += os.read(master, 4096)
                while len(held) >= 8:
                    frame, held = held[:8], held[8:]
                    line.requests.append(frame)
                    device.serve(frame, heard_s)
            if sys.stdin in ready:
                order = sys.stdin.readline()
                if not order:
                    return
                changes = json.loads(order)
                plugged = changes.pop("plugged", master >= 0)
                if plan.fault in WAYS and changes.get("fault", plan.fault) != plan.fault:
                    device.way_ends()
                for key, value in changes.items():
                    setattr(plan, key, value)
                if plugged != (master >= 0):
                    if plugged:
                        master, slave = new_terminal()
                    else:
                        os.close(master)
                        os.close(slave)
                        master = -1
                        device.held_back.clear()
                        device.overtaken.clear()
                    line.master, held = master, b""
                gaps = line.gaps_s
                tell(
                    {
                        "path": os.ttyname(slave) if plugged else None,
                        "hit": device.hit,
                        "number": device.number,
                        "overtaken": len(device.overtaken),  # not sent yet
                        "gaps": len(gaps),
                        "short_gaps": sum(gap < line.gap_s for gap in gaps),
                        "shortest_gap_s": min(gaps, default=None),
                        "functions": sorted({frame[1] for frame in line.requests}),
                        "requests": [frame.hex() for frame in line.requests[-20:]],
                        "cpu_s": sum(os.times()[:2]),
                    }
                )


def new_terminal() -> tuple[int, int]:
    master, slave = os.openpty()
    tty.setraw(slave)
    return master, slave


def tell(message: dict[str, Any]) -> None:
    print(json.dumps(message), flush=True)


class PeerProcess:
    """A far end in a process of its own, seen from a test; `numbers` of them stand in FILE."""

    def __init__(self, module: str, plan: Any, numbers: int) -> None:
        self.shared = tempfile.NamedTemporaryFile()  # noqa: SIM115 - lives as long as the peer
        self.shared.write(bytes(4 * numbers))
        self.shared.flush()
        self._counter = mmap.mmap(self.shared.fileno(), 4 * numbers)
        self.process = subprocess.Popen(
            [sys.executable, "-m", module, json.dumps(asdict(plan)), self.shared.name],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.path: str = self._answer()["path"]

    def _answer(self) -> dict[str, Any]:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, "the peer has ended"
        answer: dict[str, Any] = json.loads(line)
        return answer

    def change(self, **plan: Any) -> dict[str, Any]:
        """Change the plan; what the peer has counted so far."""
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(plan) + "\n")
        self.process.stdin.flush()
        return self._answer()

    @property
    def number(self) -> int:
        """Requests received so far, probes included; lines sent by a sender of text."""
        return self._at(0)

    def _at(self, place: int) -> int:
        number: int = struct.unpack("<I", self._counter[4 * place : 4 * place + 4])[0]
        return number

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait(60)
        self.process.stdout.close()
        self._counter.close()
        self.shared.close()


class Peer(PeerProcess):
    """The Modbus device's process."""

    def __init__(self, plan: Plan) -> None:
        super().__init__("tests.faults.peer", plan, SHARED)

    def asked(self, count: int) -> int:
        """Number of the last request for so many registers: the one whose answer is right now."""
        return self._at(count)

    def asked_at(self, address: int, count: int) -> int:
        """The same, of the last request for registers on the address's own page."""
        return self._at(counter_of(address, count))


if __name__ == "__main__":
    serve_forever(Plan(**json.loads(sys.argv[1])), sys.argv[2])
