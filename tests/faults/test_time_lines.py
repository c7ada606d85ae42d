"""The real daemon on a board that boots in 1970, at the line of a receiver that tells the time beside values.

The judge is what was sent: each line of values holds a voltage that no other one holds, and the moment at
which it was written is kept. The board's count goes ten times as fast as life, and so do the lines: one each
second of it.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import tty
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.clock.kernel import Kernel
from monitor.records import parse_iso
from monitor.store.embedded import open_reader
from tests.faults.clock_child import FileBoard, set_clocks
from tests.waiting import wait_for

TRUE_BEGIN_MS = parse_iso("2026-06-21T10:00:00Z")
SPEED = 10
NEAR_MS = 600 * SPEED
"""A line is written, read and judged within 0.6 s of life (our choice)."""

PROFILE = """
protocol = "text"
about = "Weather mast with a receiver of satellite time"
source = "NMEA 0183, RMC and XDR"
interval_s = 0.1
form = "columns"
start = "$"
separator = ","
checksum = "xor"

[time]
only_where = { 0 = "GPRMC" }
valid = { 2 = "A" }
time = 1
date = 9

[[fields]]
quantity = "battery_voltage_V"
only_where = { 0 = "IIXDR" }
column = 2
unit = "V"
"""

SITE = Path(__file__).parents[2] / "monitor/demo_site.toml"


class Mast:
    """Writes the time, and a voltage that goes up line by line, each second of the board."""

    def __init__(self, board: Kernel) -> None:
        self.near, self._far = os.openpty()
        tty.setraw(self._far)
        self.path, self.sent_ms = os.ttyname(self._far), dict[float, int]()
        self.off_ms = -1024 * 7 * 86_400_000  # it has begun to count its weeks anew
        self._board, self._stop = board, threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        number = 0
        while not self._stop.wait(1 / SPEED):
            number += 1
            voltage = round(11 + number / 1000, 3)
            true_ms = TRUE_BEGIN_MS + self._board.count_ms()
            self.sent_ms[voltage] = true_ms
            told = datetime.fromtimestamp((true_ms + self.off_ms) / 1000, UTC)
            at, date = f"{told:%H%M%S}.{told.microsecond // 10_000:02d}", f"{told:%d%m%y}"
            for body in (f"GPRMC,{at},A,,,,,,,{date},,", f"IIXDR,U,{voltage:.3f},V,BATT"):
                total = 0
                for character in body.encode():
                    total ^= character
                os.write(self.near, f"${body}*{total:02X}\r\n".encode())

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self.near)
        os.close(self._far)


@pytest.mark.timed
def test_readings_of_a_board_that_boots_in_1970_land_at_their_time(tmp_path: Path) -> None:
    set_clocks(tmp_path, on_ms=Kernel().count_ms(), offset_ms=0, is_set=False, speed=SPEED)
    mast = Mast(FileBoard(tmp_path))
    log = tmp_path / "log"
    try:
        (tmp_path / "mast.toml").write_text(PROFILE, encoding="utf-8")
        head = SITE.read_text(encoding="utf-8").partition("[[devices]]")[0]
        head = head.replace("commit_every_s = 5", "commit_every_s = 1")
        device = f'name = "mast"\nprofile = "mast.toml"\nconnection = "serial"\nport = "{mast.path}"\n'
        (tmp_path / "site.toml").write_text(f"{head}[[devices]]\n{device}every_s = 0.2\n", encoding="utf-8")
        command = [
            sys.executable,
            "-m",
            "tests.faults.clock_child",
            str(tmp_path / "site.toml"),
            str(tmp_path),
        ]
        with log.open("ab") as errors:
            daemon = subprocess.Popen(command, stderr=errors)
        try:
            await_words(log, "is not taken: the monitor is younger")
            assert "The time is known" not in log.read_text(encoding="utf-8")
            mast.off_ms = 0
            await_words(log, "The time is known now, by the receiver on a line")
            await_words(log, "readings that had waited for the time are stamped and stored")
        finally:
            daemon.send_signal(signal.SIGTERM)
            daemon.wait(60)
    finally:
        mast.close()
    with open_reader(tmp_path / "nightbank.db") as reader:
        stored = [
            each
            for each in reader.readings(0, 2**42, {"mast"})
            if each.quantity == "battery_voltage_V" and each.value is not None
        ]
    assert len(stored) >= 10
    for each in stored:
        assert abs(each.time_ms - mast.sent_ms[round(each.value, 3)]) <= NEAR_MS


def await_words(log: Path, words: str) -> None:
    wait_for(lambda: words in log.read_text(encoding="utf-8"), log.read_text)
