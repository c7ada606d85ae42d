"""`nightbank estimate`: the estimator over any record, as a pipe."""

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

import click

from monitor.commands.parts import FILE, bar_on_stderr

TELL_EVERY = 500
"""Rows between two steps of the progress bar (our choice)."""


@click.command()
@click.option(
    "--bank",
    "bank_file",
    required=True,
    type=FILE,
    metavar="BANK.toml",
    help="[bank], [controller] and [meters] as in a site file; the latter two may be left out.",
)
def estimate(bank_file: Path) -> None:
    """Estimate the charge of a bank from a record of measurements: CSV on standard input, CSV out.

    The first line names the columns: time and battery_voltage_V, and any of battery_current_A (net, into the
    bank positive), charge_current_A, load_current_A, battery_temperature_C, array_voltage_V, array_current_A
    and restart (1: the monitor began anew here and knows nothing). Times are ISO 8601, UTC unless they name a
    zone; an empty cell is missing.

    For every row one comes out at once: time, soc, soc_sd (0 to 1), stage, capacity_Ah, capacity_sd_Ah,
    unseen_load_A, basis. Cells and times that cannot be used are told at the end, on standard error; no row
    is lost.

    Example: nightbank estimate --bank hide.toml < measurements.csv > estimate.csv
    """
    from monitor.bank.description import describe_bank
    from monitor.bank.estimator import BankEstimator
    from monitor.bank.replay import Remarks, replay
    from monitor.site.bank_file import load_bank_file

    described = load_bank_file(bank_file)
    if sys.stdin.isatty():
        raise click.UsageError("give the measurements on standard input: ... < measurements.csv")
    for table in described.passed_over:
        click.echo(f"{bank_file}: [{table}] is not as in a site file and is passed over", err=True)
    bank = describe_bank(
        described.bank,
        described.controller,
        described.meters,
        described.metering,
        described.loads,
        level=None,
    )
    remarks = Remarks()
    source, out = sys.stdin.buffer, sys.stdout.buffer
    size = _size(source)
    with bar_on_stderr(size or 0, "B", "estimate", quiet=size is None or sys.stdout.isatty()) as bar:
        for row in replay(_lines(source, bar.move_to), lambda: BankEstimator(bank), remarks):
            out.write(row.encode())
            if size is None:  # a pipe may be live: whoever reads the estimates gets each at once
                out.flush()
    out.flush()
    click.echo("1 row" if remarks.rows == 1 else f"{remarks.rows} rows", err=True)
    for sentence in remarks.in_words():
        click.echo(sentence, err=True)


def _size(source: BinaryIO) -> int | None:
    """Bytes of standard input where it is a file, None of a pipe."""
    try:
        status = os.fstat(source.fileno())
    except OSError:  # no file of the system behind it
        return None
    return status.st_size if stat.S_ISREG(status.st_mode) else None


def _lines(source: BinaryIO, progress: Callable[[int], None]) -> Iterator[str]:
    """Lines as text; bytes that are no UTF-8 become signs that no number and no time contains."""
    done = 0
    for number, line in enumerate(iter(source.readline, b"")):
        done += len(line)
        if number % TELL_EVERY == 0:
            progress(done)
        yield line.decode("utf-8", "replace")
