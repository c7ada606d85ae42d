"""Modbus TCP for the charger: the same registers over a socket, several connections at a time.

Frames: MODBUS Messaging on TCP/IP V1.0b (transaction, protocol 0, length, unit). Bits do not flip here,
because TCP carries its own checksum; silence, lateness, foreign frames, exceptions, broken-off frames and
false values do.
"""

from __future__ import annotations

import contextlib
import select
import socket
import struct
import time

from simulator.modbus_device import RegisterDevice, foreign

HEADER = struct.Struct(">HHHB")
ANY_UNIT = (0, 255)  # used where the address of the connection says enough


class TcpServer:
    """One RegisterDevice on a TCP port of this computer. `serve_once` is called by a thread of its own."""

    def __init__(self, device: RegisterDevice, port: int) -> None:
        """Raises OSError where the port is taken; port 0 takes a free one."""
        self.device = device
        self.port = port
        self._listener: socket.socket | None = None
        self._buffers: dict[socket.socket, bytes] = {}
        self._owed: list[tuple[float, socket.socket, bytes]] = []
        self.plug()

    def plug(self) -> None:
        """Listen; listening already is fine."""
        if self._listener is None:
            self._listener = socket.create_server(("127.0.0.1", self.port), reuse_port=False)
            self.port = self._listener.getsockname()[1]

    def unplug(self) -> None:
        """Refuse new connections and end the present ones."""
        for connection in list(self._buffers):
            self._drop(connection)
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def serve_once(self, timeout_s: float) -> None:
        """Take what has come and send what is due, waiting at most timeout_s."""
        if self._listener is None:
            time.sleep(timeout_s)
            return
        if self._owed:
            timeout_s = min(timeout_s, max(0.0, min(due for due, _, _ in self._owed) - time.monotonic()))
        ready, _, _ = select.select([self._listener, *self._buffers], [], [], timeout_s)
        for connection in ready:
            if connection is self._listener:
                with contextlib.suppress(OSError):  # the caller may have gone again
                    accepted, _ = self._listener.accept()
                    accepted.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    self._buffers[accepted] = b""
            else:
                self._receive(connection)
        self._send_owed()

    def _receive(self, connection: socket.socket) -> None:
        try:
            data = connection.recv(4096)
        except OSError:
            data = b""
        if not data:
            self._drop(connection)
            return
        buffer = self._buffers[connection] + data
        while connection in self._buffers and len(buffer) >= HEADER.size:
            transaction, protocol, length, unit = HEADER.unpack_from(buffer)
            if protocol != 0 or not 2 <= length <= 254:
                self._drop(connection)
                return
            if len(buffer) < 6 + length:
                break
            pdu, buffer = buffer[HEADER.size : 6 + length], buffer[6 + length :]
            self._answer(connection, transaction, unit, pdu)
        if connection in self._buffers:
            self._buffers[connection] = buffer

    def _answer(self, connection: socket.socket, transaction: int, unit: int, pdu: bytes) -> None:
        device = self.device
        if device.silent() or (unit != device.unit and unit not in ANY_UNIT):
            return
        fault = device.fault
        kind = fault.kind if fault.strikes(device.rng) else "none"
        reply = device.reply(pdu, kind)
        if kind in ("foreign_length", "foreign_function", "foreign_unit", "exception"):
            unit, reply = foreign(kind, unit, reply, device.rng, fault.code)
        frame = HEADER.pack(transaction, 0, len(reply) + 1, unit) + reply
        if kind == "echo":
            frame = HEADER.pack(transaction, 0, len(pdu) + 1, unit) + pdu + frame
        if kind == "silence":
            return
        if kind == "truncate":
            with contextlib.suppress(OSError):
                connection.sendall(frame[: device.rng.randrange(1, len(frame))])
            self._drop(connection)
            return
        delay_s = fault.delay_s if kind in ("late", "slow") else 0.0
        self._owed.append((time.monotonic() + delay_s, connection, frame))

    def _send_owed(self) -> None:
        now = time.monotonic()
        due = [owed for owed in self._owed if owed[0] <= now]
        self._owed = [owed for owed in self._owed if owed[0] > now]
        for _, connection, frame in due:
            if connection in self._buffers:
                with contextlib.suppress(OSError):
                    connection.sendall(frame)

    def _drop(self, connection: socket.socket) -> None:
        self._buffers.pop(connection, None)
        connection.close()
