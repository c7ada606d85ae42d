"""A Modbus TCP device of the tests' own: raw bytes, header written out, faults on request.

Header of a frame: transaction, protocol 0, bytes that follow, unit.
Source: Modbus Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3.
It runs in a thread of the test and takes one connection at a time, as small devices do.
"""

from __future__ import annotations

import random
import socket
import struct
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from time import sleep
from typing import Any

from tests.faults.peer import UNIT, words


@dataclass
class TcpPlan:
    """How the peer behaves; rate is the share of replies that the fault hits."""

    timeout_s: float = 0.02
    fault: str = "none"
    rate: float = 0.0
    seed: int = 1


def framed(transaction: int, unit: int, message: bytes) -> bytes:
    return struct.pack(">HHHB", transaction, 0, len(message) + 1, unit) + message


def answer(function: int, values: tuple[int, ...]) -> bytes:
    return bytes((function, 2 * len(values))) + struct.pack(f">{len(values)}H", *values)


class TcpPeer:
    """Answers reads of any address on a port of 127.0.0.1; each request gets the next number."""

    def __init__(self, plan: TcpPlan, port: int = 0) -> None:
        self.plan = plan
        self.random = random.Random(plan.seed)
        self.number = self.hit = 0
        self.functions: set[int] = set()
        self._asked: dict[tuple[int, int], int] = {}
        self._there = threading.Event()
        self._there.set()
        self._server = socket.create_server(("127.0.0.1", port))
        self._connection: socket.socket | None = None
        self.port: int = self._server.getsockname()[1]
        self._ending = False
        self._thread = threading.Thread(target=self._run)

    def change(self, **plan: Any) -> dict[str, Any]:
        """Change the plan; what the peer has counted so far. plugged False takes it off the network."""
        plugged = plan.pop("plugged", None)
        if plugged is False:
            self._there.clear()
            self._server.shutdown(socket.SHUT_RDWR)
            self._server.close()
            with suppress(OSError):  # nobody was connected
                self.hang_up()
        elif plugged:
            self._server = socket.create_server(("127.0.0.1", self.port))
            self._there.set()
        for key, value in plan.items():
            setattr(self.plan, key, value)
        return {"hit": self.hit, "number": self.number, "functions": sorted(self.functions)}

    def asked(self, count: int) -> int:
        """Number of the last request; a network link sends no probes of another length than `count`."""
        return self.number

    def asked_at(self, address: int, count: int) -> int:
        """Number of the last request for just these registers."""
        return self._asked.get((address, count), 0)

    def hang_up(self) -> None:
        """End the connection, as a device does that has been idle for long."""
        if self._connection is None:
            raise OSError("nobody is connected")
        self._connection.shutdown(socket.SHUT_RDWR)

    def _run(self) -> None:
        while not self._ending:
            self._there.wait()
            try:
                connection, _ = self._server.accept()
            except OSError:
                continue  # off the network
            self._connection = connection
            with connection:
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                try:
                    self._talk(connection)
                except OSError:
                    continue  # the client hung up in the middle of something: the next connection

    def _talk(self, connection: socket.socket) -> None:
        while len(request := connection.recv(12, socket.MSG_WAITALL)) == 12:
            transaction, _, _, unit, function, address, count = struct.unpack(">HHHBBHH", request)
            self.number += 1
            self.functions.add(function)
            self._asked[address, count] = self.number
            fault = self.plan.fault if self.random.random() < self.plan.rate else "none"
            self.hit += fault != "none"
            if fault == "reset":  # close at once, without the usual farewell
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                return
            if fault == "late":
                sleep(self.plan.timeout_s + 0.030)
            if fault.startswith("echo"):
                connection.sendall(request)
            connection.sendall(self._reply(fault, transaction, unit, function, address, count))

    def _reply(
        self, fault: str, transaction: int, unit: int, function: int, address: int, count: int
    ) -> bytes:
        draw = self.random
        values = words(address, count, self.number)
        true = framed(transaction, unit, answer(function, values))
        spoilt: dict[str, Callable[[], bytes]] = {
            "none": lambda: true,
            "late": lambda: true,
            "echo_then_reply": lambda: true,
            "silence": lambda: b"",
            "echo_only": lambda: b"",
            "bit_flip": lambda: self._flipped(true),
            "drop_bytes": lambda: self._without_some(true),
            "noise": lambda: draw.randbytes(draw.randint(1, 12)) + true + draw.randbytes(draw.randint(0, 3)),
            "flood": lambda: b"".join(
                framed(transaction + more & 0xFFFF, unit, bytes((function | 0x80, draw.choice((2, 3, 4, 6)))))
                for more in range(10)
            ),
            "truncate": lambda: true[: draw.randrange(1, len(true))],
            "exception": lambda: framed(
                transaction, unit, bytes((function | 0x80, draw.choice((2, 3, 4, 6))))
            ),
            "other_function": lambda: framed(transaction, unit, answer(7 - function, values)),
            "other_length": lambda: framed(
                transaction,
                unit,
                answer(
                    function, words(address, draw.choice([n for n in range(1, 9) if n != count]), self.number)
                ),
            ),
            "other_unit": lambda: framed(transaction, UNIT + 1, answer(function, values)),
            "other_transaction": lambda: framed(
                (transaction + draw.choice((-1, 1))) & 0xFFFF,
                unit,
                answer(function, words(address, count, self.number - 1)),
            ),
            "wrong_byte_count": lambda: (
                true[:8] + bytes((draw.choice((0, 1, 2 * count - 1, 2 * count + 2)),)) + true[9:]
            ),
        }
        return spoilt[fault]()

    def _flipped(self, true: bytes) -> bytes:
        """Up to three bits of header, function and byte count: nothing but TCP's own checksum guards the
        registers, and that lets none through to us."""
        spoilt = bytearray(true)
        for _ in range(self.random.randint(1, 3)):
            spoilt[self.random.randrange(9)] ^= 1 << self.random.randrange(8)
        return bytes(spoilt)

    def _without_some(self, true: bytes) -> bytes:
        start = self.random.randrange(len(true))
        return true[:start] + true[start + self.random.randint(1, 3) :]

    def __enter__(self) -> TcpPeer:
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._ending = True
        socket.create_connection(("127.0.0.1", self.port)).close()
        self._thread.join(10)
        self._server.close()
