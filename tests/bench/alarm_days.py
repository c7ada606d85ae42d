"""How many alarms a person gets: the shipped rules on every record of tests/banks.

    python -m tests.bench.alarm_days            # all of them, some four minutes
    python -m tests.bench.alarm_days boat_agm_12

Each record is a bank and site that share no equation with the monitor, read minute by minute with coarse
meters. The charge handed to the rules is the true one with an error of 4 percent (one standard deviation)
that changes every four hours, told with a deviation of 5: what is looked at is the rules, not the estimator.
Beside the figures of ISA-18.2 stands how much of the time below the reserve was under an alarm of it, and how
many such alarms came while the true charge was more than 10 percent above it.
"""

from __future__ import annotations

import argparse
import logging
import tempfile
import tomllib
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from random import Random

from monitor.alarms.engine import is_beyond
from monitor.alarms.figures import Figures, figures
from monitor.alarms.watch import AlarmWatch
from monitor.clock import SteppedClock
from monitor.records import DeviceHealth, Reading, Transition
from monitor.site.load import with_defaults
from monitor.site.model import Bank, Controller, DeviceEntry, Metering, Meters, Place, Site
from monitor.store.embedded import open_writer
from tests.banks.library import NAMES, record
from tests.banks.site import Record, Row
from tests.bench.figures import accuracy, hand_over

MEASURED = (
    "battery_voltage_V", "battery_current_A", "charge_current_A", "load_current_A", "battery_temperature_C",
    "array_voltage_V", "array_current_A",
)  # fmt: skip
ERROR, TOLD_SD, ERROR_ROWS = 0.04, 0.05, 240
FAR_ABOVE = 0.10
LOW = "Low charge"


@dataclass(frozen=True)
class Outcome:
    """One record's figures, the share of its true low time that was told, and the alarms far above."""

    figures: Figures
    low_share: float
    told_share: float | None
    in_vain: int


def described(made: Record) -> Site:
    """The owner's description of a record's site, set points filled in."""
    tables = tomllib.loads(made.bank_toml)
    site = Site(
        site=Place(name=made.name[:60], latitude_deg=50, longitude_deg=0),
        bank=Bank(**tables["bank"]),
        controller=Controller(**tables["controller"]) if "controller" in tables else None,
        metering=Metering(**tables.get("metering", {})),
        meters=Meters(**tables.get("meters", {})),
        devices=(DeviceEntry(name="charger", profile="x", connection="serial", port="a", every_s=60),),
    )
    return with_defaults(site)[0]


def readings(row: Row, soc: float) -> Iterator[Reading]:
    """What the pipeline hands to the alarms: measured, derived, estimated."""
    for name in MEASURED:
        value = getattr(row, name)
        if value is not None:
            yield Reading(row.time_ms, "charger", name, value)
    if row.battery_current_A is None and row.charge_current_A is not None and row.load_current_A is not None:
        net_A = row.charge_current_A - row.load_current_A
        yield Reading(row.time_ms, "derived", "battery_current_A", net_A)
    yield Reading(row.time_ms, "estimate", "state_of_charge", min(1.0, max(0.0, soc)))
    yield Reading(row.time_ms, "estimate", "state_of_charge_sd", TOLD_SD)


def outcome(name: str) -> Outcome:
    """The shipped rules on one record."""
    made, rng = record(name, "coarse"), Random(name)
    site = described(made)
    reserve, error = site.bank.reserve_soc, 0.0
    steps: list[Transition] = []
    low_rows = told_rows = in_vain = 0
    with (
        tempfile.TemporaryDirectory() as folder,
        closing(open_writer(Path(folder) / "store.db", "UTC")) as store,
    ):
        clock = SteppedClock(made.rows[0].time_ms)
        watch = AlarmWatch(site, store, clock)
        for index, (row, truth) in enumerate(zip(made.rows, made.truth, strict=True)):
            clock.set(row.time_ms)
            if index % ERROR_ROWS == 0:
                error = rng.gauss(0, ERROR)
            health = DeviceHealth("charger", "x", "answering", 0, row.time_ms, 80.0, index)
            new = watch.judge(list(readings(row, truth.soc + error)), health)
            steps += new
            low_rows += truth.soc < reserve
            told_rows += truth.soc < reserve and is_beyond(watch.states[LOW])
            in_vain += truth.soc > reserve + FAR_ABOVE and any(
                each.alarm == LOW and each.cause == "raised" for each in new
            )
        states = list(watch.states.values())
    found = figures(steps, states, made.rows[0].time_ms, made.rows[-1].time_ms + 1, UTC)
    return Outcome(found, low_rows / len(made.rows), told_rows / low_rows if low_rows else None, in_vain)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("records", nargs="*", metavar="RECORD", help=f"one of {', '.join(NAMES)}")
    records = parser.parse_args().records or NAMES
    if unknown := set(records) - set(NAMES):
        parser.error(f"no record is called {unknown.pop()}; there are {', '.join(NAMES)}")
    logging.disable(logging.WARNING)
    print(f"{'record':<22} a day  peak  chattering  fleeting  below reserve: time, told, in vain   alarms")
    worst, vain, chattering = 0.0, 0, 0
    for name in records:
        found = outcome(name)
        worst = max(worst, found.figures.per_day)
        vain += found.in_vain
        chattering += len(found.figures.chattering)
        told = "   –" if found.told_share is None else f"{found.told_share:4.0%}"
        seen = found.figures
        counts = ", ".join(f"{alarm} {count}" for alarm, count in seen.frequent.items())
        noise = f"{seen.per_day:5.2f} {seen.peak:5d} {len(seen.chattering):11d} {len(seen.fleeting):9d}"
        low = f"{found.low_share:19.0%}, {told}, {found.in_vain:7d}"
        print(f"{name:<22} {noise} {low}   {counts}", flush=True)
    print(f"the most a day: {worst:.2f}")
    hand_over(
        accuracy("alarms a day, of the record with most", worst, "", "banks of other physics", at_most=1.0),
        accuracy("alarms of a low reserve in vain, all records", vain, "", "the true charge"),
        accuracy("chattering alarms, all records", chattering, "", at_most=0),
    )


if __name__ == "__main__":
    main()
