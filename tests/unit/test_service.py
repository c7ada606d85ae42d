"""The daemon's main loop on a card that cannot be written."""

from __future__ import annotations

import logging
import os
import socket
import subprocess
import sys
import threading
from contextlib import suppress

import pytest

from monitor import service
from monitor.clock import SystemClock
from monitor.devices.device import Line
from monitor.devices.health import HealthRecord
from monitor.errors import NoAnswer
from monitor.log_lines import ALIKE_AT_ONCE, FewLines
from monitor.records import Reading, Request
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import leave_request, open_reader, open_writer
from monitor.store.heartbeat import read_heartbeat
from tests.unit.site_files import changed, write
from tests.waiting import wait_for

HOOK = """
[[channels]]
name = "hook"
kind = "hook"
url = "http://127.0.0.1:9/"
"""
LONGEST_S = 20.0


@pytest.fixture
def manager(tmp_path, monkeypatch):
    """The service manager's end of the notifications."""
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(path))
        listening.settimeout(LONGEST_S)
        monkeypatch.setenv("NOTIFY_SOCKET", str(path))
        yield listening


def hear(manager, said):
    while said not in manager.recv(4096).decode():
        pass


def forget_all(manager):
    """Leave what was said so far unread."""
    manager.setblocking(False)
    with suppress(BlockingIOError):
        while manager.recv(4096):
            pass
    manager.settimeout(LONGEST_S)


def test_the_watchdog_is_fed_and_the_log_stays_short_while_the_card_is_full(
    tmp_path, manager, caplog, capsys, monkeypatch
):
    """No device answers and what people asked for cannot be kept: every round fails, none of them hangs."""
    monkeypatch.setattr(service, "FEED_EVERY_S", 0.5)
    monkeypatch.setattr(service, "WAKE_S", 0.1)
    few = FewLines()  # as the command has it
    logging.getLogger("nightbank").addHandler(few)
    file = write(tmp_path, changed(more=HOOK))
    path = tmp_path / "nightbank.db"
    caplog.set_level(logging.ERROR)
    stop = threading.Event()
    with open_writer(path, "Europe/London") as store:
        site, _ = with_defaults(load_site(file))
        daemon = threading.Thread(
            target=service.serve, args=(site, file, [], store, SystemClock(), stop), daemon=True
        )
        daemon.start()
        try:
            hear(manager, "READY=1")
            (pages,) = store._connection.execute("PRAGMA page_count").fetchone()
            store._connection.execute(
                f"PRAGMA max_page_count = {pages}"
            )  # SQLite then says 'full', as a card
            for _ in range(100):
                leave_request(path, Request(SystemClock().now_ms(), "test notice", ""))
            wait_for(lambda: caplog.text.count("the disk is full") >= 2 * ALIKE_AT_ONCE)
            forget_all(manager)
            for _ in range(2):
                hear(manager, "WATCHDOG=1")
            assert capsys.readouterr().err.count("the disk is full") == ALIKE_AT_ONCE
        finally:
            logging.getLogger("nightbank").removeHandler(few)
            store._connection.execute("PRAGMA max_page_count = 1000000")
            stop.set()
            daemon.join(LONGEST_S)
    assert not daemon.is_alive()


def test_a_start_that_sums_all_days_anew_asks_for_time_channel_by_channel(tmp_path, manager):
    """Five years of readings take longer than the two minutes after which a start is ended."""
    file = write(tmp_path, changed())
    with open_writer(tmp_path / "nightbank.db", "Asia/Kathmandu") as store:
        readings = [Reading(hour * 3_600_000, "shunt", "battery_voltage_V", 12.5) for hour in range(50)]
        store.append([*readings, Reading(0, "shunt", "battery_current_A", 1.0)])
        store.commit()
    command = [sys.executable, "-c", "from monitor.cli import main; main()", "monitor", str(file)]
    daemon = subprocess.Popen(command, env=dict(os.environ), stderr=subprocess.DEVNULL)
    try:
        for _ in range(2):
            assert manager.recv(4096).startswith(b"EXTEND_TIMEOUT_USEC=")
        hear(manager, "READY=1")
    finally:
        daemon.terminate()
        daemon.wait(LONGEST_S)


HUNGRY_S = 2.0
"""Twenty feedings would have come in this time."""


def starve(manager):
    """Wait until the watchdog has not been fed for HUNGRY_S."""
    wait_for(lambda: is_hungry(manager), "a watchdog that is not fed")


def is_hungry(manager):
    manager.settimeout(HUNGRY_S)
    try:
        manager.recv(4096)
    except TimeoutError:
        return True
    finally:
        manager.settimeout(LONGEST_S)
    return False


def beat_ms(path):
    with open_reader(path) as reader:
        return read_heartbeat(reader).time_ms


class Stuck:
    """A device whose driver hangs unless `goes` is set, as a call into a kernel can; it never answers."""

    name, every_s, quantities, clock = "charger", 0.1, ("battery_voltage_V",), SystemClock()

    def __init__(self):
        self.health = HealthRecord(self.name, "/dev/stuck", 0)
        self.goes = threading.Event()
        self.goes.set()

    def poll(self, again=False):
        self.goes.wait(LONGEST_S * 3)
        raise NoAnswer("nothing")

    def close(self):
        pass


def test_the_watchdog_is_not_fed_while_a_line_hangs_though_all_else_goes_on(tmp_path, manager, monkeypatch):
    """A timer would feed it all the same; it is the poll loop that does."""
    monkeypatch.setattr(service, "FEED_EVERY_S", 0.1)
    monkeypatch.setattr(service, "STALL_S", 1.0)
    monkeypatch.setattr(service, "STALL_TIMEOUTS", 0)
    file = write(tmp_path, changed(more="[store]\ncommit_every_s = 1\n"))
    path, device, stop = tmp_path / "nightbank.db", Stuck(), threading.Event()
    with open_writer(path, "Europe/London") as store:
        site, _ = with_defaults(load_site(file))
        lines = [Line("stuck", None, (device,))]
        daemon = threading.Thread(
            target=service.serve, args=(site, file, lines, store, SystemClock(), stop), daemon=True
        )
        daemon.start()
        try:
            hear(manager, "READY=1")
            hear(manager, "WATCHDOG=1")
            device.goes.clear()
            starve(manager)
            beaten_ms = beat_ms(path)
            wait_for(lambda: beat_ms(path) != beaten_ms, "a main loop that goes on")
            assert is_hungry(manager)
            device.goes.set()
            hear(manager, "WATCHDOG=1")
        finally:
            device.goes.set()
            stop.set()
            daemon.join(LONGEST_S)
    assert not daemon.is_alive()
