"""`python -m simulator serve`: the marsh hide's devices for a monitor to read."""

from __future__ import annotations

import signal
import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path
from types import FrameType

import click

from simulator.replay import ReplayError
from simulator.scenario import load_world
from simulator.serve import Service, talk
from simulator.tables import ScenarioError


class Moment(click.ParamType):  # type: ignore[type-arg,unused-ignore]
    """An ISO 8601 time with its zone, as UTC milliseconds."""

    name = "ISO_UTC"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> int:
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            self.fail(f"{value!r} is no ISO 8601 time; write for example 2026-11-11T00:00:00Z", param, ctx)
        if moment.tzinfo is None:
            self.fail(f"{value!r} names no zone; add Z", param, ctx)
        return round(moment.timestamp() * 1000)


@click.group()
def main() -> None:
    """A small off-grid supply that exists only as equations and wires."""


@main.command()
@click.option("--scenario", type=click.Path(path_type=Path), help="TOML laid over the built-in scenario.")
@click.option(
    "--ports", type=click.Path(path_type=Path, file_okay=False), help="Folder for the serial ports' links."
)
@click.option(
    "--start",
    type=Moment(),
    help="Simulated time of the start; the scenario's window begins there. "
    "Without it: now, and the window lies behind.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Weather, loads and drawn constants.")
@click.option(
    "--truth", type=click.Path(path_type=Path, dir_okay=False), help="CSV file for the ground truth."
)
@click.option(
    "--tcp-port", type=click.IntRange(0, 65535), default=0, help="Port for Modbus TCP; 0 takes a free one."
)
def serve(
    scenario: Path | None, ports: Path | None, start: int | None, seed: int, truth: Path | None, tcp_port: int
) -> None:
    """Present the devices, print one JSON line when ready, then obey JSON lines on standard input.

    Time stands still until told: {"do": "advance", "to_ms": N} or {"do": "run", "speed": 1.0}.
    """
    signal.signal(signal.SIGTERM, leave)
    signal.signal(signal.SIGINT, leave)
    with tempfile.TemporaryDirectory(prefix="marsh-ports-") as own_folder:
        try:
            world = load_world(scenario, start, time.time_ns() // 1_000_000, seed)
            service = Service(world, ports or Path(own_folder), tcp_port, truth)
        except (ScenarioError, ReplayError) as error:
            raise click.UsageError(str(error)) from error
        except OSError as error:
            raise click.ClickException(f"{error}; choose other --ports, --truth or --tcp-port") from error
        talk(service, sys.stdin, sys.stdout)


def leave(number: int, frame: FrameType | None) -> None:
    """End in the ordinary way, so that links and files are put away."""
    raise SystemExit(0)


if __name__ == "__main__":
    main(prog_name="python -m simulator")
