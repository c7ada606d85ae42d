"""`nightbank scan`: all readable registers of one device into a dump, as often as wanted."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.commands.line import Manner, line_options, link_to
from monitor.commands.parts import FILE, JSON, Decimal, bar_on_stderr, echo_json, in_minutes

if TYPE_CHECKING:
    from monitor.devices.link import RegisterLink
    from monitor.devices.scan import Snapshot

PARTS = 1000


@click.command()
@click.argument("line")
@click.option("--out", type=FILE, required=True, help="The dump (CSV).")
@line_options
@click.option("--again", type=click.IntRange(0, 10_000), default=0, help="So many further snapshots.")
@click.option("--every", type=Decimal(1, 86_400), default=10.0, show_default=True, help="Seconds between.")
@JSON
def scan(
    line: str,
    out: Path,
    manner: Manner,
    again: int,
    every: float,
    as_json: bool,
) -> None:
    """Read all registers of the device at LINE (a serial port or a host) and append them to a dump.

    The first time its registers are looked for, which takes some minutes on a slow line; their places are
    kept beside the dump. LINE with a slash is a serial port, ttyUSB0 is /dev/ttyUSB0, anything else
    HOST[:PORT]. Only ever reads. Stop the monitor first: a port that it holds is refused.

    \b
    Example:
      nightbank scan /dev/serial/by-id/usb-adapter --out dump.csv --again 5
    """
    link = link_to(line, manner)
    told = []
    try:
        link.open()
        for number in range(again + 1):
            due_s = time.monotonic() + every
            snapshot = one_snapshot(link, manner, out)
            told.append(snapshot)
            if not as_json:
                _tell(snapshot, out, number)
            if number < again:
                time.sleep(max(0.0, due_s - time.monotonic()))
    finally:
        link.close()
    if as_json:
        echo_json({"file": str(out), "snapshots": [_document(one) for one in told]})


def one_snapshot(link: RegisterLink, manner: Manner, out: Path) -> Snapshot:
    """One snapshot with its progress bars: one for the search, where there is one, then one for reading."""
    from monitor.clock import SystemClock
    from monitor.devices.scan import scan as scan_steps
    from monitor.devices.search import Reach

    steps = scan_steps(link, manner.unit, out, SystemClock(), Reach(manner.reach), manner.largest)
    first = next(steps)
    if first.phase == "looking":
        click.echo(
            f"Looking for the registers of unit {manner.unit}, this once: {first.total} places, and around "
            f"what is found{_search_time(link, manner, first.total)}.",
            err=True,
        )
        with bar_on_stderr(PARTS, "part", "looking", False) as bar:
            for first in steps:
                if first.phase != "looking":
                    break
                bar.move_to(PARTS * first.done // first.total)  # the places grow with what is found
    last = first
    with bar_on_stderr(first.total, "register", "reading", False) as bar:
        for last in steps:
            bar.move_to(last.done)
    assert last.snapshot is not None  # the last step of a scan carries it
    return last.snapshot


def _search_time(link: RegisterLink, manner: Manner, places: int) -> str:
    """How long the search takes at least on a serial line; how fast a host answers nobody knows before."""
    from monitor.devices.asking import PAUSE_S
    from monitor.devices.rtu import RtuLink
    from monitor.devices.timing import EXCEPTION_CHARACTERS, REQUEST_CHARACTERS, LineTiming

    if not isinstance(link, RtuLink):
        return ""
    line = LineTiming(manner.baud, manner.parity)
    refused_s = line.frame_s(REQUEST_CHARACTERS + EXCEPTION_CHARACTERS) + 2 * line.t3_5_s + PAUSE_S
    return f", at least {in_minutes(places * refused_s)} at {manner.baud} bit/s"


def _tell(snapshot: Snapshot, out: Path, number: int) -> None:
    click.echo(
        f"{snapshot.time}: {len(snapshot.rows)} registers in {snapshot.requests} requests and "
        f"{snapshot.seconds:.1f} s, added to {out}."
    )
    for remark in snapshot.places.remarks if not number else ():
        click.echo(f"  {remark}")


def _document(snapshot: Snapshot) -> dict[str, object]:
    return {
        "time": snapshot.time,
        "registers": len(snapshot.rows),
        "requests": snapshot.requests,
        "seconds": round(snapshot.seconds, 3),
        "largest_request": snapshot.places.largest,
        "remarks": list(snapshot.places.remarks),
    }
