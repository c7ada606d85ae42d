"""Two sites on one computer: the units' own commands, each with a port, a folder and a page of its own.

systemd itself is not there; its units' ExecStart lines are, with the site's name and another root put in.
"""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import threading
from contextlib import ExitStack, suppress
from pathlib import Path
from urllib.request import urlopen

import pytest

from tests.ports import free_port
from tests.unit.far_ends import PtyFarEnd, shunt_line
from tests.unit.site_files import changed
from tests.waiting import PATIENCE_S, wait_for

UNITS = Path(__file__).parents[2] / "systemd"
VOLTAGES_V = {"hide": 12.61, "shed": 13.24}

SITE = """
[store]
path = "{store}"
commit_every_s = 1

[page]
host = "127.0.0.1"
port = {port}

[[devices]]
name = "shunt"
profile = "marsh-shunt"
connection = "serial"
port = "{tty}"
every_s = 1
"""


class Place:
    """One site: its file, its folder, its shunt, its services."""

    def __init__(self, root: Path, name: str) -> None:
        self.root, self.name, self.port = root, name, free_port()
        self.folder = root / "var/lib/nightbank" / name  # systemd's StateDirectory
        self.folder.mkdir(parents=True)
        self.shunt = PtyFarEnd(root / f"tty-{name}")
        self.file = root / "etc/nightbank" / f"{name}.toml"
        self.file.parent.mkdir(parents=True, exist_ok=True)
        more = SITE.format(store=self.folder / "nightbank.db", port=self.port, tty=self.shunt.link)
        self.file.write_text(changed(without=("devices",), more=more), encoding="utf-8")

    def start(self, unit: str) -> subprocess.Popen[str]:
        """A service of the site as its unit starts it, but for the root."""
        text = (UNITS / f"nightbank-{unit}@.service").read_text(encoding="utf-8")
        program, *rest = re.findall(r"(?m)^ExecStart=(.*)$", text)[0].replace("%i", self.name).split()
        assert program == "/opt/nightbank/bin/nightbank"
        rest = [f"{self.root}{each}" if each.startswith("/") else each for each in rest]
        command = [sys.executable, "-m", "monitor.cli", *rest]
        return subprocess.Popen(command, cwd=self.folder, stderr=subprocess.PIPE, text=True)

    def say(self) -> None:
        """One line of the shunt."""
        self.shunt.say(shunt_line(VOLTAGES_V[self.name]))

    def reading(self) -> tuple[float, str]:
        """The battery's voltage by the site's page, and when it was read."""
        with urlopen(f"http://127.0.0.1:{self.port}/api/v1/latest", timeout=PATIENCE_S) as answer:
            found = json.load(answer)["quantities"]["battery_voltage_V"]
        return found["value"], found["time"]


@pytest.fixture
def places(tmp_path):
    """Both sites, with shunts that speak each second; what was started in it ends with it."""
    both = {name: Place(tmp_path, name) for name in VOLTAGES_V}
    ended = threading.Event()

    def speak():
        while not ended.wait(0.2):
            for place in both.values():
                place.say()

    speaker = threading.Thread(target=speak)
    speaker.start()
    yield both
    ended.set()
    speaker.join()
    for place in both.values():
        place.shunt.close()


def newer_than(place, moment):
    """The site's reading, once it is a newer one; None where the page is not there yet."""
    with suppress(OSError, LookupError):
        value, at = place.reading()
        return (value, at) if value is not None and at > moment else None


def test_two_sites_run_side_by_side_and_one_does_not_need_the_other(places):
    with ExitStack() as stack:
        running = {}
        for place in places.values():
            for unit in ("monitor", "page"):
                running[place.name, unit] = process = stack.enter_context(place.start(unit))
                stack.callback(process.kill)
        seen = {name: wait_for(lambda place=place: newer_than(place, "")) for name, place in places.items()}
        assert {name: value for name, (value, _) in seen.items()} == VOLTAGES_V
        running["hide", "monitor"].kill()
        running["hide", "monitor"].wait(PATIENCE_S)
        _, before = places["shed"].reading()
        value, _ = wait_for(lambda: newer_than(places["shed"], before))
        assert value == VOLTAGES_V["shed"]
        assert places["hide"].reading()[0] == VOLTAGES_V["hide"]  # the page shows the past by itself
        for service in (("shed", "monitor"), ("shed", "page"), ("hide", "page")):
            running[service].send_signal(signal.SIGTERM)
        assert [running[name, "page"].wait(PATIENCE_S) for name in places] == [0, 0]
        assert running["shed", "monitor"].wait(PATIENCE_S) == 0
