"""Both links read a server that shares no code with them: libmodbus, in C, in its own process."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from monitor.devices.link import RegisterLink
from monitor.devices.rtu import RtuLink
from monitor.devices.tcp import TcpLink
from monitor.errors import NoAnswer, Refused
from tests.interop.libmodbus_server import REGISTERS, holding_register, input_register

UNIT = 17
BAUD = 19200


@contextmanager
def process(module: str, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    child = subprocess.Popen(
        [sys.executable, "-m", module, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with child:  # closes the pipes, which ends the child, and waits for it
        yield child


def line_of(child: subprocess.Popen[str]) -> str:
    assert child.stdout is not None
    line = child.stdout.readline()
    assert line, "the process has ended"
    return line


def tapped(wire: subprocess.Popen[str]) -> bytes:
    """All bytes that the monitor has put on the wire."""
    assert wire.stdin is not None
    wire.stdin.write("\n")
    wire.stdin.flush()
    return bytes.fromhex(json.loads(line_of(wire)))


@contextmanager
def serial_line(unit: int) -> Iterator[tuple[RtuLink, subprocess.Popen[str]]]:
    with process("tests.interop.wire", str(BAUD)) as wire:
        near, far = line_of(wire).split()
        with process("tests.interop.libmodbus_server", "rtu", far, str(BAUD), str(unit)) as server:
            assert line_of(server).startswith("ready")
            link = RtuLink(near, baud=BAUD, parity="even", timeout_s=1.0)
            yield link, wire
            link.close()


@contextmanager
def network_line(unit: int) -> Iterator[TcpLink]:
    with process("tests.interop.libmodbus_server", "tcp", str(unit)) as server:
        link = TcpLink("127.0.0.1", int(line_of(server).split()[1]), timeout_s=1.0)
        yield link
        link.close()


def check_registers(link: RegisterLink) -> None:
    for address, count in ((0, 1), (0, 25), (700, 9), (40, 5), (0x0300, 4), (REGISTERS - 2, 2), (0, 125)):
        expected = range(address, address + count)
        assert link.read(UNIT, 4, address, count) == tuple(map(input_register, expected))
        assert link.read(UNIT, 3, address, count) == tuple(map(holding_register, expected))


def check_refusal(link: RegisterLink) -> None:
    # Modbus Application Protocol V1.1b3, 7: code 2, the last register asked for does not exist
    with pytest.raises(Refused, match="registers 799 to 800 with code 2, illegal data address") as refusal:
        link.read(UNIT, 4, REGISTERS - 1, 2)
    assert refusal.value.code == 2
    assert link.read(UNIT, 4, REGISTERS - 1, 1) == (input_register(REGISTERS - 1),)


def test_registers_over_the_serial_line() -> None:
    with serial_line(UNIT) as (link, _):
        check_registers(link)
        check_refusal(link)
        assert link.remarks() == ()


def test_registers_over_the_network() -> None:
    with network_line(UNIT) as link:
        check_registers(link)
        check_refusal(link)


def test_only_functions_3_and_4_reach_the_wire() -> None:
    with serial_line(UNIT) as (link, wire):
        for function in (3, 4):
            link.read(UNIT, function, 40, 3)
        sent = tapped(wire)
        assert [sent[start + 1] for start in range(0, len(sent), 8)] == [3, 4]


@pytest.mark.parametrize("function", [0, 1, 2, 5, 6, 15, 16, 22, 23, 43, 0x83])
def test_any_other_function_is_refused_before_the_wire(function: int) -> None:
    with serial_line(UNIT) as (link, wire):
        with pytest.raises(ValueError, match="only reads"):
            link.read(UNIT, function, 0, 1)
        assert tapped(wire) == b""


def test_a_wrong_unit_is_silence() -> None:
    with serial_line(UNIT) as (link, _):
        with pytest.raises(NoAnswer, match="unit number"):
            link.read(UNIT + 1, 4, 0, 1)
        assert link.read(UNIT, 4, 0, 1) == (input_register(0),)
