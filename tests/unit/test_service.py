"""The daemon's main loop on a card that cannot be written."""

from __future__ import annotations

import logging
import os
import socket
import subprocess
import sys
import threading
import time
from contextlib import suppress

import pytest

from monitor import service
from monitor.clock import SystemClock
from monitor.records import Reading, Request
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import leave_request, open_writer
from tests.unit.site_files import changed, write

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


def wait_for(manager, said):
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
    tmp_path, manager, caplog, monkeypatch
):
    """No device answers and what people asked for cannot be kept: every round fails, none of them hangs."""
    monkeypatch.setattr(service, "FEED_EVERY_S", 0.5)
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
            wait_for(manager, "READY=1")
            (pages,) = store._connection.execute("PRAGMA page_count").fetchone()
            store._connection.execute(
                f"PRAGMA max_page_count = {pages}"
            )  # SQLite then says 'full', as a card
            for _ in range(100):
                leave_request(path, Request(SystemClock().now_ms(), "test notice", ""))
            end_s = time.monotonic() + LONGEST_S
            while "the disk is full" not in caplog.text:
                assert time.monotonic() < end_s
                time.sleep(0.05)
            forget_all(manager)
            for _ in range(2):
                wait_for(manager, "WATCHDOG=1")
            assert caplog.text.count("the disk is full") == 1  # said again after a minute
        finally:
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
        wait_for(manager, "READY=1")
    finally:
        daemon.terminate()
        daemon.wait(LONGEST_S)
