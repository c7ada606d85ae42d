"""Fixtures for all rooms: simulators as processes, the demo's site file on the ports of a running one."""

from importlib.resources import files

import pytest

from tests.serving import ServedSimulator


@pytest.fixture(scope="session")
def site_text():
    """site_text(simulator, ...) -> the text of a site file for a simulator's ports."""

    def text(simulator, time_zone="Europe/London", every_s=5):
        content = files("monitor").joinpath("demo_site.toml").read_text(encoding="utf-8")
        for name, device in simulator.devices.items():
            content = content.replace(f"@{name.upper()}_PORT@", device["serial"])
        content = content.replace('"Europe/London"', f'"{time_zone}"')
        return content.replace("every_s = 5", f"every_s = {every_s}")

    return text


@pytest.fixture
def start_simulator(tmp_path):
    """start_simulator(*options, scenario=text, start=iso) -> a simulator that ends with the test."""
    started = []

    def start(*options, **more):
        folder = tmp_path / f"simulator{len(started)}"
        folder.mkdir()
        started.append(ServedSimulator(folder, *options, **more))
        return started[-1]

    yield start
    for simulator in started:
        simulator.stop()
