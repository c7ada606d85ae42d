"""`nightbank find` tells who answers, on real wires: pseudo-terminals with a speed of their own, sockets."""

from __future__ import annotations

import json
import os
import termios
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from monitor.cli import main
from monitor.commands.line import host_and_port
from monitor.devices.finding import SPEEDS, Heard, Setting, find_on_serial, longest_s, settings
from monitor.devices.overheard import Noise, TextHeard, judge_text, listen
from monitor.devices.ports import serial_ports
from monitor.find_words import name_devices, nobody, text
from monitor.site.model import DeviceEntry
from monitor.toml_lines import load_toml
from tests.faults.peer import crc16, reply
from tests.unit.far_ends import PtyFarEnd, RtuFarEnd, Talker, TcpFarEnd, charger_registers
from tests.wiretap import WireTap, requests_in

pytestmark = pytest.mark.timed


class PickyFarEnd(RtuFarEnd):
    """Units that understand one speed only. A pseudo-terminal carries every byte at any speed, but it knows
    the speed that was set; a device on a real line would hear another one as garbage and stay silent."""

    def __init__(self, link: Path, units: dict[int, Any], baud: int, **more: Any) -> None:
        self.code = getattr(termios, f"B{baud}")
        super().__init__(link, units, baud, **more)

    def _answer(self, master: int, frame: bytes) -> None:
        if termios.tcgetattr(master)[4] == self.code:
            super()._answer(master, frame)


@pytest.fixture
def lines(tmp_path: Path) -> Iterator[Any]:
    """lines(kind, ...) -> a far end, closed with the test."""
    made: list[Any] = []

    def make(kind: type, *arguments: Any, **more: Any) -> Any:
        made.append(kind(*arguments, **more))
        return made[-1]

    yield make
    for far_end in reversed(made):
        (far_end.stop if hasattr(far_end, "stop") else far_end.close)()


@pytest.fixture(autouse=True)
def short_listening(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tests' devices speak ten times as often as real ones."""
    monkeypatch.setattr("monitor.commands.find.EACH_LISTEN_S", 0.4)


def find(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["find", "--listen", "0.6", *map(str, arguments)])


def found_on(path: Path, tried: Sequence[Setting], units: Sequence[int], timeout_s: float = 0.1) -> Heard:
    heard = Heard()
    for _ in find_on_serial(str(path), heard, tried, units, timeout_s):
        pass
    return heard


def entries(text: str, folder: Path) -> list[DeviceEntry]:
    """The tables that find gives, read as a site file's."""
    file = folder / "given.toml"
    file.write_text(text)
    return [DeviceEntry(**table) for table in load_toml(file)[0]["devices"]]


@pytest.mark.parametrize("baud", [9600, 19200, 57600])
def test_units_are_found_at_their_own_speed(lines, tmp_path: Path, baud: int) -> None:
    far_end = lines(PickyFarEnd, tmp_path / "line", {2: charger_registers(), 5: {}}, baud)
    heard = found_on(far_end.link, settings((9600, 19200, 57600), ("none",)), range(1, 7), 0.15)
    assert heard.setting == Setting(baud, "none")
    assert [(unit.unit, unit.profile) for unit in heard.units] == [(2, "marsh-charger"), (5, None)]


def test_only_single_reads_are_on_the_wire(lines, tmp_path: Path) -> None:
    """The whole search with nobody there, as it goes over the line: two read functions, one register each."""
    far_end = lines(PtyFarEnd, tmp_path / "far")
    tap = lines(WireTap, str(far_end.link), tmp_path / "line")
    done = find("--port", tap.path, "--speeds", "9600,115200", "--units", "3,247", "--timeout", 0.05)
    assert done.exit_code == 1
    assert "Nobody answers. Look at:" in done.stdout
    assert "A and B" in done.stdout
    assert "Before you touch the wiring:" in done.stdout
    assert "isolated RS-485 or USB adapter" in done.stdout
    requests = requests_in(bytes(tap.asked))
    assert len(requests) == 2 * 3 * 2 * 2  # speeds, parities, units, functions
    assert {request[1] for request in requests} == {3, 4}
    assert {request[0] for request in requests} == {3, 247}
    assert {request[2:6] for request in requests} == {b"\0\0\0\1"}  # register 0, one
    assert all(crc16(request[:6]) == request[6:] for request in requests)
    assert "up to 24 questions of one register each" in done.stderr


def test_the_time_that_is_told_is_the_time_it_takes_where_nobody_answers() -> None:
    """7 speeds, 3 parities, 16 units, 2 reads: each the time-out, the rest after it and 15 characters. By
    hand: 672 x 0.21 s = 141 s, and the characters of all speeds 10 s."""
    assert longest_s(settings(), range(16), 0.2) == pytest.approx(151, abs=3)
    assert len(SPEEDS) == 7


def test_what_is_found_comes_as_tables_that_a_site_file_takes(lines, tmp_path: Path) -> None:
    charger = lines(RtuFarEnd, tmp_path / "charger", {3: charger_registers()})
    shunt = lines(PtyFarEnd, tmp_path / "shunt")
    lines(Talker, shunt, b"V=12.64;I=-2.31;M=6.32;T=18.4*2B\r\n", 0.1)
    unknown = lines(TcpFarEnd, {2: {(3, 0): 7}}, absent_unit=11)
    done = find(
        "--port", charger.link, "--port", shunt.link, "--host", f"127.0.0.1:{unknown.port}", "--units", "1-3"
    )
    assert done.exit_code == 0, done.output
    site = done.stdout[done.stdout.index("[[devices]]") :]
    first, second, third = entries(site, tmp_path)
    assert (first.profile, first.port, first.baud, first.parity, first.unit) == (
        "marsh-charger", str(charger.link), 9600, "none", 3,
    )  # fmt: skip
    assert (second.profile, second.port, second.baud) == ("marsh-shunt", str(shunt.link), 9600)
    assert (third.profile, third.host, third.tcp_port, third.unit) == (
        "device3.toml", "127.0.0.1", unknown.port, 2,
    )  # fmt: skip
    assert "Unit 3 answers: Modbus RTU at 9600 bit/s, no parity." in done.stdout
    assert "checksum xor" in done.stdout
    assert "V=12.64;I=-2.31;M=6.32;T=18.4*2B" in done.stdout
    assert f"`nightbank match 127.0.0.1:{unknown.port} --unit 2 --session device3` finds it" in done.stdout
    assert "A gateway answers that it does not reach some" in done.stdout
    assert len({first.name, second.name, third.name}) == 3


def test_a_unit_that_answers_late_is_found_and_told(lines, tmp_path: Path) -> None:
    """It answers after the time-out: that is heard while another unit is asked, then it is asked again."""
    far_end = lines(RtuFarEnd, tmp_path / "line", {2: {(3, 0): 1}}, thought_s=0.25)
    heard = found_on(far_end.link, [Setting(9600, "none")], range(1, 6), 0.15)
    (unit,) = heard.units
    assert unit.unit == 2
    assert "answers later than the time-out" in unit.remark


def test_an_echo_is_no_device(lines, tmp_path: Path) -> None:
    class Echoing(PtyFarEnd):
        """An adapter that hears itself, with nobody behind it."""

        def __init__(self, link: Path) -> None:
            super().__init__(link)
            self.ended = threading.Event()
            self.thread = threading.Thread(target=self._run, daemon=True)
            self.thread.start()

        def _run(self) -> None:
            while not self.ended.is_set():
                try:
                    self.say(os.read(self.master, 64))
                except OSError:  # nobody has it open
                    self.ended.wait(0.01)

        def close(self) -> None:
            self.ended.set()
            super().close()

    far_end = lines(Echoing, tmp_path / "line")
    heard = found_on(far_end.link, [Setting(9600, "none")], (1, 2))
    assert (heard.units, heard.echo) == ([], True)


def test_a_line_on_which_somebody_asks_already_is_left_alone(lines, tmp_path: Path) -> None:
    """Another master's traffic: replies with a right checksum, unasked for."""
    far_end = lines(PtyFarEnd, tmp_path / "far")
    tap = lines(WireTap, str(far_end.link), tmp_path / "line")
    lines(Talker, far_end, reply(9, 3, (1264, 1150, 184)), 0.05)
    done = find("--port", tap.path, "--json")
    assert done.exit_code == 1
    (line,) = json.loads(done.stdout)["lines"]
    assert line["state"] == "in use"
    assert "Somebody else asks devices on this line already" in line["says"][0]
    assert not tap.asked


def test_noise_is_told_and_the_line_tried_none_the_less(lines, tmp_path: Path) -> None:
    far_end = lines(PtyFarEnd, tmp_path / "line")
    lines(Talker, far_end, bytes(range(128, 160)), 0.05)
    *_, heard = listen(str(far_end.link), (9600, 19200), 0.3, 0.2)
    assert isinstance(heard, Noise)
    assert not heard.master
    assert heard.bytes >= 32


def test_a_port_that_is_not_there_and_a_host_that_takes_no_connection_are_told(tmp_path: Path) -> None:
    done = find("--port", tmp_path / "nowhere", "--host", "127.0.0.1:1", "--json")
    assert done.exit_code == 1
    port, host = json.loads(done.stdout)["lines"]
    assert (port["state"], host["state"]) == ("unusable", "unusable")
    assert "there is no such port" in port["says"][0]
    assert host["says"] == [
        "127.0.0.1:1: takes no connection. Look at the device's power, network, address and port."
    ]


def test_a_host_that_answers_under_every_number_is_one_device(lines) -> None:
    registers = {(3, 0): 1}
    far_end = lines(TcpFarEnd, dict.fromkeys(range(1, 17), registers))
    done = find("--host", f"127.0.0.1:{far_end.port}", "--json")
    (line,) = json.loads(done.stdout)["lines"]
    assert len(line["devices"]) == 1
    assert "It answers under every number" in line["says"][0]
    assert len(far_end.requests) < 30


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--units", "0-3"), "must be numbers from 1 to 247"),
        (("--units", "1-x"), "must be numbers from 1 to 247"),
        (("--units", "5-3"), "must be numbers from 1 to 247"),
        (("--units", "1_0"), "must be numbers from 1 to 247"),
        (("--units", "1-999999999999"), "must be numbers from 1 to 247"),
        (("--speeds", "fast"), "must be numbers from 300 to 921600, like 9600,19200"),
        (("--parities", "odd,evn"), "must be of none, even, odd"),
        (("--host", "a:b"), "is no address; write 192.0.2.10"),
        (("--host", "ttyUSB0"), "ttyUSB0 is a serial port, not a host; write --port /dev/ttyUSB0"),
    ],
)
def test_wrong_use_is_told_with_what_to_write(arguments: tuple[str, str], told: str) -> None:
    done = find(*arguments)
    assert done.exit_code == 2
    assert told in done.stderr


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("192.0.2.10", ("192.0.2.10", 502)), ("hut.local:1502", ("hut.local", 1502)),
        ("[::1]:1502", ("::1", 1502)), ("::1", ("::1", 502)),
    ],
)  # fmt: skip
def test_hosts_are_understood(text: str, expected: tuple[str, int]) -> None:
    assert host_and_port(text) == expected


def test_ports_are_listed_under_the_names_that_stay(tmp_path: Path) -> None:
    device = tmp_path / "ttyUSB7"
    device.touch()
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-adapter-of-the-shunt").symlink_to("../ttyUSB7")
    assert (str(by_id / "usb-adapter-of-the-shunt"), "ttyUSB7") in [
        (port.path, port.about) for port in serial_ports(by_id)
    ]


# How lines of text are made. Sentences of NMEA 0183, XDR, with their checksums: public descriptions of it


def heard_as(*lines_: str) -> TextHeard | None:
    timed = [(float(at), line.encode()) for at, line in enumerate(lines_)]
    return judge_text(4800, b"".join(line + b"\r\n" for _, line in timed), timed)


def test_a_transducer_s_sentences_are_recognised() -> None:
    sentence = "$IIXDR,P,1.0136,B,BMP180,C,15.5,C,BMP180*58"
    heard = heard_as(sentence, sentence, sentence)
    assert heard is not None
    assert (heard.start, heard.separator, heard.assign, heard.checksum) == ("$", ",", "", "xor")
    assert (heard.interval_s, heard.sample, heard.share) == (1.0, sentence, 1.0)


def test_one_damaged_line_hides_neither_checksum_nor_separator() -> None:
    good, bad = "V=12.64;I=-2.31;M=6.32;T=18.4*2B", "V=12.64;I=-2.31;M=6.32;T=18.5*2B"
    heard = heard_as(good, bad, good)
    assert heard is not None
    assert (heard.separator, heard.assign, heard.checksum) == (";", "=", "xor")


def test_pairs_without_checksum_and_columns_are_told_apart() -> None:
    pairs, columns = (
        heard_as("volts: 12.6\tamps: 3.1", "volts: 12.7\tamps: 3.0"),
        heard_as("12.6 3.1 18", "12.7 3.0 18"),
    )
    assert pairs is not None
    assert columns is not None
    assert (pairs.separator, pairs.assign, pairs.checksum) == ("\t", ":", "none")
    assert (columns.separator, columns.assign, columns.checksum) == (" ", "", "none")


def test_text_that_no_profile_reads_names_the_command_that_finds_its_fields() -> None:
    heard = heard_as("volts: 12.6\tamps: 3.1", "volts: 12.7\tamps: 3.0")
    assert heard is not None
    line = text(nobody("/dev/ttyUSB0", ""), "/dev/ttyUSB0", heard)
    assert name_devices(line, before=2) == 3
    (told,) = line["devices"]
    assert "`nightbank match /dev/ttyUSB0 --baud 4800 --session device3` finds" in told["says"]


def test_two_unknown_devices_on_one_adapter_are_matched_in_folders_of_their_own(
    lines, tmp_path: Path
) -> None:
    adapter = lines(RtuFarEnd, tmp_path / "adapter", {1: {(3, 0): 7}, 2: {(3, 0): 9}})
    done = find("--port", adapter.link, "--speeds", "9600", "--parities", "none", "--units", "1-2")
    first, second = entries(done.stdout[done.stdout.index("[[devices]]") :], tmp_path)
    for device in (first, second):
        match = f"nightbank match {adapter.link} --baud 9600 --unit {device.unit} --session {device.name}`"
        assert match in done.stdout
        assert device.profile == f"{device.name}.toml"
    assert first.name != second.name


def test_a_wrong_speed_s_bytes_are_no_text() -> None:
    """Text heard at twice its speed: every bit comes twice, and few of the bytes are text."""
    doubled = bytes(
        sum((byte >> (bit // 2) & 1) << bit for bit in range(8)) for byte in b"V=12.64;I=-2.31\r\n" * 4
    )
    assert judge_text(9600, doubled, [(0.0, doubled)]) is None
