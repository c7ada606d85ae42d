"""Whatever bytes come as an answer: registers that truly were in a sound answer to this request, or an error.

Nothing hangs: a read asks at most six times (monitor/devices/rtu.py: TRIES, and a probe behind it).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

import pytest
from hypothesis import event, example, given
from hypothesis import strategies as st

from monitor.devices.modbus import (
    find_answer,
    find_refusal,
    missing_characters,
    registers_in,
    sound_sender,
)
from monitor.devices.rtu import TRIES, RtuLink
from monitor.devices.tcp import TcpLink
from monitor.errors import DeviceError
from tests.faults.peer import crc16
from tests.faults.tcp_peer import framed
from tests.fuzz.answering import Replying
from tests.fuzz.drawn import fuzzed

UNIT, FUNCTION, ADDRESS, COUNT = 1, 4, 7, 2


def sealed(body: bytes) -> bytes:
    return body + crc16(body)


BODIES = st.one_of(
    st.binary(min_size=2, max_size=20),
    st.builds(
        lambda unit, function, count, data: bytes((unit, function, count)) + data,
        st.sampled_from([0, 1, 1, 1, 2, 247, 255]),
        st.sampled_from([1, 3, 4, 4, 4, 6, 16, 0x83, 0x84, 255]),
        st.sampled_from([0, 1, 2, 4, 4, 4, 6, 8, 250, 255]),
        st.binary(max_size=8),
    ),
)
HEARD = st.lists(st.one_of(BODIES.map(sealed), BODIES, st.binary(max_size=6)), max_size=4).map(b"".join)


@fuzzed(300)
@given(heard=HEARD, unit=st.integers(1, 247), function=st.sampled_from([3, 4]), count=st.integers(1, 125))
@example(heard=sealed(b"\x01\x04\x04\x00\x01\x00\x02"), unit=1, function=4, count=2)
@example(heard=b"\x01\x04\x04" + sealed(b"\x01\x04\x04\x00\x01\x00\x02"), unit=1, function=4, count=2)
def test_what_is_found_in_any_bytes_is_a_sound_answer_to_what_was_asked(
    heard: bytes, unit: int, function: int, count: int
) -> None:
    for data in (heard, bytearray(heard)):
        found = find_answer(data, unit, function, count)
        if found is not None:
            frame = bytes(data[found.start : found.end])
            assert frame[:3] == bytes((unit, function, 2 * count))
            assert frame == sealed(frame[:-2])
            assert registers_in(frame) == struct.unpack(f">{count}H", frame[3:-2])
        refusal = find_refusal(data, unit, function)
        if refusal is not None:
            frame = bytes(data[refusal.start : refusal.end])
            assert frame[:2] == bytes((unit, function | 0x80))
            assert frame == sealed(frame[:-2])
        assert missing_characters(data, unit, function, count) <= 5 + 2 * count
        sender = sound_sender(data)
        assert sender is None or sender in data
        assert sender is not None or (found is None and refusal is None)


def true(request: bytes) -> bytes:
    """What a device answers: registers from the address on that count up."""
    unit, function, address, count = struct.unpack(">BBHH", request[:6])
    return sealed(struct.pack(f">BBB{count}H", unit, function, 2 * count, *range(address, address + count)))


def true_framed(request: bytes) -> bytes:
    transaction, unit = struct.unpack(">H4xB", request[:7])
    return framed(transaction, unit, true(request[6:])[1:-2])


SENT = st.lists(
    st.one_of(
        st.none(),
        st.none(),
        st.none(),
        st.just(sealed(bytes((UNIT, FUNCTION, 4, 0, 9, 0, 8)))),
        st.just(sealed(bytes((UNIT, FUNCTION, 2, 0, 9)))),
        st.just(sealed(bytes((UNIT, FUNCTION | 0x80, 2)))),
        HEARD,
    ),
    max_size=10,
)


@pytest.fixture(scope="module")
def port() -> Iterator[Replying]:
    with Replying(network=False, true=true) as far_end:
        yield far_end


@pytest.fixture(scope="module")
def server() -> Iterator[Replying]:
    with Replying(network=True, true=true_framed) as far_end:
        yield far_end


@fuzzed(40)
@given(replies=SENT)
@example(replies=[None] * 8)
def test_a_serial_link_gives_only_what_was_sent_soundly_and_ends(
    port: Replying, replies: list[bytes]
) -> None:
    port.begin(replies)
    link = RtuLink(port.path, baud=460800, timeout_s=0.01)
    try:
        registers = link.read(UNIT, FUNCTION, ADDRESS, COUNT)
    except DeviceError as error:
        event(error.kind)
        told = str(error)
        assert port.path in told
    else:
        event("believed")
        wanted = sealed(struct.pack(">BBB2H", UNIT, FUNCTION, 2 * COUNT, *registers))
        assert any(wanted in said for said in port.said)
    finally:
        link.close()
    assert len(port.asked) <= 2 * TRIES
    assert all(request[:2] == bytes((UNIT, FUNCTION)) for request in port.asked)


PDUS = st.one_of(
    st.just(bytes((FUNCTION, 4, 0, 9, 0, 8))),
    st.just(bytes((FUNCTION | 0x80, 2))),
    BODIES.map(lambda body: body[1:]),
    st.binary(max_size=12),
)
NETWORK = (
    st.lists(
        st.one_of(
            st.builds(framed, st.sampled_from([1, 1, 1, 0, 2]), st.sampled_from([1, 1, 1, 0, 2]), PDUS),
            st.binary(max_size=30),
        ),
        max_size=3,
    ).map(b"".join)
    | st.none()
)


@fuzzed(60)
@given(reply=NETWORK)
@example(reply=None)
@example(reply=framed(1, UNIT, bytes((FUNCTION, 4, 0, 9, 0, 8))))
def test_a_network_link_gives_only_what_was_sent_soundly_and_ends(
    server: Replying, reply: bytes | None
) -> None:
    server.begin([reply])
    link = TcpLink("127.0.0.1", server.port, timeout_s=0.02)
    try:
        registers = link.read(UNIT, FUNCTION, ADDRESS, COUNT)
    except DeviceError as error:
        event(error.kind)
        told = str(error)
        assert str(server.port) in told
    else:
        event("believed")
        assert server.said[-1][2:] == framed(0, UNIT, struct.pack(">BB2H", FUNCTION, 4, *registers))[2:]
    finally:
        link.close()
    assert len(server.asked) <= 1
