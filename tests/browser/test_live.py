"""Everything as in the field, at once: simulator, daemon and page as processes, and a phone's browser.

The daemon reads the charger over a tapped serial line at 9600 baud. The browser must show the numbers that
the simulator holds, and the tap must have seen nothing but reads.
"""

import signal
import subprocess
import sys
from pathlib import Path

import pytest
from playwright.sync_api import expect

from monitor.records import parse_iso
from monitor.simulated import SimulatorProcess
from tests.browser.conftest import Hide
from tests.waiting import wait_for
from tests.wiretap import WireTap, requests_in

MIDSUMMER_NOON = parse_iso("2026-06-21T11:30:00Z")

STEADY = """
[[weather]]
from_days_ago = 60
to_days_ago = 0
sky = "clear"
"""

SHOWN = {
    # quantity: how far the page may be from the plant: the display's step and what ten seconds may change
    "battery_voltage_V": 0.03,
    "battery_current_A": 0.15,
    "charge_current_A": 0.15,
    "array_voltage_V": 0.1,
    "array_power_W": 2.5,
    "battery_temperature_C": 0.15,
    "controller_temperature_C": 0.6,
    "midpoint_voltage_V": 0.03,
}


class LiveHide(Hide):
    """A hide whose store is filled by a real daemon."""

    def __init__(self, folder: Path, site_text) -> None:
        super().__init__(folder)
        (folder / "scenario.toml").write_text(STEADY)
        self.simulator = SimulatorProcess(folder / "ports", MIDSUMMER_NOON, scenario=folder / "scenario.toml")
        self.simulator.ask(do="advance", to_ms=MIDSUMMER_NOON + 600_000)
        self.simulator.ask(do="run", speed=1.0)
        charger_port = self.simulator.devices["charger"]["serial"]
        self.tap = WireTap(charger_port, folder / "tapped")
        text = site_text(self.simulator, every_s=1).replace(charger_port, str(folder / "tapped"))
        self.site_file.write_text(text.replace("commit_every_s = 5", "commit_every_s = 1"))
        self.daemon_log = folder / "daemon.log"
        command = [sys.executable, "-m", "monitor.cli", "monitor", str(self.site_file)]
        with self.daemon_log.open("wb") as log:
            self.daemon = subprocess.Popen(command, stderr=log)

    def truth(self):
        return self.simulator.ask(do="truth")["truth"]

    def end(self) -> None:
        super().end()
        self.daemon.send_signal(signal.SIGTERM)
        self.daemon.wait(60)
        self.tap.close()
        self.simulator.__exit__(None, None, None)


@pytest.fixture(scope="module")
def live(tmp_path_factory, site_text):
    hide = LiveHide(tmp_path_factory.mktemp("live"), site_text)
    wait_for(hide.store_file.exists, hide.daemon_log.read_text)
    hide.serve()
    yield hide
    hide.end()


def shown(page, quantity):
    return page.locator(f"[data-quantity={quantity}]")


def test_the_phone_shows_the_numbers_that_the_simulator_holds(live, visit):
    page = visit.open(live)
    expect(shown(page, "charge_stage")).to_have_text("bulk")
    page.get_by_text("All values").click()
    truth = live.truth()
    for quantity, tolerance in SHOWN.items():
        value = float(shown(page, quantity).get_attribute("data-value"))
        assert value == pytest.approx(truth[quantity], abs=tolerance), quantity
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_a_lamp_switched_on_in_the_plant_is_seen_on_the_phone(live, visit):
    page = visit.open(live)
    expect(shown(page, "load_current_A")).to_be_attached()
    page.get_by_text("All values").click()
    before_A = float(shown(page, "load_current_A").get_attribute("data-value"))
    live.simulator.ask(do="loads", name="party", on=True)
    load = "Number(document.querySelector('[data-quantity=load_current_A]').dataset.value)"
    page.wait_for_function(f"before => {load} > before + 8", arg=before_A)
    live.simulator.ask(do="loads", name="party", on=None)


def test_an_unplugged_adapter_is_told_and_picked_up_again(live, visit):
    page = visit.open(live)
    live.simulator.ask(do="unplug", device="shunt")
    expect(page.locator("#devices")).to_contain_text("silent since")
    live.simulator.ask(do="plug", device="shunt")
    expect(page.locator("#devices")).not_to_contain_text("silent since")


def test_nothing_but_reads_went_over_the_wire(live):
    live_requests = requests_in(bytes(live.tap.asked))
    assert len(live_requests) > 10
    whole = [request for request in live_requests if len(request) == 8]
    assert {request[0] for request in whole} == {1}, "unit"
    assert {request[1] for request in whole} <= {3, 4}, "function"
    # every 8 bytes are a read of registers that the profile names, so no other message can hide among them
    addresses = {int.from_bytes(request[2:4], "big") for request in whole}
    assert addresses <= {*range(700, 716), 43}


def test_the_daemon_stops_cleanly_and_the_page_says_so(live, visit):
    page = visit.open(live)
    live.daemon.send_signal(signal.SIGTERM)
    assert live.daemon.wait(60) == 0
    expect(page.locator("#lead")).to_contain_text("stopped")
    assert "Traceback" not in live.daemon_log.read_text()
