"""A real time-series server and the way to it, for the tests of a module."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.interop.mirror_world import BUCKET
from tests.interop.series_servers import Gate, Influx


@pytest.fixture(scope="module")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx]:
    with Influx(tmp_path_factory.mktemp("influx")) as server:
        yield server


@pytest.fixture(scope="module")
def opened_gate(tmp_path_factory: pytest.TempPathFactory, influx: Influx) -> Iterator[Gate]:
    with Gate(tmp_path_factory.mktemp("gate"), influx.port) as server:
        yield server


@pytest.fixture
def gate(influx: Influx, opened_gate: Gate) -> Gate:
    """The way to an empty database."""
    influx.ask(f"DROP DATABASE {BUCKET}")
    influx.ask(f"CREATE DATABASE {BUCKET}")
    return opened_gate
