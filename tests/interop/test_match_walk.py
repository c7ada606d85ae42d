"""A person finds a controller's registers at a real terminal, and the daemon then reads it.

The far end is the tests' own device on a pseudo-terminal; where its registers lie is known from the start, as
after a scan, so that no test waits minutes for the search (`test_scan.py` has that).
"""

from __future__ import annotations

import os
import pty
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from monitor.devices.places import Places, Run, save_places
from monitor.match.habits import NAMES, SOUGHT
from tests.unit.far_ends import Registers, RtuFarEnd
from tests.unit.site_files import changed
from tests.waiting import PATIENCE_S, wait_for

BAUD = 115200
COMMAND = (sys.executable, "-c", "from monitor.cli import main; main(prog_name='nightbank')")
CTRL_C = b"\x03"

# volts and amperes in hundredths from address 100 of function 4 on; the load's switch as a set point of old
COLUMNS = ("battery_voltage_V", "charge_current_A", "array_voltage_V", "load_current_A")
LOOKS = ((1214, 155, 3205, 120), (1362, 903, 3051, 310), (1287, 190, 3312, 70))
SHOWN = (("12.1", "1.5", "32.0", "1.2"), ("13.6", "9.0", "30.5", "3.1"), ("12.8", "1.9", "33.1", "0.7"))


def registers(look: int) -> Registers:
    """What the device holds at a look: live values and, in function 3, set points that never move."""
    live = {(4, 100 + at): word for at, word in enumerate(LOOKS[look])}
    return {**live, (3, 10): 1440, (3, 11): 1360, (3, 12): 1150, (3, 13): 200}


class Terminal:
    """A command at a terminal of its own, read and typed at like a person does."""

    def __init__(self, *arguments: object) -> None:
        self._ours, theirs = pty.openpty()
        self._process = subprocess.Popen(
            [*COMMAND, *map(str, arguments)],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            start_new_session=True,
            preexec_fn=lambda: os.close(os.open(os.ttyname(0), os.O_RDWR)),  # makes it the controlling one
        )
        os.close(theirs)
        self.said, self._read_to = "", 0

    def wait_for(self, words: str, key: bytes = b"") -> None:
        """Until these words come that had not been waited for; a key is pressed each three seconds."""
        end_s, press_s = time.monotonic() + PATIENCE_S, time.monotonic()
        while words not in self.said[self._read_to :]:
            assert time.monotonic() < end_s, f"no {words!r} in:\n{self.said}"
            if key and time.monotonic() >= press_s:
                os.write(self._ours, key)
                press_s += 3.0
            if select.select([self._ours], [], [], 0.1)[0]:
                self._take()
        self._read_to = self.said.index(words, self._read_to) + len(words)

    def type(self, text: str) -> None:
        os.write(self._ours, text.encode() + b"\n")

    def end(self) -> int:
        """The exit status; all that was said is read."""
        end_s = time.monotonic() + PATIENCE_S
        while not select.select([self._ours], [], [], 0.1)[0] or self._take():
            assert time.monotonic() < end_s, self.said
        return self._process.wait(PATIENCE_S)

    def close(self) -> None:
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        os.close(self._ours)

    def _take(self) -> bool:
        try:
            said = os.read(self._ours, 65536)
        except OSError:  # the command has ended
            return False
        self.said += said.decode("utf-8", "replace").replace("\r\n", "\n")
        return bool(said)

    def answer(self, *typed: tuple[str, str]) -> None:
        """Type to each question: what is asked for, and what is typed then."""
        for quantity, text in typed:
            self.wait_for(f"  {NAMES[quantity]} [{SOUGHT[quantity].unit}]: ")
            self.type(text)


@pytest.fixture
def device(tmp_path: Path):
    far_end = RtuFarEnd(tmp_path / "usb-adapter", {1: registers(0)}, baud=BAUD, thought_s=0.0)
    yield far_end
    far_end.close()


@pytest.fixture
def at_terminal():
    opened: list[Terminal] = []

    def start(*arguments: object) -> Terminal:
        opened.append(Terminal(*arguments))
        return opened[-1]

    yield start
    for terminal in opened:
        terminal.close()


def run(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*COMMAND, *map(str, arguments)], capture_output=True, text=True, check=False)


def look(number: int) -> list[tuple[str, str]]:
    """What the display shows at a look, in the order in which it is asked for."""
    return list(zip(COLUMNS, SHOWN[number], strict=True))


def test_from_the_first_look_to_the_daemon_s_reading(tmp_path: Path, device: RtuFarEnd, at_terminal) -> None:
    folder = tmp_path / "shed"
    folder.mkdir()
    save_places(
        Places((Run(3, 10, 4), Run(4, 100, 4)), 16), folder / "dump.places.json", f"{device.link}, unit 1"
    )
    line = ("match", device.link, "--session", folder, "--baud", BAUD)

    # a slip of the finger, a number without its point, a line taken back; then the night is long
    person = at_terminal(*line)
    person.wait_for("> ")
    person.type("")
    person.answer(
        ("battery_voltage_V", "twelve"),
        ("battery_voltage_V", "121"),
        ("battery_voltage_V", "12.7"),
        ("charge_current_A", "back"),
        *((quantity, dict(look(0)).get(quantity, "")) for quantity in SOUGHT),
    )
    person.wait_for("After 1 look at the display: ")
    person.wait_for("Next: ")
    person.wait_for("> ")
    person.type("stop")
    assert person.end() == 0
    assert "'twelve' is no number; write it like 12.6" in person.said
    assert "121 V looks like a typing mistake" in person.said
    assert person.said.endswith("unit = 1\n\n")

    # taken up again; the adapter falls out and is put back, the device is slow; then Ctrl-C among the digits
    person = at_terminal(*line)
    person.wait_for("shed has 1 look so far.")
    person.wait_for("> ")
    device.unplug()
    person.type("")
    person.wait_for("usb-adapter: ")
    person.wait_for("This look was not taken. Mend that, then press Enter")
    person.wait_for("> ")
    device.units[1], device.thought_s = registers(1), 0.7
    device.plug()
    person.type("")
    person.wait_for("press Enter at that moment")
    person.wait_for("> ")
    person.type("")
    person.answer(*look(1))
    person.wait_for("After 2 looks at the display: ")
    person.wait_for("> ")
    person.type("")
    person.answer(("battery_voltage_V", "12.8"))
    person.wait_for("charge current")
    # one that falls between a prompt and its read is seen with the next key only, so it may take two
    person.wait_for(
        f"The looks finished so far are kept in {folder}; the same command goes on there.", CTRL_C
    )
    assert person.end() == 1
    assert "Traceback" not in person.said

    # the last look; what is told then goes into the site file as it stands
    device.units[1], device.thought_s = registers(2), 0.0
    person = at_terminal(*line)
    person.wait_for("shed has 2 looks so far.")
    person.wait_for("> ")
    person.type("")
    person.answer(*look(2))
    person.wait_for("After 3 looks at the display: ")
    person.type("stop")
    assert person.end() == 0
    table = person.said[person.said.rindex("[[devices]]") :]
    site = tmp_path / "hide.toml"
    site.write_text(changed(without=("devices",), more=table), encoding="utf-8")
    (tmp_path / "shed.toml").write_bytes((folder / "profile.toml").read_bytes())
    checked = run("site", "check", site)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    daemon = subprocess.Popen([*COMMAND, "monitor", str(site)], stderr=subprocess.DEVNULL)
    try:
        wait_for(lambda: "12.87 V" in run("now", site).stdout)
        assert daemon.poll() is None
    finally:
        daemon.send_signal(signal.SIGTERM)
        daemon.wait(PATIENCE_S)
    assert {request[1] for request in device.requests} == {3, 4}
