"""The demo: simulator, daemon and page as the processes they are in the field, in an invented scenario.

The simulator is a process of its own that this module talks to only through its command, its ports and
its control channel. Past weeks are filled in by stepping the simulator and polling it (the charger over
Modbus TCP, since a serial line at 9600 baud would take hours) through the same devices and pipeline as
ever; then time runs, and the charger is read over its serial line.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any

import click
from tqdm import tqdm

from monitor.clock import CLOCK_NOTE, PacedClock, SteppedClock, SystemClock
from monitor.devices.device import Device, Line, build_lines
from monitor.pin import pin_path, random_pin, set_pin
from monitor.pipeline import Pipeline
from monitor.poll import poll_once
from monitor.records import DAY_MS
from monitor.service import serve
from monitor.simulated import DemoError, SimulatorProcess, end
from monitor.site.load import load_site, with_defaults
from monitor.site.model import DeviceEntry, Site
from monitor.stopping import stop_signals
from monitor.store import store_path
from monitor.store.base import StoreWriter
from monitor.store.connect import FileLock
from monitor.stores import open_writer

STEP_S = 60
"""One reading a minute while the past is filled in."""

STEPS_PER_COMMIT = 360
"""A commit for each six hours of filled-in time."""

START_WAIT_S = 20.0


def run(folder: Path, *, days: int, speed: float, page_port: int | None) -> None:
    """Run the demo in `folder` until Ctrl-C; page_port None leaves the page out.

    Raises DemoError where the folder holds something else than a former demo or a port is taken, StoreError
    where the former demo still runs.
    """
    if page_port is not None:
        _check_port(page_port)
    _make_room(folder)
    real_ms = SystemClock().now_ms() // 1000 * 1000
    first_ms = real_ms - days * DAY_MS
    scenario = folder / "scenario.toml"
    scenario.write_text(f"window_days = {days}   # the story ends today\n", encoding="utf-8")
    with (
        SimulatorProcess(folder / "ports", first_ms, scenario=scenario) as simulator,
        stop_signals() as stop,
    ):
        site_file = _write_site(folder, simulator)
        site, _ = with_defaults(load_site(site_file))
        with closing(open_writer(site, site_file)) as store:
            shown_ms = fill(site, folder, store, simulator, first_ms, stop_early=stop.is_set)
            if stop.is_set():
                return
            clock: SystemClock | PacedClock = SystemClock()
            if speed != 1.0:
                clock = PacedClock(clock.now_ms(), shown_ms, speed)
                store.put_note(CLOCK_NOTE, clock.note())
            simulator.ask(do="run", speed=speed)
            with _page(site_file, page_port):
                _say_how(site_file, page_port)
                serve(site, site_file, build_lines(site, folder, clock), store, clock, stop)
    click.echo("The demo has ended.", err=True)


def fill(
    site: Site,
    site_dir: Path,
    store: StoreWriter,
    simulator: SimulatorProcess,
    first_ms: int,
    stop_early: Callable[[], bool] = lambda: False,
) -> int:
    """Poll the stepped simulator minute by minute from first_ms until it has caught up with the present.

    Returns the time at which the simulator stands.
    """
    clock = SteppedClock(first_ms)
    stepped = _over_tcp(site, simulator)
    lines = build_lines(stepped, site_dir, clock)
    devices = [device for line in lines for device in line.devices]
    devices.sort(key=lambda device: device.name != "charger")  # the bank's voltage last: it closes the step
    pipeline = Pipeline(stepped, store, clock)
    now_ms = first_ms
    total = (SystemClock().now_ms() - first_ms) // (STEP_S * 1000)
    _listen_in(simulator, devices)
    what = "filling in the past"
    with closing_all(lines), tqdm(total=total, unit="min", desc=what, leave=False, disable=None) as bar:
        while now_ms + STEP_S * 1000 <= SystemClock().now_ms() and not stop_early():
            now_ms += STEP_S * 1000
            simulator.ask(do="advance", to_ms=now_ms)
            clock.set(now_ms)
            for device in devices:
                pipeline.take(poll_once(device))
            if bar.n % STEPS_PER_COMMIT == 0:
                pipeline.save()
            bar.update()
        pipeline.save()
    return now_ms


def _listen_in(simulator: SimulatorProcess, devices: list[Device]) -> None:
    """Let time run until every device was heard once: a port must be open before its device speaks."""
    simulator.ask(do="run", speed=1.0)
    for device in devices:
        poll_once(device)
    simulator.ask(do="hold")


@contextmanager
def closing_all(lines: list[Line]) -> Iterator[None]:
    """Close the lines at the end, whatever happens between."""
    try:
        yield
    finally:
        for line in lines:
            line.close()


def _over_tcp(site: Site, simulator: SimulatorProcess) -> Site:
    """The same site with the charger reached over Modbus TCP and one poll a step."""

    def moved(entry: DeviceEntry) -> DeviceEntry:
        update: dict[str, Any] = {"every_s": float(STEP_S)}
        tcp = simulator.devices[entry.name].get("tcp")
        if tcp:
            update |= {"connection": "tcp", "host": tcp[0], "tcp_port": tcp[1], "port": None}
        return entry.model_copy(update=update)

    return site.model_copy(update={"devices": tuple(moved(entry) for entry in site.devices)})


def _make_room(folder: Path) -> None:
    """An empty folder, or a former demo's, whose invented data may go once it has ended."""
    site_file = folder / "site.toml"
    if folder.exists() and any(folder.iterdir()):
        if not (site_file.exists() and "for `nightbank demo`" in site_file.read_text(encoding="utf-8")):
            raise DemoError(f"{folder} holds files that are not a former demo's: choose another with --dir")
        for lock in folder.glob("*.lock"):
            FileLock(lock, "a demo that still runs").release()
        shutil.rmtree(folder)
    folder.mkdir(parents=True, exist_ok=True)


def site_text(simulator: SimulatorProcess) -> str:
    """The demo's site file, with the ports of a simulator that runs."""
    text = files("monitor").joinpath("demo_site.toml").read_text(encoding="utf-8")
    for name, device in simulator.devices.items():
        text = text.replace(f"@{name.upper()}_PORT@", device["serial"])
    return text


def _write_site(folder: Path, simulator: SimulatorProcess) -> Path:
    site_file = folder / "site.toml"
    site_file.write_text(site_text(simulator), encoding="utf-8")
    return site_file


@contextmanager
def _page(site_file: Path, port: int | None) -> Iterator[None]:
    """The page as a process of its own, ended at the end. Where this process is killed it ends by itself, as
    the simulator does: nobody holds the other end of its input any more."""
    if port is None:
        yield
        return
    command = _page_command(site_file, port)
    with subprocess.Popen(command, stdin=subprocess.PIPE, start_new_session=True) as process:
        try:
            _await_port(process, port)
            yield
        finally:
            process.terminate()
            end(process)


def _page_command(site_file: Path, port: int) -> list[str]:
    return [sys.executable, "-m", "monitor.cli", "page", str(site_file), "--port", str(port), "--with-input"]


def _await_port(process: subprocess.Popen[Any], port: int) -> None:
    deadline_s = time.monotonic() + START_WAIT_S
    while time.monotonic() < deadline_s:
        if process.poll() is not None:
            raise DemoError("the page has ended by itself; its message stands above")
        with closing(socket.socket()) as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.05)
    raise DemoError(f"the page did not come up on port {port} within {START_WAIT_S:.0f} s")


def _check_port(port: int) -> None:
    with closing(socket.socket()) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("0.0.0.0", port))
        except OSError as error:
            raise DemoError(f"port {port} is taken ({error.strerror}): choose another with --port") from error


def _say_how(site_file: Path, port: int | None) -> None:
    """What there is to do; the page itself has said where it is."""
    if port is not None:
        pin = random_pin()
        set_pin(pin_path(store_path(load_site(site_file), site_file)), pin)
        click.echo("Open it on a phone in the same network, or on this computer.", err=True)
        click.echo(f"The page's PIN: {pin} (for this run; with it, alarms can be answered)", err=True)
    click.echo(f"The bank: {_own_command()} now {site_file}\nCtrl-C ends all.", err=True)


def _own_command() -> str:
    """How a person calls us: by name where the shell finds it, else by the environment's path."""
    beside = Path(sys.executable).with_name("nightbank")
    return "nightbank" if shutil.which("nightbank") or not beside.exists() else os.path.relpath(beside)
