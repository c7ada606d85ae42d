"""The far ends of real wires for tests: a text device and Modbus units on ptys, Modbus units on a socket.

Written from the specifications and independent of the monitor: checksums and words are made here again.
A pty stands under a symbolic link, as an adapter does under its by-id path; unplug and plug change it.
"""

from __future__ import annotations

import os
import select
import socket
import struct
import threading
import time
import tty
from contextlib import suppress
from dataclasses import dataclass
from functools import reduce
from operator import xor
from pathlib import Path

from tests.faults.peer import crc16

Registers = dict[tuple[int, int], int]
"""(function, address) -> word"""


class PtyFarEnd:
    """A pty under a symbolic link. `say` sends bytes to whoever has the link open."""

    def __init__(self, link: Path, plugged: bool = True) -> None:
        self.link = link
        self.master = -1
        if plugged:
            self.plug()

    def plug(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.link.symlink_to(os.ttyname(slave))
        os.close(slave)

    def unplug(self) -> None:
        self.link.unlink()
        master, self.master = self.master, -1
        os.close(master)

    def say(self, data: bytes) -> None:
        os.write(self.master, data)

    def close(self) -> None:
        if self.master >= 0:
            self.unplug()


class Talker:
    """Sends what `line()` gives every interval_s through a pty's far end, until it is stopped."""

    def __init__(self, far_end: PtyFarEnd, line: bytes, interval_s: float) -> None:
        self.far_end, self.line, self.interval_s = far_end, line, interval_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(self.interval_s):
            with suppress(OSError):  # unplugged
                self.far_end.say(self.line)

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(5)


@dataclass
class Manners:
    """How a device takes what it cannot give: the most registers at once, the exception for more, and what
    it does for registers that it does not have ('refuse', 'silent', or a word to answer in their place)."""

    largest: int = 125
    too_many: int = 3
    absent: str | int = "refuse"
    functions: tuple[int, ...] = (3, 4)


def answer(registers: Registers, pdu: bytes, manners: Manners | None = None) -> bytes:
    """The PDU that a device with these registers answers, empty where it stays silent.

    Source: MODBUS Application Protocol V1.1b3, 6.3 to 7.
    """
    manners = manners or Manners()
    function, address, count = struct.unpack(">BHH", pdu)
    wanted = [(function, address + at) for at in range(count)]
    if function not in manners.functions:
        return bytes((function | 0x80, 1))
    if count > manners.largest:
        return bytes((function | 0x80, manners.too_many))
    if isinstance(manners.absent, int):
        registers = {key: registers.get(key, manners.absent) for key in wanted}
    if not all(key in registers for key in wanted):
        return b"" if manners.absent == "silent" else bytes((function | 0x80, 2))
    return struct.pack(f">BB{count}H", function, 2 * count, *(registers[key] for key in wanted))


class RtuFarEnd(PtyFarEnd):
    """Modbus RTU units on one pty; a unit that is not in `units` stays silent. Keeps every request.

    damage_at holds the numbers of requests (0 the first) whose answer goes out with one bit flipped,
    busy_at of those that are answered with exception 06. thought_s is how long a unit thinks.
    """

    def __init__(
        self,
        link: Path,
        units: dict[int, Registers],
        baud: int = 9600,
        plugged: bool = True,
        manners: Manners | None = None,
        thought_s: float = 0.005,
    ) -> None:
        self.units, self.manners, self.thought_s = units, manners, thought_s
        self.requests: list[bytes] = []
        self.damage_at: set[int] = set()
        self.busy_at: set[int] = set()
        self._character_s = 11 / baud
        self._stop = threading.Event()
        super().__init__(link, plugged)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        heard = b""
        while not self._stop.is_set():
            master = self.master
            try:
                if master < 0 or not select.select([master], [], [], 0.05)[0]:
                    heard = b""
                    time.sleep(0.005 if master < 0 else 0)
                    continue
                heard += os.read(master, 256)
            except (OSError, ValueError):  # nobody has the pty open, or it was unplugged
                time.sleep(0.005)
                continue
            while len(heard) >= 8:
                frame, heard = heard[:8], heard[8:]
                if crc16(frame[:6]) == frame[6:]:
                    self._answer(master, frame)

    def _answer(self, master: int, frame: bytes) -> None:
        unit = frame[0]
        self.requests.append(frame)
        if unit not in self.units:
            return
        number = len(self.requests) - 1
        busy = bytes((frame[1] | 0x80, 6))
        pdu = busy if number in self.busy_at else answer(self.units[unit], frame[1:6], self.manners)
        if not pdu:
            return
        body = bytes((unit,)) + pdu
        reply = body + crc16(body)
        if number in self.damage_at:
            reply = reply[:4] + bytes((reply[4] ^ 1,)) + reply[5:]
        # request, silence, thought, reply
        time.sleep(self._character_s * (8 + 3.5 + len(reply)) + self.thought_s)
        with suppress(OSError):
            os.write(master, reply)

    def close(self) -> None:
        self._stop.set()
        self._thread.join(5)
        super().close()


class TcpFarEnd:
    """Modbus TCP units on a socket of this computer (Modbus Messaging on TCP/IP V1.0b, 3.1.3).

    echo: each request is sent back before its answer, as a gateway's line with local echo does. A number that
    is not in `units` gets exception `absent_unit`, as from a gateway, or with None no answer. Keeps every
    request's PDU with the unit before it.
    """

    def __init__(
        self,
        units: dict[int, Registers],
        port: int = 0,
        echo: bool = False,
        manners: Manners | None = None,
        absent_unit: int | None = None,
    ) -> None:
        self.units, self.echo, self.manners, self.absent_unit = units, echo, manners, absent_unit
        self.requests: list[bytes] = []
        self._socket = socket.create_server(("127.0.0.1", port))
        self.port = self._socket.getsockname()[1]
        self._open: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                connection, _ = self._socket.accept()
                self._open.append(connection)
                threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        with suppress(OSError), connection:
            while head := connection.recv(7, socket.MSG_WAITALL):
                transaction, protocol, length, unit = struct.unpack(">HHHB", head)
                pdu = connection.recv(length - 1, socket.MSG_WAITALL)
                self.requests.append(bytes((unit,)) + pdu)
                if unit in self.units:
                    reply = answer(self.units[unit], pdu, self.manners)
                else:
                    reply = b"" if self.absent_unit is None else bytes((pdu[0] | 0x80, self.absent_unit))
                if not reply:
                    continue
                frame = struct.pack(">HHHB", transaction, protocol, len(reply) + 1, unit) + reply
                connection.sendall(head + pdu + frame if self.echo else frame)

    def close(self) -> None:
        self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        for connection in self._open:
            with suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)


def charger_registers() -> Registers:
    """What the marsh charger holds at one moment, packed by hand from its description."""
    (power_low, power_high) = struct.unpack(">HH", struct.pack(">f", 145.5))[::-1]
    words = {
        700: 1264,
        701: 1150,
        702: 1810,
        703: 833,
        704: 0,
        705: 15077,
        706: 0,
        707: 184,
        708: 312,
        712: power_low,
        713: power_high,
        714: 12,
        715: 1 << 2 | 1 << 7,
    }
    registers: Registers = {(4, address): word for address, word in words.items()}
    registers |= {(3, 40): 1480, (3, 41): 1350, (3, 42): 0xFFE2}
    load_power = 231
    registers |= {(3, 43): load_power & 0xFFFF, (3, 44): load_power >> 16}
    return registers


def shunt_line(voltage_V: float, current_A: float = -2.31, temperature_C: float = 18.4) -> bytes:
    """A line of the marsh shunt, made by hand from its description: behind * xor in hexadecimal digits."""
    body = f"V={voltage_V:.2f};I={current_A:.2f};M=6.32;T={temperature_C:.1f}".encode()
    return b"%s*%02X\r\n" % (body, reduce(xor, body))
