"""Devices that never stop sending: the poll ends with a clear error in its time, and memory stays as it was.

A USB adapter is not held to the line's speed, so what floods here sends as fast as it is taken.
"""

from __future__ import annotations

import os
import re
import select
import socket
import subprocess
import sys
import time
import tty
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from monitor.clock import SystemClock
from monitor.devices.health import HealthRecord
from monitor.devices.port import SerialPort
from monitor.devices.profile_file import find_profile
from monitor.devices.rtu import RtuLink
from monitor.devices.tcp import MOST_HEARD, TcpLink
from monitor.devices.text_device import TextDevice
from monitor.devices.timing import LineTiming
from monitor.errors import BadFrame, DeviceError, ForeignReply, NoAnswer

TIMEOUT_S = 0.1
LONGEST_S = 20.0
"""Far more than any of these polls may take, so that a busy computer is no fault."""

GROWN_MB = 20.0
"""Such a flood brings some 5 MB in each tenth of a second; the rest is what other tests may free or take."""

TOLD = {BadFrame, ForeignReply, NoAnswer}
"""Noise holds frames by chance, and the sender may need a moment to begin; no other error may come."""

SENDER = """
import os, socket, sys
noise = bytes(each for each in os.urandom(4096) if each not in b"\\r\\n")
if sys.argv[1] == "connections":
    calling = socket.socket(fileno=0)
    while True:
        talking, _ = calling.accept()
        talking.recv(1)
        try:
            while True:
                talking.send(noise)
        except OSError:
            talking.close()
if sys.argv[1] == "when asked":
    os.read(0, 1)
while True:
    os.write(0, noise)
"""
"""Sends without an end, and without a line's end, until it is killed."""


@contextmanager
def flooded(fd, how):
    """A process that floods a descriptor 'at once' or 'when asked', or all 'connections' of a server."""
    sender = subprocess.Popen([sys.executable, "-c", SENDER, how], stdin=fd)
    try:
        yield
    finally:
        sender.kill()
        sender.wait()


@pytest.fixture
def pty():
    """Both ends of a pseudo-terminal, the far one and ours; a test opens ours by its path."""
    far, near = os.openpty()
    tty.setraw(far)
    tty.setraw(near)
    yield far, near
    os.close(far)
    os.close(near)


def resident_MB():
    return int(re.search(r"VmRSS:\s+(\d+)", Path("/proc/self/status").read_text())[1]) / 1024


def errors_of(poll, times=3):
    """The errors of some polls, each in time and all without growing."""
    before_MB, errors = resident_MB(), []
    for _ in range(times):
        started_s = time.monotonic()
        with pytest.raises(DeviceError) as failed:
            poll()
        errors.append(failed.value)
        assert time.monotonic() - started_s < LONGEST_S
    assert resident_MB() - before_MB < GROWN_MB
    return errors


@pytest.mark.parametrize("begins", ["at once", "when asked"])
def test_noise_without_an_end_on_a_modbus_line(pty, begins):
    """Begun with the request it has passed the wait for silence: the wait for the answer must end, too."""
    far, near = pty
    with closing(RtuLink(os.ttyname(near), baud=115200, timeout_s=TIMEOUT_S)) as link, flooded(far, begins):
        errors = errors_of(lambda: link.read(1, 3, 0, 20))
    assert {type(error) for error in errors} <= TOLD


def test_text_without_a_line_end(pty, tmp_path):
    far, near = pty
    path, clock = os.ttyname(near), SystemClock()
    port, health = SerialPort(path, LineTiming(9600, "none", 1)), HealthRecord("shunt", path, clock.now_ms())
    device = TextDevice("shunt", find_profile("marsh-shunt", tmp_path), port, TIMEOUT_S, 1.0, health, clock)
    with closing(device), flooded(far, "at once"):
        assert select.select([near], [], [], LONGEST_S)[0]
        (error,) = errors_of(device.poll, times=1)
    assert re.search(
        r"\d+ characters came within 1.1 s, but no line .* check that the profile is", str(error)
    )


def test_nonsense_without_an_end_over_the_network():
    with (
        socket.create_server(("127.0.0.1", 0)) as server,
        flooded(server.fileno(), "connections"),
        closing(TcpLink(*server.getsockname(), timeout_s=TIMEOUT_S)) as link,
    ):
        errors = errors_of(lambda: link.read(1, 3, 0, 20))
    assert {type(error) for error in errors} <= TOLD
    told = [int(found[1]) for error in errors if (found := re.search(r"(\d+) bytes came", str(error)))]
    assert all(heard < 2 * MOST_HEARD for heard in told), "it does not listen on until the time-out"
