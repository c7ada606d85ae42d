"""Requests and replies as the Modbus specifications print them.

MBA: Modbus Application Protocol Specification V1.1b3. MBS: Modbus over Serial Line V1.02.
"""

from __future__ import annotations

import pytest
from pymodbus.framer.rtu import FramerRTU

from monitor.devices.modbus import find_answer, find_refusal, is_sound, read_frame, registers_in


def wire_crc(data: bytes) -> bytes:
    return FramerRTU.compute_CRC(data).to_bytes(2, "big")


@pytest.mark.parametrize(
    ("data", "on_the_wire"),
    [
        # MBS, appendix B, example of CRC generation: frame 02 07 gives 41 then 12 on the wire
        (bytes.fromhex("0207"), "4112"),
        # Catalogue of parametrised CRC algorithms, entry CRC-16/MODBUS: check value 0x4B37 of "123456789"
        (b"123456789", "374B"),
    ],
)
def test_checksum_has_the_published_values(data: bytes, on_the_wire: str) -> None:
    assert wire_crc(data) == bytes.fromhex(on_the_wire)
    assert is_sound(data + bytes.fromhex(on_the_wire))
    assert not is_sound(data + bytes.fromhex(on_the_wire)[::-1])


@pytest.mark.parametrize(
    ("unit", "function", "address", "count", "message"),
    [
        (1, 3, 0x6B, 3, "03 006B 0003"),  # MBA 6.3, example: read registers 108 to 110
        (17, 3, 0x6B, 3, "03 006B 0003"),
        (1, 4, 0x08, 1, "04 0008 0001"),  # MBA 6.4, example: read input register 9
    ],
)
def test_requests_are_those_of_the_specification(
    unit: int, function: int, address: int, count: int, message: str
) -> None:
    frame = read_frame(unit, function, address, count)
    assert frame[:-2] == bytes((unit,)) + bytes.fromhex(message)
    assert is_sound(frame)


@pytest.mark.parametrize(
    ("unit", "function", "address", "count", "frame"),
    # The specification's messages with unit and checksum added; checksums by MBS 6.2.2, apart from this code
    [
        (1, 3, 0x6B, 3, "01 03 00 6B 00 03 74 17"),
        (17, 3, 0x6B, 3, "11 03 00 6B 00 03 76 87"),
        (1, 4, 0x08, 1, "01 04 00 08 00 01 B0 08"),
        (1, 3, 40000, 2, "01 03 9C 40 00 02 EB 8F"),
    ],
)
def test_requests_byte_by_byte(unit: int, function: int, address: int, count: int, frame: str) -> None:
    assert read_frame(unit, function, address, count) == bytes.fromhex(frame)


@pytest.mark.parametrize(
    ("frame", "registers"),
    [
        ("01 03 06 02 2B 00 00 00 64 05 7A", (555, 0, 100)),  # MBA 6.3, example reply
        ("01 04 02 00 0A 39 37", (10,)),  # MBA 6.4, example reply
        ("01 03 04 53 75 6E 53 96 F0", (0x5375, 0x6E53)),  # SunSpec: the marker "SunS" in two registers
    ],
)
def test_replies_decode_as_in_the_specification(frame: str, registers: tuple[int, ...]) -> None:
    reply = bytes.fromhex(frame)
    found = find_answer(reply, 1, reply[1], len(registers))
    assert found is not None
    assert (found.start, found.end) == (0, len(reply))
    assert registers_in(reply) == registers


def test_a_refusal_is_function_with_the_high_bit_and_a_code() -> None:
    # MBA 7: function + 0x80 and code 02, illegal data address
    reply = bytes.fromhex("01 83 02 C0 F1")
    assert find_refusal(reply, 1, 3) is not None
    assert find_refusal(reply, 1, 4) is None
    assert find_answer(reply, 1, 3, 1) is None


def test_a_reply_is_found_behind_noise_and_not_in_a_damaged_one() -> None:
    reply = bytes.fromhex("01 03 06 02 2B 00 00 00 64 05 7A")  # MBA 6.3
    found = find_answer(b"\x00\x01\x03\xff" + reply + b"\x55", 1, 3, 3)
    assert found is not None
    assert found.start == 4
    for bit in range(8 * len(reply)):
        damaged = bytearray(reply)
        damaged[bit // 8] ^= 1 << bit % 8
        assert find_answer(damaged, 1, 3, 3) is None, f"bit {bit}"
