"""An independent peer reads the simulator: Debian's mbpoll (libmodbus), over RTU on a pty and over TCP."""

from __future__ import annotations

import re
import signal
import struct
import subprocess
import sys
from contextlib import suppress

import pytest

from monitor.errors import StoreError
from monitor.store.embedded import open_reader
from tests.unit.site_files import MARSH_HIDE
from tests.waiting import wait_for


def polled(*arguments: str) -> dict[int, int]:
    """Register values by address as mbpoll prints them."""
    ended = subprocess.run(
        ["mbpoll", "-0", "-1", "-a", "1", *arguments], capture_output=True, text=True, check=False, timeout=60
    )
    assert ended.returncode == 0, ended.stdout + ended.stderr
    return {
        int(place): int(value, 16)
        for place, value in re.findall(r"^\[(\d+)\]:\s+0x([0-9A-F]+)", ended.stdout, re.M)
    }


@pytest.fixture(params=["rtu", "tcp"])
def poll(request, start_simulator):
    """A simulator at noon and a function that polls it over one of the two wires."""
    simulator = start_simulator()
    simulator.tell("loads", name="lamps", on=True)
    simulator.advance_to("2026-11-11T12:00:00Z")
    host, port = simulator.charger["tcp"]
    wires = {
        "rtu": (["-m", "rtu", "-b", "9600", "-P", "none", "-s", "2"], [simulator.charger["serial"]]),
        "tcp": (["-m", "tcp", "-p", str(port)], [host]),
    }
    before, after = wires[request.param]
    return simulator, lambda *arguments: polled(*before, *arguments, *after)


def test_input_registers_are_the_truth(poll):
    simulator, read = poll
    truth = simulator.truth()
    values = read("-t", "3:hex", "-r", "700", "-c", "9")
    assert sorted(values) == list(range(700, 709))
    hundredth = {
        700: "battery_voltage_V",
        701: "charge_current_A",
        702: "array_voltage_V",
        703: "array_current_A",
        706: "load_current_A",
    }
    for address, name in hundredth.items():
        assert values[address] == round(truth[name] * 100)
    assert values[704] << 16 | values[705] == pytest.approx(truth["array_power_W"] * 100, abs=30)
    assert values[707] == round(truth["battery_temperature_C"] * 10)
    assert values[708] == round(truth["controller_temperature_C"] * 10)


def test_float_stage_and_faults_are_the_truth(poll):
    simulator, read = poll
    truth = simulator.truth()
    values = read("-t", "3:hex", "-r", "712", "-c", "4")
    (charge_W,) = struct.unpack(">f", struct.pack(">HH", values[713], values[712]))  # low word first
    assert charge_W == pytest.approx(truth["charge_power_W"], abs=0.2)
    assert values[714] == truth["charge_stage"] + 11
    assert values[715] == 0


def test_holding_registers_are_the_truth(poll):
    simulator, read = poll
    truth = simulator.truth()
    values = read("-t", "4:hex", "-r", "40", "-c", "5")
    assert values[40] == round(truth["absorption_set_V"] * 100)
    assert values[41] == round(truth["float_set_V"] * 100)
    assert values[42] == 0x10000 - 30
    load_W = truth["battery_voltage_V"] * truth["load_current_A"]
    raw = values[44] << 16 | values[43]
    signed = raw - (1 << 32) if raw >> 31 else raw
    assert signed == pytest.approx(load_W * 10, abs=3)


@pytest.mark.parametrize(("first", "count"), [("709", "1"), ("708", "5"), ("39", "2")])
def test_what_does_not_exist_is_refused(poll, first, count):
    _, read = poll
    with pytest.raises(AssertionError, match="Illegal data address"):
        read("-t", "3:hex", "-r", first, "-c", count)


def test_too_large_a_request_is_refused(poll):
    _, read = poll
    with pytest.raises(AssertionError, match="Illegal data value"):
        read("-t", "3:hex", "-r", "700", "-c", "25")


def stage_in(store):
    """The charge stage in a store, which may not be there yet."""
    with suppress(StoreError), open_reader(store) as reader:
        return [each.value for each in reader.latest() if each.quantity == "charge_stage"]


def test_the_peer_reads_what_the_daemon_stored(poll, tmp_path):
    simulator, read = poll
    site = MARSH_HIDE.replace("/dev/serial/by-id/usb-example", simulator.charger["serial"])
    site += "\n[store]\ncommit_every_s = 1\n"
    (tmp_path / "hide.toml").write_text(site, encoding="utf-8")
    daemon = subprocess.Popen([sys.executable, "-m", "monitor.cli", "monitor", str(tmp_path / "hide.toml")])
    wait_for(
        lambda: stage_in(tmp_path / "nightbank.db")
    )  # the plant stands still: one poll is as good as many
    daemon.send_signal(signal.SIGTERM)
    assert daemon.wait(60) == 0
    with open_reader(tmp_path / "nightbank.db") as reader:
        stored = {r.quantity: r.value for r in reader.latest() if r.device == "charger"}
    registers = read("-t", "3:hex", "-r", "700", "-c", "9") | read("-t", "3:hex", "-r", "712", "-c", "4")
    assert stored["battery_voltage_V"] == pytest.approx(registers[700] * 0.01)
    assert stored["charge_current_A"] == pytest.approx(registers[701] * 0.01)
    assert stored["array_voltage_V"] == pytest.approx(registers[702] * 0.01)
    assert stored["array_current_A"] == pytest.approx(registers[703] * 0.01)
    assert stored["array_power_W"] == pytest.approx((registers[704] << 16 | registers[705]) * 0.01)
    assert stored["load_current_A"] == pytest.approx(registers[706] * 0.01)
    assert stored["battery_temperature_C"] == pytest.approx(registers[707] * 0.1)
    assert stored["controller_temperature_C"] == pytest.approx(registers[708] * 0.1)
    (charge_W,) = struct.unpack(">f", struct.pack(">HH", registers[713], registers[712]))
    assert stored["charge_power_W"] == pytest.approx(charge_W, abs=0.001)  # the store keeps milliwatts
    assert stored["charge_stage"] == registers[714] - 11
