"""Devices give readings from real wires: registers over a pty and a socket, text over a pty."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from far_ends import PtyFarEnd, RtuFarEnd, Talker, TcpFarEnd, charger_registers

from monitor.clock import SteppedClock, SystemClock
from monitor.devices.device import Device, build_lines
from monitor.devices.profile_file import SHIPPED
from monitor.devices.tcp import TcpLink
from monitor.errors import BadFrame, ForeignReply, LineLost, NoAnswer, Refused, SiteError
from monitor.quantities import Fault, Stage
from monitor.records import Quality
from monitor.site.model import Bank, DeviceEntry, Place, Site
from tests.unit.test_textline import TWO_KINDS

NOW_MS = 1_795_600_000_000
LINE = b"V=12.64;I=-2.31;M=6.32;T=18.4*2B\r\n"


def site_of(*devices: dict[str, Any]) -> Site:
    return Site(
        site=Place(name="Bench", latitude_deg=52.6, longitude_deg=1.5),
        bank=Bank(chemistry="flooded", unit_voltage_V=6, unit_capacity_Ah=225, units_in_series=2),
        devices=tuple(DeviceEntry(**device) for device in devices),
    )


def charger_at(port: Path | str | None, **more: Any) -> dict[str, Any]:
    return {
        "name": "charger",
        "profile": "marsh-charger",
        "connection": "serial",
        "port": port and str(port),
        "timeout_s": 0.3,
    } | more


def shunt_at(port: Path | str | None, **more: Any) -> dict[str, Any]:
    return {
        "name": "shunt",
        "profile": "marsh-shunt",
        "connection": "serial",
        "port": port and str(port),
        "timeout_s": 0.3,
    } | more


def only_device(entry: dict[str, Any]) -> Device:
    (line,) = build_lines(site_of(entry), Path(), SteppedClock(NOW_MS))
    (device,) = line.devices
    return device


@pytest.fixture
def text_wire(tmp_path: Path) -> Iterator[PtyFarEnd]:
    far_end = PtyFarEnd(tmp_path / "shunt")
    yield far_end
    far_end.close()


@pytest.fixture
def shunt(text_wire: PtyFarEnd, tmp_path: Path) -> Iterator[Device]:
    """The shipped shunt, in a hurry: it counts as silent after 0.5 s."""
    text = (SHIPPED / "marsh-shunt.toml").read_text(encoding="utf-8")
    hasty = text.replace("interval_s = 1.0", "interval_s = 0.2")
    (tmp_path / "hasty.toml").write_text(hasty, encoding="utf-8")
    entry = shunt_at(text_wire.link, profile=str(tmp_path / "hasty.toml"))
    device = only_device(entry)
    with pytest.raises(NoAnswer):  # opens the port; nothing has been said yet
        device.poll()
    yield device
    device.close()


def test_one_poll_takes_all_kinds_of_line_that_come_together(text_wire: PtyFarEnd, tmp_path: Path) -> None:
    (tmp_path / "two.toml").write_text(TWO_KINDS, encoding="utf-8")
    device = only_device(shunt_at(text_wire.link, profile=str(tmp_path / "two.toml"), timeout_s=5.0))
    talker = Talker(text_wire, b"$BANK,12.64\r\n$ROOF,18.2,9\r\n", 0.3)
    try:
        device.poll()
        readings = {reading.quantity: reading.value for reading in device.poll()}
    finally:
        talker.stop()
        device.close()
    assert readings == {"battery_voltage_V": 12.64, "array_voltage_V": 18.2}


EXPECTED = {
    "battery_voltage_V": 12.64,
    "charge_current_A": 11.5,
    "array_voltage_V": 18.1,
    "array_current_A": 8.33,
    "array_power_W": 150.77,
    "load_current_A": 0.0,
    "battery_temperature_C": 18.4,
    "controller_temperature_C": 31.2,
    "charge_power_W": 145.5,
    "charge_stage": float(Stage.BULK),
    "fault_bits": float(Fault.CONTROLLER_OVER_TEMPERATURE | Fault.TEMPERATURE_PROBE_MISSING),
    "load_power_W": 23.1,
}


@pytest.mark.parametrize("wire", ["serial", "tcp"])
def test_a_charger_s_registers_become_readings(wire: str, tmp_path: Path) -> None:
    far_end: Any
    if wire == "serial":
        far_end = RtuFarEnd(tmp_path / "charger", {1: charger_registers()})
        entry = charger_at(far_end.link)
    else:
        far_end = TcpFarEnd({1: charger_registers()})
        entry = charger_at(None, connection="tcp", host="127.0.0.1", tcp_port=far_end.port)
    device = only_device(entry)
    readings = device.poll()
    device.close()
    far_end.close()
    assert {reading.quantity: reading.value for reading in readings} == EXPECTED
    assert {(reading.time_ms, reading.device, reading.quality) for reading in readings} == {
        (NOW_MS, "charger", Quality.GOOD)
    }
    assert tuple(EXPECTED) == device.quantities


@pytest.mark.parametrize(("address", "count"), [(0x0203, 1), (0x0003, 1), (700, 9), (43, 2)])
def test_an_echoed_request_is_never_taken_for_the_answer_on_a_network(address: int, count: int) -> None:
    """A read of one register at 0x02xx is the trap: its echo has the form of a reply of two bytes."""
    server = TcpFarEnd({1: {(4, address + at): 7 for at in range(count)}}, echo=True)
    link = TcpLink("127.0.0.1", server.port, timeout_s=0.3)
    for _ in range(5):
        with pytest.raises((ForeignReply, BadFrame)):
            link.read(1, 4, address, count)
    server.echo = False
    assert link.read(1, 4, address, count) == (7,) * count
    link.close()
    server.close()


def test_only_the_planned_reads_are_on_the_wire(tmp_path: Path) -> None:
    far_end = RtuFarEnd(tmp_path / "charger", {1: charger_registers()})
    device = only_device(charger_at(far_end.link))
    for _ in range(3):
        device.poll()
    device.close()
    far_end.close()
    asked = [(frame[1], int.from_bytes(frame[2:4], "big"), frame[5]) for frame in far_end.requests]
    assert asked == 3 * [(3, 43, 2), (4, 700, 9), (4, 712, 4)]


def test_registers_that_a_device_lacks_leave_the_rest(tmp_path: Path) -> None:
    registers = charger_registers()
    del registers[3, 43]
    far_end = RtuFarEnd(tmp_path / "charger", {1: registers})
    device = only_device(charger_at(far_end.link))
    readings = {reading.quantity: reading for reading in device.poll()}
    device.close()
    far_end.close()
    assert readings["load_power_W"].quality is Quality.MISSING
    assert readings["load_power_W"].reason == "refused with exception 02"
    assert readings["battery_voltage_V"].value == 12.64


def test_a_device_that_refuses_everything_is_an_error(tmp_path: Path) -> None:
    far_end = RtuFarEnd(tmp_path / "charger", {1: {}})
    device = only_device(charger_at(far_end.link))
    with pytest.raises(Refused) as refused:
        device.poll()
    device.close()
    far_end.close()
    assert refused.value.code == 2


def test_the_newest_sound_line_wins(text_wire: PtyFarEnd, shunt: Device) -> None:
    text_wire.say(b"V=13.00*" + b"25\r\n" + LINE + b"V=99.99;I=-2.31;M=6.32;T=18.4*2B\r\nV=12.")
    readings = {reading.quantity: reading for reading in shunt.poll()}
    assert readings["battery_voltage_V"].value == 12.64
    assert readings["battery_current_A"].value == -2.31
    assert {reading.time_ms for reading in readings.values()} == {NOW_MS}


def test_a_line_in_pieces_is_waited_for(text_wire: PtyFarEnd, shunt: Device) -> None:
    text_wire.say(LINE[:9])
    talker = Talker(text_wire, LINE[9:], 0.15)
    assert shunt.poll()[0].value == 12.64
    talker.stop()


def test_what_a_line_leaves_out_is_missing(text_wire: PtyFarEnd, shunt: Device) -> None:
    text_wire.say(b"V=13.00*%02X\r\n" % (ord("V") ^ ord("=") ^ ord("1") ^ ord("3") ^ ord(".")))
    readings = {reading.quantity: reading for reading in shunt.poll()}
    assert readings["battery_voltage_V"].value == 13.0
    assert readings["battery_current_A"].reason == "not in the answer"


def test_only_damaged_lines_are_a_bad_frame_and_silence_is_no_answer(
    text_wire: PtyFarEnd, shunt: Device
) -> None:
    text_wire.say(LINE.replace(b"12.64", b"12.65"))
    with pytest.raises(BadFrame, match="checksum"):
        shunt.poll()
    with pytest.raises(NoAnswer, match=r"no line came within 0\.5 s"):
        shunt.poll()


def test_a_backlog_is_thrown_away_because_its_newest_line_may_be_old(
    text_wire: PtyFarEnd, shunt: Device
) -> None:
    text_wire.say(LINE * 100)
    fresh = LINE.replace(b"V=12.64", b"V=12.46")  # the same characters, so the same sum
    talker = Talker(text_wire, fresh, 0.2)
    assert first_value(shunt) == 12.46
    talker.stop()


def first_value(device: Device) -> float | None:
    """The first value that a device's polls bring; on a busy computer a poll may end before the next line."""
    for _ in range(20):
        with suppress(NoAnswer):
            return device.poll()[0].value
    return None


def test_a_flood_without_line_ends_ends_in_an_error_and_not_in_a_hang(
    text_wire: PtyFarEnd, shunt: Device
) -> None:
    talker = Talker(text_wire, b"x" * 500, 0.01)
    started_s = time.monotonic()
    with pytest.raises(NoAnswer):
        shunt.poll()
    assert time.monotonic() - started_s < 0.5 + 0.3
    talker.stop()
    text_wire.say(b"\r\n" + LINE)
    assert shunt.poll()[0].value == 12.64


def test_unplug_is_line_lost_and_replug_under_the_same_name_gives_values_again(
    text_wire: PtyFarEnd, shunt: Device
) -> None:
    text_wire.say(LINE)
    assert shunt.poll()[0].value == 12.64
    text_wire.unplug()
    for _ in range(2):
        with pytest.raises(LineLost, match=r"no such port|gone"):
            shunt.poll()
    text_wire.plug()
    talker = Talker(text_wire, LINE, 0.2)
    assert shunt.poll()[0].value == 12.64
    talker.stop()


def test_a_port_replugged_between_two_polls_is_noticed(text_wire: PtyFarEnd, shunt: Device) -> None:
    old_master = text_wire.master
    text_wire.link.unlink()
    text_wire.plug()
    with pytest.raises(LineLost, match="another port stands under this path"):
        shunt.poll()
    talker = Talker(text_wire, LINE, 0.2)
    assert shunt.poll()[0].value == 12.64
    talker.stop()
    os.close(old_master)


@pytest.mark.parametrize(
    ("entries", "fault"),
    [
        (
            [charger_at("p"), charger_at("p", name="second", unit=2, baud=19200)],
            r"devices\[1\].baud: 19200 contradicts 9600 of charger on the same port",
        ),
        (
            [charger_at("p"), charger_at("p", name="second", unit=2, parity="even")],
            r"devices\[1\].parity: even",
        ),
        ([charger_at("p"), charger_at("p", name="second")], r"devices\[1\].unit: 1 is charger's on the same"),
        ([charger_at("p"), shunt_at("p")], r"devices\[1\].port: a sender of text needs its port alone"),
        ([shunt_at("p", connection="tcp", host="h")], r"devices\[0\].connection: .* is of text lines"),
        ([charger_at(None)], r"devices\[0\].port: is missing"),
        ([charger_at("p", connection="tcp")], r"devices\[0\].host: is missing"),
    ],
)
def test_devices_that_contradict_each_other_are_refused(entries: list[dict[str, Any]], fault: str) -> None:
    with pytest.raises(SiteError, match=fault):
        build_lines(site_of(*entries), Path(), SystemClock())


def test_an_unknown_profile_is_refused() -> None:
    with pytest.raises(SiteError, match=r"devices\[0\].profile: march-charger: .*shipped profile"):
        build_lines(site_of(charger_at("p", profile="march-charger")), Path(), SystemClock())


def test_devices_of_one_port_share_a_line_and_others_do_not() -> None:
    lines = build_lines(
        site_of(
            charger_at("p"),
            shunt_at("q"),
            charger_at("p", name="second", unit=2),
            charger_at(None, name="third", connection="tcp", host="h"),
            charger_at(None, name="fourth", connection="tcp", host="h", unit=2),
            charger_at(None, name="fifth", connection="tcp", host="h", tcp_port=503),
        ),
        Path(),
        SystemClock(),
    )
    assert [(line.name, line.port, [device.name for device in line.devices]) for line in lines] == [
        ("p", "p", ["charger", "second"]),
        ("q", "q", ["shunt"]),
        ("h:502", None, ["third", "fourth"]),
        ("h:503", None, ["fifth"]),
    ]


def test_a_daemon_without_modbus_loads_none_of_it() -> None:
    """Some 70 modules, with asyncio, and 3 MB of a small Pi's memory."""
    code = (
        "import sys, monitor.service, monitor.checkup, monitor.devices.text_device;"
        " sys.exit(str({'pymodbus', 'asyncio'} & sys.modules.keys() or ''))"
    )
    done = subprocess.run([sys.executable, "-c", code], check=False, capture_output=True, text=True)
    assert done.stderr.strip() == ""
