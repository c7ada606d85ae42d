"""Modbus TCP: registers over a network, by pymodbus's synchronous client.

The client checks the transaction number and the unit of a reply; function, length and header are checked
here. After any failure but a refusal the connection is dropped, so that nothing late or half received can
reach the next read, and a device that was restarted is found again.
"""

from __future__ import annotations

import logging
import select
import struct

from pymodbus.client.tcp import ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException, ModbusIOException
from pymodbus.pdu import ModbusPDU

from monitor.devices import advice
from monitor.devices.modbus import check_read, refused
from monitor.errors import BadFrame, DeviceError, ForeignReply, LineLost, NoAnswer

# The client logs an error for all that is raised and told here.
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)


MOST_HEARD = 16_384
"""Bytes that may come for an answer, which has 260 at most (Modbus Application Protocol V1.1b3, 4.1); with
more the wait ends (our choice: the client would hold all that comes until the time-out)."""


class TcpLink:
    """The RegisterLink over Modbus TCP; used by one thread at a time.

    host is a name or address, port usually 502, timeout_s the wait for a connection and for an answer.
    """

    def __init__(self, host: str, port: int, *, timeout_s: float = 1.0) -> None:
        if timeout_s <= 0:
            raise ValueError(f"timeout_s {timeout_s}: give the wait for an answer in s, for example 1.0")
        self.name = f"{host}:{port}"
        self._timeout_s = timeout_s
        self._heard = b""
        self._client = ModbusTcpClient(
            host, port=port, timeout=timeout_s, retries=0, trace_packet=self._trace
        )

    def open(self) -> None:
        """Connect; connected already is fine. Raises LineLost."""
        if self._client.socket and select.select((self._client.socket,), (), (), 0)[0]:
            self.close()  # something to read before anything was asked: the device has hung up, or babbles
        if not self._client.connect():  # type: ignore[no-untyped-call]
            raise LineLost(advice.no_connection(self.name))

    def close(self) -> None:
        """Drop the connection; may be called twice."""
        self._client.close()  # type: ignore[no-untyped-call]

    def remarks(self) -> tuple[str, ...]:
        """Nothing: what is wrong with a connection is told as an error."""
        return ()

    def settle(self, unit: int) -> None:
        """Nothing to wait for: every answer bears the number of its question."""

    def read(self, unit: int, function: int, address: int, count: int) -> tuple[int, ...]:
        """`count` registers from `address`; see RegisterLink."""
        check_read(unit, function, address, count)
        self.open()
        where = f"{self.name}, unit {unit}"
        self._heard = b""
        try:
            reply = self._ask(unit, function, address, count)
        # The client's decoder raises plain errors on some malformed replies; none of them may pass.
        except (ModbusException, OSError, struct.error, ValueError, LookupError) as error:
            self.close()
            raise self._translated(error, where) from error
        if reply.isError():
            if reply.function_code == function | 0x80:
                raise refused(where, function, address, count, reply.exception_code)
        elif reply.function_code == function and self._is_whole(unit, function, count):
            return tuple(reply.registers)
        self.close()
        raise ForeignReply(advice.foreign(where, "an answer to another request"))

    def _ask(self, unit: int, function: int, address: int, count: int) -> ModbusPDU:
        if function == 3:
            return self._client.read_holding_registers(address, count=count, device_id=unit)
        return self._client.read_input_registers(address, count=count, device_id=unit)

    def _is_whole(self, unit: int, function: int, count: int) -> bool:
        """Whether what was heard is one reply of exactly the asked length, and nothing before or behind it.

        The client decodes the first frame of what came; an echo of the request in front of the reply bears
        the right transaction number. Header: transaction, protocol 0, bytes that follow, unit; then
        function and byte count. Source: Modbus Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3.
        """
        header = struct.pack(">HHBBB", 0, 3 + 2 * count, unit, function, 2 * count)
        return len(self._heard) == 9 + 2 * count and self._heard[2:9] == header

    def _trace(self, sending: bool, data: bytes) -> bytes:
        """What the client sends, or has heard so far. Raises ValueError where that is far too much."""
        if not sending:
            self._heard = data
            if len(data) > MOST_HEARD:
                raise ValueError("it does not stop sending")
        return data

    def _translated(self, error: Exception, where: str) -> DeviceError:
        if isinstance(error, ConnectionException | OSError):
            return LineLost(advice.connection_lost(where, str(error)))
        if not self._heard and isinstance(error, ModbusIOException):
            return NoAnswer(advice.silent_network(where, self._timeout_s))
        return BadFrame(advice.unusable(where, len(self._heard)))
