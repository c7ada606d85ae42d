"""A sender of text lines of the tests' own on a pseudo-terminal: numbered lines, faults on request.

Run in a process of its own (`python -m tests.faults.text_peer PLAN FILE`), driven like `peer.py`. Each line's
values follow from its number alone, so that whatever is believed can be looked up; the number of the last
line stands in FILE. Checksums are made here again: XOR of the characters as in NMEA 0183, CRC-16/MODBUS.
"""

from __future__ import annotations

import json
import mmap
import os
import random
import select
import struct
import sys
from collections import deque
from dataclasses import dataclass
from time import monotonic

from tests.faults.peer import WORDS_PER_REQUEST, PeerProcess, crc16, new_terminal, tell

KEYS = ("V", "I", "T", "W")
HELD_LINES = 4
"""A late line comes with the fourth after it."""


@dataclass
class TextPlan:
    """How the sender behaves; rate is the share of lines that the fault hits."""

    interval_s: float = 0.02
    checksum: str = "crc16"
    fault: str = "none"
    rate: float = 0.0
    seed: int = 1


def value(key: str, number: int) -> str:
    """What line `number` says under a key: 0.000 to 65.535, another in each line."""
    return f"{(number * WORDS_PER_REQUEST + KEYS.index(key) * 16411 & 0xFFFF) / 1000:.3f}"


def whole_line(body: bytes, checksum: str) -> bytes:
    if checksum == "crc16":
        check = b"%04X" % struct.unpack("<H", crc16(body))[0]
    else:
        xor = 0
        for character in body:
            xor ^= character
        check = b"%02X" % xor
    return body + b"*" + check + b"\r\n"


class Sender:
    """Makes the bytes of each line, spoilt or not."""

    def __init__(self, plan: TextPlan) -> None:
        self.plan = plan
        self.random = random.Random(plan.seed)
        self.number = self.hit = self.lost = 0
        self._held: deque[tuple[int, bytes]] = deque()

    def next(self) -> bytes:
        self.number += 1
        true = self._line(";".join(f"{key}={value(key, self.number)}" for key in KEYS))
        fault = self.plan.fault if self.random.random() < self.plan.rate else "none"
        self.hit += fault != "none"
        if fault == "late" or self._held:  # a line never overtakes another
            self._held.append((self.number + HELD_LINES * (fault == "late"), true))
            out = b""
            while self._held and self._held[0][0] <= self.number:
                out += self._held.popleft()[1]
            return out
        return self.spoilt(fault, true)

    def forget_held(self) -> None:
        self._held.clear()

    def _line(self, text: str) -> bytes:
        return whole_line(text.encode(), self.plan.checksum)

    def spoilt(self, fault: str, true: bytes) -> bytes:
        draw = self.random
        at = draw.randrange(len(true))
        match fault:
            case "none":
                return true
            case "silence":
                return b""
            case "bit_flip":
                return true[:at] + bytes((true[at] ^ 1 << draw.randrange(8),)) + true[at + 1 :]
            case "bit_flips":
                spoilt = bytearray(true)
                for _ in range(draw.randint(2, 3)):
                    spoilt[draw.randrange(len(true))] ^= 1 << draw.randrange(8)
                return bytes(spoilt)
            case "drop_byte":
                return true[:at] + true[at + 1 :]
            case "drop_bytes":
                return true[:at] + true[at + draw.randint(2, 3) :]
            case "truncate":
                return true[:at]
            case "noise":
                return true[:at] + draw.randbytes(draw.randint(1, 12)) + true[at:]
            case "echo":  # what an adapter that hears itself would make of it: all twice
                return true + true
            case "foreign":
                return self._line(f"A={draw.randrange(100)};B={draw.randrange(100)}")
            case "flood":  # lines of another kind, about as many as 115200 bit/s carry
                return b"".join(self._line(f"STATE={draw.randrange(1000)}") for _ in range(10)) + true
        raise ValueError(f"fault {fault!r} is unknown")


def serve_forever(plan: TextPlan, shared: str) -> None:
    sender = Sender(plan)
    master, slave = new_terminal()
    os.set_blocking(master, False)
    with open(shared, "r+b") as file, mmap.mmap(file.fileno(), 4) as counter:
        tell({"path": os.ttyname(slave)})
        due_s = monotonic()
        while True:
            due_s = max(due_s + plan.interval_s, monotonic() - 1)
            while (left_s := due_s - monotonic()) > 0:
                if not select.select((sys.stdin,), (), (), left_s)[0]:
                    continue
                order = sys.stdin.readline()
                if not order:
                    return
                changes = json.loads(order)
                plugged = changes.pop("plugged", master >= 0)
                for key, new in changes.items():
                    setattr(plan, key, new)
                if plugged and master < 0:
                    master, slave = new_terminal()
                    os.set_blocking(master, False)
                elif not plugged and master >= 0:
                    os.close(master)
                    os.close(slave)
                    master = -1
                    sender.forget_held()
                path = os.ttyname(slave) if plugged else None
                tell({"path": path, "hit": sender.hit, "number": sender.number, "lost": sender.lost})
            if master < 0:
                continue
            counter[:4] = struct.pack("<I", sender.number + 1)
            out = sender.next()
            try:
                sender.lost += len(out) - os.write(master, out)
            except BlockingIOError:
                sender.lost += len(out)  # nobody reads; what does not fit is lost, as in an adapter


class TextPeer(PeerProcess):
    """The sender's process."""

    def __init__(self, plan: TextPlan) -> None:
        super().__init__("tests.faults.text_peer", plan, 1)


if __name__ == "__main__":
    serve_forever(TextPlan(**json.loads(sys.argv[1])), sys.argv[2])
