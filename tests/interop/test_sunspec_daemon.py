"""A site whose charger carries a SunSpec map, with the daemon and the commands as a person runs them."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.records import parse_iso
from monitor.simulated import SimulatorProcess
from tests.waiting import wait_for

COMMAND = (sys.executable, "-m", "monitor.cli")


def now(site: Path) -> dict:
    """The quantities that `nightbank now` tells; none before the store is there."""
    shown = subprocess.run(
        [*COMMAND, "now", str(site), "--json"], capture_output=True, text=True, check=False
    )
    return json.loads(shown.stdout)["quantities"] if shown.returncode == 0 else {}


@pytest.fixture
def simulator(tmp_path: Path) -> Iterator[SimulatorProcess]:
    scenario = tmp_path / "scenario.toml"
    scenario.write_text('[charger]\nmap = "sunspec"\n')
    start_ms = parse_iso("2026-06-21T11:00:00Z")
    with SimulatorProcess(tmp_path / "ports", start_ms, scenario=scenario) as process:
        process.ask(do="advance", to_ms=start_ms + 1_800_000)
        yield process


def test_what_find_writes_for_the_site_file_is_read_by_the_daemon(
    simulator, site_text, tmp_path: Path
) -> None:
    """find -> its table in the site file -> monitor -> now, against the plant's truth."""
    port = simulator.devices["charger"]["serial"]
    found = subprocess.run(
        [*COMMAND, "find", "--port", port, "--units", "1", "--json"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert found.returncode == 0, found.stderr
    (line,) = json.loads(found.stdout)["lines"]
    (device,) = line["devices"]
    assert (line["state"], device["sunspec"]) == ("modbus", [1, 65001, 160, 802])
    text = site_text(simulator).replace("commit_every_s = 5", "commit_every_s = 1")
    head, _, tail = text.partition("[[devices]]")
    site = tmp_path / "site.toml"
    site.write_text(head + device["site"] + "\n[store]" + tail.partition("[store]")[2])
    checked = subprocess.run(
        [*COMMAND, "site", "check", str(site)], capture_output=True, text=True, check=False
    )
    assert checked.returncode == 0, checked.stderr
    with (tmp_path / "log").open("wb") as log:
        daemon = subprocess.Popen([*COMMAND, "monitor", str(site)], stderr=log)
        try:
            wait_for(lambda: "array_power_W" in now(site), (tmp_path / "log").read_text)
            shown = now(site)
            held = subprocess.run(
                [*COMMAND, "find", "--port", port],
                capture_output=True,
                text=True,
                check=False,
            )
        finally:
            daemon.terminate()
            daemon.wait(60)
    truth = simulator.ask(do="truth")["truth"]
    values = {name: entry["value"] for name, entry in shown.items()}
    assert values["battery_voltage_V"] == pytest.approx(truth["battery_voltage_V"], abs=0.02)
    assert values["battery_current_A"] == pytest.approx(truth["battery_current_A"], abs=0.2)
    assert values["array_power_W"] == pytest.approx(truth["array_power_W"], rel=0.02)
    assert held.returncode == 1
    assert "held by another program, most likely the monitor; left alone" in held.stdout
