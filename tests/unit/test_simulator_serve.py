"""The simulator as a process: its control channel, its wires' pace, and what can be pulled and spoilt."""

from __future__ import annotations

import csv
import os
import re
import select
import signal
import socket
import struct
import subprocess
import sys
import termios
import time
import tty
from contextlib import suppress
from datetime import datetime

import pytest

from tests.faults.peer import crc16
from tests.serving import ServedSimulator

pytestmark = pytest.mark.timed

CHARACTER_BITS = 11


def request(address, count, function=4, unit=1):
    body = struct.pack(">BBHH", unit, function, address, count)
    return body + crc16(body)


class Port:
    """A serial port opened as a program would."""

    def __init__(self, path):
        self.fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self.fd)
        termios.tcflush(self.fd, termios.TCIOFLUSH)

    def ask(self, frame, expected, timeout_s=1.0):
        """The bytes that came until `expected` were there or the time was over, and how long it took."""
        start = time.monotonic()
        os.write(self.fd, frame)
        data = self.read(expected, timeout_s)
        return data, time.monotonic() - start

    def read(self, expected, timeout_s):
        data, deadline = b"", time.monotonic() + timeout_s
        while len(data) < expected and (left := deadline - time.monotonic()) > 0:
            if select.select([self.fd], [], [], left)[0]:
                data += os.read(self.fd, 512)
        return data

    def close(self):
        os.close(self.fd)


@pytest.fixture
def port():
    opened = []

    def open_port(path):
        opened.append(Port(path))
        return opened[-1]

    yield open_port
    for one in opened:
        one.close()


def words(reply):
    return struct.unpack(f">{reply[2] // 2}H", reply[3 : 3 + reply[2]])


def test_ready_line_names_the_devices(start_simulator):
    simulator = start_simulator(start="2026-11-11T10:00:00Z")
    assert simulator.ready["ready"] is True
    assert simulator.ready["time_ms"] == round(
        datetime.fromisoformat("2026-11-11T10:00:00Z").timestamp() * 1000
    )
    assert simulator.charger["kind"] == "marsh-charger"
    assert (simulator.charger["baud"], simulator.charger["unit"]) == (9600, 1)
    assert simulator.charger["serial"] == str(simulator.ports / "charger")
    assert simulator.shunt == {"kind": "marsh-shunt", "serial": str(simulator.ports / "shunt"), "baud": 9600}
    assert os.path.islink(simulator.charger["serial"])


def test_time_stands_advances_and_runs(start_simulator):
    simulator = start_simulator()
    begin = simulator.ready["time_ms"]
    time.sleep(0.3)
    assert simulator.tell("truth")["time_ms"] == begin
    assert simulator.tell("advance", to_ms=begin + 7 * 3_600_000)["time_ms"] == begin + 7 * 3_600_000
    before_s = time.monotonic()
    simulator.tell("run", speed=600)
    time.sleep(1.0)
    ran = simulator.tell("hold")["time_ms"] - begin - 7 * 3_600_000
    assert 550_000 < ran < 600_000 * (time.monotonic() - before_s) + 100_000
    held = simulator.tell("truth")["time_ms"]
    assert simulator.tell("truth")["time_ms"] == held


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("bake", "not JSON"),
        ('{"do": "bake"}', "expected an object with `do`, one of advance, run"),
        ('{"do": "advance"}', "advance needs to_ms"),
        ('{"do": "advance", "to_ms": 5}', "lies before the present"),
        ('{"do": "run", "speed": -1}', "`speed` must be a number from 0.001"),
        ('{"do": "loads", "name": "kettle", "on": true}', "no load named 'kettle'; there are lamps"),
        ('{"do": "loads", "name": "lamps", "on": 3}', "`on` must be true, false or null"),
        ('{"do": "sky", "clearness": "blue"}', "`clearness` must be a number"),
        ('{"do": "fault", "device": "toaster", "kind": "late"}', "there are charger, shunt"),
        ('{"do": "fault", "device": "shunt", "kind": "echo"}', "must be one of none"),
    ],
)
def test_a_wrong_order_is_answered_and_nothing_ends(serving, line, told):
    answer = serving.ask(line)
    assert answer["ok"] is False
    assert told in answer["error"]
    assert serving.tell("truth")["ok"]


@pytest.fixture(scope="module")
def serving(tmp_path_factory):
    """One simulator for all wrong orders."""
    simulator = ServedSimulator(tmp_path_factory.mktemp("serving"))
    yield simulator
    simulator.stop()


def test_loads_and_sky_obey(start_simulator):
    simulator = start_simulator(start="2026-11-11T11:00:00Z")
    now = simulator.ready["time_ms"]
    simulator.tell("loads", name="lamps", on=True)
    simulator.tell("sky", clearness=0.0)
    simulator.tell("advance", to_ms=now + 60_000)
    truth = simulator.truth()
    assert truth["loads"]["lamps"] == pytest.approx(24 / truth["battery_voltage_V"])
    assert truth["irradiance_W_m2"] == 0
    simulator.tell("loads", name="lamps", on=None)
    simulator.tell("sky", clearness=None)
    simulator.tell("advance", to_ms=now + 120_000)
    truth = simulator.truth()
    assert truth["loads"]["lamps"] == 0
    assert truth["irradiance_W_m2"] > 50


@pytest.mark.parametrize("baud", [9600, 19200, 115200])
def test_replies_come_at_the_pace_of_the_wire(start_simulator, port, baud):
    simulator = start_simulator(scenario=f"[charger]\nbaud = {baud}\n")
    line = port(simulator.charger["serial"])
    count = 9
    # Modbus over Serial Line V1.02: request, silence t3.5, the device's turnaround, reply
    silence_s = 1.75e-3 if baud > 19200 else 3.5 * CHARACTER_BITS / baud
    wire_s = (8 + 5 + 2 * count) * CHARACTER_BITS / baud + silence_s + 0.005
    taken = []
    while len(taken) < 25 or (min(taken) > 1.03 * wire_s and len(taken) < 200):
        reply, seconds = line.ask(request(700, count), 5 + 2 * count)
        assert reply[-2:] == crc16(reply[:-2])
        taken.append(seconds)
        time.sleep(silence_s + 0.002)
    assert min(taken) >= wire_s
    assert min(taken) <= 1.03 * wire_s  # a busy computer makes many longer


def test_a_request_in_pieces_is_one_request_and_a_pause_ends_it(start_simulator, port):
    line = port(start_simulator().charger["serial"])
    frame = request(700, 1)
    for _ in range(20):  # a busy computer makes some pauses longer than t3.5, 4 ms
        os.write(line.fd, frame[:3])
        time.sleep(0.002)
        reply, _ = line.ask(frame[3:], 7, timeout_s=0.5)
        if reply:
            break
    assert reply[-2:] == crc16(reply[:-2])
    os.write(line.fd, frame[:3])
    time.sleep(0.05)  # far beyond t3.5: what follows is a new and broken frame
    assert line.ask(frame[3:], 7, timeout_s=0.2)[0] == b""


def test_other_units_wrong_sums_and_broadcasts_are_met_with_silence(start_simulator, port):
    line = port(start_simulator().charger["serial"])
    for frame in (request(700, 1, unit=2), request(700, 1, unit=0), request(700, 1)[:-1] + b"\0"):
        assert line.ask(frame, 1, timeout_s=0.15)[0] == b""
    assert line.ask(request(700, 1), 7)[0][:3] == bytes([1, 4, 2])


def test_registers_on_the_wire_are_the_truth(start_simulator, port):
    simulator = start_simulator()
    simulator.advance_to("2026-11-11T11:00:00Z")
    line = port(simulator.charger["serial"])
    truth = simulator.truth()
    values = words(line.ask(request(700, 9), 23)[0])
    assert values[0] / 100 == pytest.approx(truth["battery_voltage_V"], abs=0.0051)
    assert values[1] / 100 == pytest.approx(truth["charge_current_A"], abs=0.0051)
    assert values[2] / 100 == pytest.approx(truth["array_voltage_V"], abs=0.0051)
    assert (values[4] << 16 | values[5]) / 100 == pytest.approx(truth["array_power_W"], abs=0.3)
    low, high = words(line.ask(request(712, 2), 9)[0])
    (charge_W,) = struct.unpack(">f", struct.pack(">HH", high, low))
    assert charge_W == pytest.approx(truth["charge_power_W"], abs=0.3)


def test_the_shunt_tells_a_line_a_second_and_one_after_each_advance(start_simulator, port):
    simulator = start_simulator()
    line = port(simulator.shunt["serial"])
    simulator.tell("advance", to_ms=simulator.ready["time_ms"] + 3_600_000)
    told = line.read(1, 5).decode()
    body, star, rest = told.partition("*")
    value = 0
    for character in body.encode():
        value ^= character
    assert (star, rest) == ("*", f"{value:02X}\r\n")
    parts = dict(part.split("=") for part in body.split(";"))
    assert float(parts["I"]) == pytest.approx(simulator.truth()["battery_current_A"], abs=0.0051)
    before_s = time.monotonic()
    simulator.tell("run")
    time.sleep(3.3)
    lines = line.read(1000, 0.1).count(b"\r\n")
    assert 3 <= lines <= time.monotonic() - before_s + 1


def test_a_pulled_line_is_gone_and_comes_back_under_the_same_name(start_simulator, port):
    simulator = start_simulator()
    path = simulator.charger["serial"]
    first = os.path.realpath(path)
    line = port(path)
    simulator.tell("unplug", device="charger")
    assert not os.path.lexists(path)
    with pytest.raises(OSError, match="Input/output error"):
        os.write(line.fd, request(700, 1))
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(tuple(simulator.charger["tcp"]), timeout=1)
    simulator.tell("plug", device="charger")
    assert os.path.realpath(path) != first or not os.path.samefile(path, f"/proc/self/fd/{line.fd}")
    again = port(path)
    assert again.ask(request(700, 1), 7)[0][:3] == bytes([1, 4, 2])
    socket.create_connection(tuple(simulator.charger["tcp"]), timeout=1).close()


def test_a_restarted_device_is_silent_for_a_while(start_simulator, port):
    simulator = start_simulator()
    line = port(simulator.charger["serial"])
    simulator.tell("restart", device="charger", silent_s=1.5)
    assert line.ask(request(700, 1), 1, timeout_s=0.2)[0] == b""
    time.sleep(1.5)
    assert len(line.ask(request(700, 1), 7)[0]) == 7


SOUND = 7


def spoilt(simulator, line, kind, **more):
    simulator.tell("fault", device="charger", kind=kind, **{"for": 1, **more})
    if kind == "silence":
        return line.ask(request(700, 1), 40, timeout_s=0.25)[0]
    begun = line.ask(request(700, 1), 1, timeout_s=5)[0]
    return begun + line.read(40, 0.25)


def test_faults_on_the_serial_line(start_simulator, port):
    simulator = start_simulator()
    line = port(simulator.charger["serial"])
    good, _ = line.ask(request(700, 1), SOUND)
    assert spoilt(simulator, line, "silence") == b""
    assert len(spoilt(simulator, line, "drop_byte")) == SOUND - 1
    assert 1 <= len(spoilt(simulator, line, "truncate")) < SOUND
    flipped = spoilt(simulator, line, "bit_flip")
    assert sum((a ^ b).bit_count() for a, b in zip(flipped, good, strict=True)) == 1
    assert good in spoilt(simulator, line, "noise")
    assert spoilt(simulator, line, "echo") == request(700, 1) + good
    assert spoilt(simulator, line, "exception", code=6) == bytes([1, 0x84, 6]) + crc16(bytes([1, 0x84, 6]))
    for kind, place in (("foreign_unit", 0), ("foreign_function", 1), ("foreign_length", 2)):
        reply = spoilt(simulator, line, kind)
        assert reply[-2:] == crc16(reply[:-2])
        assert reply[place] != good[place]
    assert words(spoilt(simulator, line, "absurd"))[0] > 30_000
    # each fault was for one reply only
    assert line.ask(request(700, 1), SOUND)[0] == good


def test_late_and_slow_replies_come_whole_and_later(start_simulator, port):
    simulator = start_simulator()
    line = port(simulator.charger["serial"])
    usual_s = min(line.ask(request(700, 1), SOUND)[1] for _ in range(4))
    simulator.tell("fault", device="charger", kind="slow", delay_s=0.2)
    taken = []
    for _ in range(4):
        reply, seconds = line.ask(request(700, 1), SOUND, timeout_s=5)
        assert len(reply) == SOUND
        taken.append(seconds)
    assert min(taken) - usual_s == pytest.approx(0.2, abs=0.06)  # a busy computer makes some longer
    simulator.tell("fault", device="charger", kind="late", delay_s=0.6)
    assert line.ask(request(700, 1), SOUND, timeout_s=0.2)[0] == b""
    assert len(line.read(SOUND, 5)) == SOUND


def test_stuck_values_stay_while_the_plant_moves(start_simulator, port):
    simulator = start_simulator()
    line = port(simulator.charger["serial"])
    stuck, _ = line.ask(request(700, 9), 23)
    simulator.tell("fault", device="charger", kind="stuck")
    simulator.advance_to("2026-11-11T12:00:00Z")
    assert line.ask(request(700, 9), 23)[0] == stuck
    simulator.tell("fault", device="charger", kind="none")
    assert line.ask(request(700, 9), 23)[0] != stuck


@pytest.mark.parametrize(
    "kind", ["bit_flip", "drop_byte", "truncate", "foreign_length", "foreign_function", "absurd"]
)
def test_faults_on_the_text_line(start_simulator, port, kind):
    simulator = start_simulator()
    line = port(simulator.shunt["serial"])
    now = simulator.ready["time_ms"]
    told = []
    for more in ({"kind": "none"}, {"kind": kind, "for": 1}):
        simulator.tell("fault", device="shunt", **more)
        simulator.tell("advance", to_ms=now)
        told.append(line.read(1, 5))
    good, bad = told
    assert bad != good
    whole = re.fullmatch(rb"([ -)+-~]*)\*([0-9A-F]{2})\r\n", bad)
    if kind in ("foreign_length", "foreign_function", "absurd"):
        value = 0
        for byte in whole[1]:
            value ^= byte
        assert f"{value:02X}".encode() == whole[2]
    simulator.tell("advance", to_ms=now)
    assert line.read(1, 5) == good


def test_modbus_tcp_answers_with_its_transaction(start_simulator):
    simulator = start_simulator()
    with socket.create_connection(tuple(simulator.charger["tcp"]), timeout=2) as connection:
        frame = struct.pack(">HHHBBHH", 0x1234, 0, 6, 1, 4, 700, 2)
        connection.sendall(frame + struct.pack(">HHHBBHH", 0x1235, 0, 6, 1, 6, 40, 1))
        reply = b""
        while len(reply) < 13 + 9:
            reply += connection.recv(100)
    assert reply[:9] == struct.pack(">HHHBBB", 0x1234, 0, 7, 1, 4, 4)
    assert reply[13:] == struct.pack(">HHHBBB", 0x1235, 0, 3, 1, 0x86, 1)
    volts = struct.unpack(">H", reply[9:11])[0] / 100
    assert volts == pytest.approx(simulator.truth()["battery_voltage_V"], abs=0.0051)
    assert simulator.tell("truth")["lines"]["charger"]["functions"] == {"4": 1, "6": 1}


@pytest.mark.parametrize(
    ("kind", "hex_reply"),
    [
        ("silence", ""),
        ("exception", "0007 0000 0003 01 84 04"),
        ("foreign_unit", "0007 0000 0005 02 04 02 ...."),
        ("foreign_function", "0007 0000 0005 01 03 02 ...."),
        ("foreign_length", "0007 0000 0007 01 04 04 .... ...."),
        ("echo", "0007 0000 0006 01 04 02BC 0001 0007 0000 0005 01 04 02 ...."),
        ("absurd", "0007 0000 0005 01 04 02 (ffff|8000|7f7f)"),
    ],
)
def test_a_fault_that_is_ordered_strikes_over_tcp(start_simulator, kind, hex_reply):
    simulator = start_simulator()
    simulator.tell("fault", device="charger", kind=kind, **{"for": 1})
    request_frame = struct.pack(">HHHBBHH", 7, 0, 6, 1, 4, 700, 1)
    with socket.create_connection(tuple(simulator.charger["tcp"]), timeout=2) as connection:
        connection.sendall(request_frame)
        wanted, reply = re.compile(hex_reply.replace(" ", "").lower()), b""
        connection.settimeout(5 if hex_reply else 0.15)
        with suppress(TimeoutError):
            while not wanted.fullmatch(reply.hex()) or not hex_reply:
                reply += connection.recv(100)
        assert wanted.fullmatch(reply.hex())
        connection.settimeout(5)
        connection.sendall(request_frame)
        assert connection.recv(100)[:9] == struct.pack(">HHHBBB", 7, 0, 5, 1, 4, 2)


def test_a_reply_broken_off_over_tcp_ends_the_connection(start_simulator):
    simulator = start_simulator()
    simulator.tell("fault", device="charger", kind="truncate", **{"for": 1})
    with socket.create_connection(tuple(simulator.charger["tcp"]), timeout=2) as connection:
        connection.sendall(struct.pack(">HHHBBHH", 7, 0, 6, 1, 4, 700, 1))
        got = b""
        while part := connection.recv(100):
            got += part
    assert 0 < len(got) < 11


def test_the_truth_file_has_a_row_a_step(start_simulator, tmp_path):
    file = tmp_path / "truth.csv"
    simulator = start_simulator("--truth", str(file))
    simulator.advance_to("2026-11-11T02:00:00Z")
    truth = simulator.truth()
    assert simulator.stop() == 0
    with file.open(newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert len(rows) == 120
    assert rows[-1]["time"] == "2026-11-11T02:00:00.000Z"
    for name in ("battery_voltage_V", "state_of_charge", "removed_Ah", "irradiance_W_m2", "unseen_load_A"):
        assert float(rows[-1][name]) == pytest.approx(truth[name], rel=1e-4, abs=1e-9)


@pytest.mark.parametrize("way", [signal.SIGTERM, signal.SIGINT, "quit", "end of input"])
def test_every_way_out_puts_the_ports_away(start_simulator, way):
    simulator = start_simulator()
    if way == "quit":
        assert simulator.tell("quit")["ok"]
    elif way == "end of input":
        simulator.process.stdin.close()
    else:
        simulator.process.send_signal(way)
    assert simulator.process.wait(timeout=5) == 0
    assert not os.path.lexists(simulator.charger["serial"])
    assert not os.path.lexists(simulator.shunt["serial"])


def test_it_hardly_works_while_nobody_asks(start_simulator):
    simulator = start_simulator()
    simulator.tell("run")
    used = []
    for pause_s in (0.2, 2.0):
        time.sleep(pause_s)
        with open(f"/proc/{simulator.process.pid}/stat") as handle:
            used.append(sum(int(n) for n in handle.read().rpartition(")")[2].split()[11:13]))
    share = (used[1] - used[0]) / os.sysconf("SC_CLK_TCK") / 2.0
    assert share < 0.10


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--start", "yesterday"], "is no ISO 8601 time"),
        (["--start", "2026-11-11T00:00:00"], "names no zone; add Z"),
        (["--scenario", "nowhere.toml"], "check the path after --scenario"),
    ],
)
def test_wrong_use_is_told_with_status_two(arguments, told):
    ended = subprocess.run(
        [sys.executable, "-m", "simulator", "serve", *arguments], capture_output=True, text=True, check=False
    )
    assert ended.returncode == 2
    assert told in ended.stderr
    assert ended.stdout == ""
