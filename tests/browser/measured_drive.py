"""The measured day driven over a wire: simulator, paced pseudo-terminal, devices, pipeline, store."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.clock import CLOCK_NOTE, PacedClock, SteppedClock, SystemClock
from monitor.devices.device import build_lines
from monitor.pipeline import Pipeline
from monitor.poll import PollResult, poll_once
from monitor.records import to_ms
from monitor.simulated import SimulatorProcess
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import open_writer
from tests.browser.measured_day import MeasuredDay, measured_day

SCENARIO = """
[sky]
file = "sky.csv"

[bank]
start_soc = 0.25        # room for the whole day: the controller never throttles, so input is harvest

[[loads]]
name = "mast"
power_W = 3.5
metered = true
"""


@dataclass(frozen=True)
class DrivenDay:
    """What was measured, where it was stored, what was true in the plant at the end, and every poll."""

    day: MeasuredDay
    store_file: Path
    truth: dict[str, Any]
    results: list[PollResult]


def drive(folder: Path, site_text: Callable[..., str]) -> DrivenDay:
    """Drive the day minute by minute; at 9600 baud that takes the wire about a minute."""
    day = measured_day(peak_W=250)
    day.write_sky(folder / "sky.csv")
    (folder / "scenario.toml").write_text(SCENARIO)
    start_ms = to_ms(day.times[0])
    with SimulatorProcess(folder / "ports", start_ms, scenario=folder / "scenario.toml") as simulator:
        (folder / "site.toml").write_text(site_text(simulator, time_zone="Etc/GMT+7", every_s=60))
        site, _ = with_defaults(load_site(folder / "site.toml"))
        clock = SteppedClock(start_ms)
        lines = build_lines(site, folder, clock)
        shunt, charger = (device for line in lines for device in line.devices)
        results = []
        with open_writer(folder / "nightbank.db", "Etc/GMT+7") as store:
            pipeline = Pipeline(site, store, clock)
            simulator.ask(do="run", speed=1.0)
            poll_once(shunt)
            simulator.ask(do="hold")
            for moment in day.times[1:]:
                simulator.ask(do="advance", to_ms=to_ms(moment))
                clock.set(to_ms(moment))
                for device in (charger, shunt):  # the bank's voltage last: it closes the minute
                    results.append(poll_once(device))
                    pipeline.take(results[-1])
            # for the page the day has just ended
            at_dusk = PacedClock(SystemClock().now_ms(), to_ms(day.times[-1]) + 5000, 1.0)
            store.put_note(CLOCK_NOTE, at_dusk.note())
            pipeline.save()
        truth = simulator.ask(do="truth")["truth"]
        for line in lines:
            line.close()
    return DrivenDay(day, folder / "nightbank.db", truth, results)
