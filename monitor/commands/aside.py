"""What `nightbank clock` tells of readings that were set aside, and how it writes them out."""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from monitor.alarms.telling import span_words
from monitor.records import iso_utc, to_datetime
from monitor.store.held import HeldReadings
from monitor.store.table_out import WHOLE, reading_row

HEADER = ("time_ms", "device", "quantity", "value", "quality", "reason", "set_aside_because", "run")


def show_aside(held: HeldReadings, file: Path | None, zone: ZoneInfo) -> None:
    """Tell what was set aside and why; write it into a file where one is named."""
    _check_new(file)
    runs, reasons = _runs(held), Counter[str]()
    for each in held.asides():
        reasons[each.reason] += len(each.readings)
    if not reasons:
        click.echo("Nothing was set aside.")
        return
    for reason, count in reasons.items():
        click.echo(f"{count} readings are set aside: {reason}.")
    for number, run in enumerate(runs.values(), 1):
        click.echo(f"  run {number}: {run.words(zone)}")
    if file is not None:
        _write_all(held, file, {boot: number for number, boot in enumerate(runs, 1)})
        click.echo(f"They are in {file}.")
    if runs:
        click.echo(
            "If you know when the computer was switched on for a run, you can bring it back: --aside FILE"
            " --run NUMBER --on TIME writes it with its times, and nightbank import takes that file."
        )


def write_run(held: HeldReadings, file: Path, number: int, on_ms: int, now_ms: int, zone: ZoneInfo) -> None:
    """Write the readings of a run that never learnt the time as an export has them, the computer having been
    switched on at on_ms. Raises click.ClickException where that cannot be."""
    _check_new(file)
    runs = _runs(held)
    if number > len(runs):
        there = f"there are {len(runs)}" if runs else "nothing of any run is set aside"
        raise click.ClickException(f"There is no run {number}: {there}.")
    boot, run = list(runs.items())[number - 1]
    if on_ms < run.earliest_ms:
        earliest = _local(run.earliest_ms, zone)
        raise click.ClickException(
            f"Run {number} began after {earliest}: what was read until then is known. Say a later time."
        )
    if on_ms + run.last_ms > now_ms:
        raise click.ClickException(
            f"Run {number} would end at {_local(on_ms + run.last_ms, zone)}, which is still to come. Say an"
            " earlier time."
        )
    with file.open("w", encoding="utf-8", newline="") as handle:
        table = csv.writer(handle, lineterminator="\n")
        table.writerow(WHOLE)
        for aside in held.asides():
            for reading in aside.readings if aside.boot == boot else ():
                table.writerow(reading_row(reading, iso_utc(on_ms + reading.time_ms)))
    click.echo(f"{run.count} readings are in {file}. To bring them back: nightbank import SITE {file}")


@dataclass(slots=True)
class _Run:
    """A run of the computer that never learnt the time: when it began at the earliest, its first and last
    counts since then, and how many readings are set aside of it."""

    earliest_ms: int
    first_ms: int
    last_ms: int
    count: int = 0

    def words(self, zone: ZoneInfo) -> str:
        span = span_words(self.last_ms - self.first_ms)
        return f"{self.count} readings over {span}; it began after {_local(self.earliest_ms, zone)}"


def _runs(held: HeldReadings) -> dict[str, _Run]:
    """The runs of which something is set aside by their boot, the first one first."""
    found: dict[str, _Run] = {}
    for aside in held.asides():
        if not aside.boot:
            continue
        times = [reading.time_ms for reading in aside.readings]
        run = found.setdefault(aside.boot, _Run(aside.earliest_ms, min(times), max(times)))
        run.earliest_ms = max(run.earliest_ms, aside.earliest_ms)
        run.first_ms, run.last_ms = min(run.first_ms, *times), max(run.last_ms, *times)
        run.count += len(times)
    return found


def _write_all(held: HeldReadings, file: Path, numbers: dict[str, int]) -> None:
    with file.open("w", encoding="utf-8", newline="") as handle:
        table = csv.writer(handle)
        table.writerow(HEADER)
        for aside in held.asides():
            for reading in aside.readings:
                value = "" if reading.value is None else reading.value
                quality = reading.quality.name.lower()
                row = (reading.time_ms, reading.device, reading.quantity, value, quality)
                table.writerow((*row, reading.reason, aside.reason, numbers.get(aside.boot, "")))


def _local(time_ms: int, zone: ZoneInfo) -> str:
    """A moment in the form that --on takes."""
    return f"{to_datetime(time_ms).astimezone(zone):%Y-%m-%dT%H:%M}"


def _check_new(file: Path | None) -> None:
    if file is not None and file.exists():
        raise click.ClickException(f"{file} is there already; give the file another name")
