"""A phone tells the time to a monitor that does not know it: real daemon, real page, a browser.

The daemon runs on a board without a clock chip whose system clock stands at 1970.
"""

import os
import subprocess
import sys
import time
from contextlib import closing

import pytest
from playwright.sync_api import expect

from monitor.clock.kernel import BOOT_VARIABLE
from monitor.pin import pin_path, set_pin
from monitor.simulated import SimulatorProcess
from monitor.store.embedded import open_reader
from tests.browser.conftest import Hide
from tests.faults.clock_child import set_clocks
from tests.waiting import wait_for

PIN = "739204"


@pytest.fixture
def hut(tmp_path, site_text, monkeypatch):
    with SimulatorProcess(tmp_path / "ports", time.time_ns() // 1_000_000) as simulator:
        simulator.ask(do="run", speed=1.0)
        made = Hide(tmp_path)
        made.site_file.write_text(
            site_text(simulator, every_s=1).replace("commit_every_s = 5", "commit_every_s = 1")
        )
        set_clocks(tmp_path, on_ms=0, offset_ms=-3_600_000, is_set=False)
        monkeypatch.setenv(BOOT_VARIABLE, "boot at 0")  # as the unit hands it to the page
        command = [sys.executable, "-m", "tests.faults.clock_child", str(made.site_file), str(tmp_path)]
        with (tmp_path / "daemon.log").open("ab") as log:
            daemon = subprocess.Popen(command, stderr=log, stdout=log, env=os.environ | {"NOTIFY_SOCKET": ""})
        yield made
        daemon.terminate()
        daemon.wait(60)
        made.end()
        for log in (made.log, tmp_path / "daemon.log"):
            assert "Traceback" not in log.read_text(encoding="utf-8")


def test_a_phone_tells_the_time_and_all_that_waited_gets_it(chromium, hut):
    wait_for((hut.folder / "nightbank.db.held").exists)
    set_pin(pin_path(hut.store_file), PIN)
    hut.serve()
    page = chromium.new_context(viewport={"width": 360, "height": 780}).new_page()
    page.goto(hut.url + "unlock?back=/care")
    page.get_by_label("PIN").fill(PIN)
    page.get_by_role("button", name="Unlock").click()
    expect(page.locator(".head")).to_contain_text("The time is not known yet")
    assert page.locator(".head").inner_text().count(".") == 1, "one sentence"
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    with closing(open_reader(hut.store_file)) as reader:
        assert reader.latest() == []
    begin_ms = time.time_ns() // 1_000_000
    page.get_by_role("button", name="Take the time of this phone").click()
    expect(page.locator("#outcome")).to_contain_text("The time is taken.")
    expect(page.locator(".head")).to_have_count(0)
    expect(page.locator("#time")).to_contain_text("by the time of the phone")

    def stored_ms():
        with closing(open_reader(hut.store_file)) as reader:
            return [each.time_ms for each in reader.readings(0, 2**42, {"charger"})]

    found = wait_for(stored_ms)
    assert min(found) < begin_ms + 3000  # what was read before it was told
    assert abs(max(found) - time.time_ns() // 1_000_000) < 60_000
