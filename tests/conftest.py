"""Fixtures for all rooms: the demo's site file on the ports of a running simulator."""

from importlib.resources import files

import pytest


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
