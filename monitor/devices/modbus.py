"""What both Modbus links share: checking a read, building it, knowing its answer, naming a refusal.

Frames and messages are pymodbus's (its RTU framer, checksum and message classes); what it leaves
unchecked, function and length of a reply against the request, is checked here.
"""

from __future__ import annotations

from dataclasses import dataclass

from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadHoldingRegistersResponse,
    ReadInputRegistersRequest,
)

from monitor.devices.link import READ_FUNCTIONS
from monitor.devices.timing import EXCEPTION_CHARACTERS, reply_characters
from monitor.errors import Refused

MOST_REGISTERS = 125
"""Registers in one read. Source: Modbus Application Protocol V1.1b3 (MBA), 6.3 and 6.4."""

LAST_UNIT = 247
"""Highest unit address. Source: Modbus over Serial Line V1.02 (MBS), 2.2."""

REGISTERS = 65536
"""Registers that an address can name."""

EXCEPTION_BIT = 0x80
"""A refusal carries the function with this bit set. Source: MBA 7."""

EXCEPTIONS = {
    1: "illegal function: the device does not know this kind of read; check the profile's function (3 or 4)",
    2: "illegal data address: some of these registers do not exist; check the profile's addresses and gaps",
    3: "illegal data value: usually more registers than the device gives at once; check the profile's limit",
    4: "device failure: the device could not do it; look at the device itself",
    5: "acknowledge: the device needs longer; it is asked again at the next poll",
    6: "busy: the device has other work; it is asked again at the next poll",
    8: "memory parity error: the device's memory is damaged; look at the device itself",
    10: "gateway path unavailable: check the gateway's settings",
    11: "gateway target failed to respond: check the wiring behind the gateway and the unit number",
}
"""Names of the codes. Source: MBA 7; the advice is ours."""

_FRAMER = FramerRTU(DecodePDU(is_server=False))


def check_read(unit: int, function: int, address: int, count: int) -> None:
    """Raises ValueError unless this is a read that a device can be asked for; nothing else passes."""
    if function not in READ_FUNCTIONS:
        raise ValueError(f"function {function}: the monitor only reads, with function 3 or 4")
    if not 1 <= unit <= LAST_UNIT:
        raise ValueError(f"unit {unit}: give the device's own number, 1 to {LAST_UNIT}")
    if not 1 <= count <= MOST_REGISTERS:
        raise ValueError(f"count {count}: one read takes 1 to {MOST_REGISTERS} registers; split it")
    if not 0 <= address <= REGISTERS - count:
        raise ValueError(f"address {address}: registers {address} to {address + count - 1} leave 0 to 65535")


def read_frame(unit: int, function: int, address: int, count: int) -> bytes:
    """The RTU frame that asks for `count` registers; arguments as checked by `check_read`."""
    kind = ReadHoldingRegistersRequest if function == 3 else ReadInputRegistersRequest
    frame: bytes = _FRAMER.buildFrame(kind(dev_id=unit, address=address, count=count))
    return frame


def registers_in(frame: bytes) -> tuple[int, ...]:
    """The registers of a sound RTU reply (unit, function, byte count, data, checksum)."""
    reply = ReadHoldingRegistersResponse()
    reply.decode(frame[2:-2])
    return tuple(reply.registers)


def is_sound(frame: bytes) -> bool:
    """Whether the frame's last two bytes are the checksum of those before."""
    return FramerRTU.check_CRC(frame[:-2], int.from_bytes(frame[-2:], "big"))


@dataclass(frozen=True, slots=True)
class Found:
    """Where a sound frame lies in what was heard: buffer[start:end]."""

    start: int
    end: int


def find_answer(heard: bytes | bytearray, unit: int, function: int, count: int) -> Found | None:
    """The first sound answer with `count` registers, wherever it lies among noise; None if there is none."""
    return _find(heard, bytes((unit, function, 2 * count)), reply_characters(count))


def find_refusal(heard: bytes | bytearray, unit: int, function: int) -> Found | None:
    """The first sound refusal of `function` by `unit`, wherever it lies among noise."""
    return _find(heard, bytes((unit, function | EXCEPTION_BIT)), EXCEPTION_CHARACTERS)


def _find(heard: bytes | bytearray, header: bytes, length: int) -> Found | None:
    start = heard.find(header)
    while 0 <= start <= len(heard) - length:
        if is_sound(bytes(heard[start : start + length])):
            return Found(start, start + length)
        start = heard.find(header, start + 1)
    return None


def missing_characters(heard: bytes | bytearray, unit: int, function: int, count: int) -> int:
    """Characters that must still come, at the least, before what was heard can be a whole answer."""
    if len(heard) < 3:
        return EXCEPTION_CHARACTERS - len(heard)
    if heard.startswith(bytes((unit, function, 2 * count))):
        return reply_characters(count) - len(heard)
    if heard.startswith(bytes((unit, function | EXCEPTION_BIT))):
        return EXCEPTION_CHARACTERS - len(heard)
    return 1


def sound_sender(heard: bytes | bytearray) -> int | None:
    """The unit named by the first sound frame of any content in what was heard; None if all is damaged."""
    for start in range(len(heard) - EXCEPTION_CHARACTERS + 1):
        rest = bytes(heard[start:])
        function = rest[1]
        if function & EXCEPTION_BIT:
            length = EXCEPTION_CHARACTERS
        elif function in (1, 2, 3, 4):
            length = 5 + rest[2]
        else:
            length = 8  # the answers to writes repeat address and value (MBA 6.5, 6.6, 6.11, 6.12)
        if len(rest) >= length and is_sound(rest[:length]):
            return rest[0]
    return None


def refused(where: str, function: int, address: int, count: int, code: int) -> Refused:
    """The error for a refusal with this code; `where` names line and unit."""
    meaning = EXCEPTIONS.get(code, "a code that the standard does not name; see the device's manual")
    registers = f"register {address}" if count == 1 else f"registers {address} to {address + count - 1}"
    return Refused(f"{where} refuses function {function} for {registers} with code {code}, {meaning}", code)
