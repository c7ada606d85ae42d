"""Far ends of fuzz tests: a link that answers from memory, real ports and sockets that send what is drawn."""

from __future__ import annotations

import os
import select
import socket
import threading
import time
import tty
from collections.abc import Callable, Mapping, Sequence

from monitor.errors import Refused


class Remembering:
    """A link to a device that is nothing but registers. It counts the requests; what is not there it refuses
    as a device does, with exception 2."""

    name = "bench"

    def __init__(self, registers: Mapping[int, int]) -> None:
        self.registers, self.requests = registers, 0

    def open(self) -> None: ...

    def close(self) -> None: ...

    def remarks(self) -> tuple[str, ...]:
        return ()

    def settle(self, unit: int) -> None: ...

    def read(self, unit: int, function: int, address: int, count: int) -> tuple[int, ...]:
        self.requests += 1
        assert function in (3, 4)
        assert 1 <= count <= 125
        assert 0 <= address <= 65536 - count
        wanted = range(address, address + count)
        if not all(at in self.registers for at in wanted):
            raise Refused(f"{self.name} has no register {address}", 2)
        return tuple(self.registers[at] for at in wanted)


class Replying(threading.Thread):
    """A pseudo-terminal or a socket behind which each request gets the next of `replies`, then silence; None
    among them stands for what `true` makes of the request. `asked` are the requests, `said` what was sent.
    """

    def __init__(self, network: bool, true: Callable[[bytes], bytes]) -> None:
        super().__init__(daemon=True)
        self.replies: Sequence[bytes | None] = ()
        self._true = true
        self.asked: list[bytes] = []
        self.said: list[bytes] = []
        self._talks = False  # whether a connection is open
        self._end, self._ended = os.pipe()
        self._server = socket.create_server(("127.0.0.1", 0)) if network else None
        if self._server is not None:
            self.port = self._server.getsockname()[1]
        else:
            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            self.path = os.ttyname(self._slave)
        self.start()

    def begin(self, replies: Sequence[bytes | None]) -> None:
        """Give these from now on; what was asked before is answered first, however slow this computer is."""
        come_in = self._master if self._server is None else self._server.fileno()
        while self._talks or select.select((come_in,), (), (), 0)[0]:
            time.sleep(0.001)
        self.replies, self.asked, self.said = replies, [], []

    def run(self) -> None:
        if self._server is None:
            self._talk(self._master)
            return
        while self._readable(self._server.fileno()):
            self._talks = True
            connection, _ = self._server.accept()
            with connection:
                self._talk(connection.fileno())
            self._talks = False

    def _readable(self, file: int) -> bool:
        return self._end not in select.select((file, self._end), (), ())[0]

    def _talk(self, file: int) -> None:
        while self._readable(file):
            try:
                request = os.read(file, 256)
                if not request:
                    return
                at = len(self.asked)
                self.asked.append(request)
                if at < len(self.replies):
                    reply = self.replies[at]
                    self.said.append(self._true(request) if reply is None else reply)
                    os.write(file, self.said[-1])
            except OSError:  # the link has hung up
                return

    def __enter__(self) -> Replying:
        return self

    def __exit__(self, *error: object) -> None:
        os.write(self._ended, b"x")
        self.join(5)
        files = [self._end, self._ended] + ([] if self._server else [self._master, self._slave])
        for file in files:
            os.close(file)
        if self._server is not None:
            self._server.close()
