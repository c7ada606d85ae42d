"""Fixtures for all rooms: simulators as processes, the demo's site file on their ports, a seed."""

from __future__ import annotations

import random
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from monitor import demo
from monitor.simulated import SimulatorProcess
from tests.serving import ServedSimulator

# A shell that starts the tests in the background has them, and all they start, ignore Ctrl-C.
signal.signal(signal.SIGINT, signal.default_int_handler)

# A busy computer may take its time for an example, and what failed is told so that it can be tried again.
settings.register_profile(
    "here", deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("here")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--seed", type=int, help="draw once more what a failed run has drawn from this seed")


@pytest.fixture(scope="session")
def session_seed(request: pytest.FixtureRequest) -> int:
    """A seed of this run's own, or the one that --seed gives."""
    given: int | None = request.config.getoption("--seed")
    return random.SystemRandom().randrange(10**9) if given is None else given


@pytest.fixture
def seed(session_seed: int) -> int:
    """The same for a test that draws at random; a failure shows it."""
    print(f"seed {session_seed}")
    return session_seed


@pytest.fixture(scope="session")
def site_text() -> Callable[..., str]:
    """site_text(simulator, ...) -> the text of a site file for a simulator's ports."""

    def text(simulator: SimulatorProcess, time_zone: str = "Europe/London", every_s: float = 5) -> str:
        content = demo.site_text(simulator).replace('"Europe/London"', f'"{time_zone}"')
        return content.replace("\nevery_s = 5", f"\nevery_s = {every_s}")

    return text


@pytest.fixture
def start_simulator(tmp_path: Path) -> Iterator[Callable[..., ServedSimulator]]:
    """start_simulator(*options, scenario=text, start=iso) -> a simulator that ends with the test."""
    started: list[ServedSimulator] = []

    def start(*options: str, **more: str) -> ServedSimulator:
        folder = tmp_path / f"simulator{len(started)}"
        folder.mkdir()
        started.append(ServedSimulator(folder, *options, **more))
        return started[-1]

    yield start
    for simulator in started:
        simulator.stop()
