"""`nightbank scan`: all readable registers of one device into a dump, as often as wanted."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli_find import host_and_port
from monitor.cli_parts import bar_on_stderr

if TYPE_CHECKING:
    from monitor.devices.link import RegisterLink
    from monitor.devices.scan import Snapshot
    from monitor.devices.search import Reach

PLACE_S = 0.04
"""A refused question at 9600 bit/s with the rest after it: 13 characters, two silences, turnaround, 10 ms."""

PARTS = 1000


@click.command()
@click.argument("line")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), required=True, help="The dump (CSV).")
@click.option(
    "--unit", type=click.IntRange(1, 247), default=1, show_default=True, help="The device's number."
)
@click.option("--baud", type=click.IntRange(300, 921600), default=9600, show_default=True)
@click.option("--parity", type=click.Choice(["none", "even", "odd"]), default="none", show_default=True)
@click.option("--timeout", type=click.FloatRange(0.05, 30), default=0.5, show_default=True, help="In s.")
@click.option("--again", type=click.IntRange(0, 10_000), default=0, help="So many further snapshots.")
@click.option(
    "--every", type=click.FloatRange(1, 86_400), default=10.0, show_default=True, help="Seconds between."
)
@click.option("--largest-request", type=click.IntRange(1, 125), help="Most registers in one read, if known.")
@click.option("--quick", "reach", flag_value="quick", help="Look at round addresses only.")
@click.option("--thorough", "reach", flag_value="thorough", help="Look at every fourth address.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def scan(
    line: str,
    out: Path,
    unit: int,
    baud: int,
    parity: str,
    timeout: float,
    again: int,
    every: float,
    largest_request: int | None,
    reach: str | None,
    as_json: bool,
) -> None:
    """Read all registers of the device at LINE (a serial port or a host) and append them to a dump.

    The first time its registers are looked for, which takes some minutes on a slow line; their places are
    kept beside the dump. LINE with a slash is a serial port, any other HOST[:PORT]. Only ever reads. Stop the
    monitor first: a port that it holds is refused.

    Example: nightbank scan /dev/serial/by-id/usb-adapter --out dump.csv --again 5 --every 10
    """
    from monitor.devices.search import Reach

    link = link_to(line, baud, parity, timeout)
    told = []
    try:
        link.open()
        for number in range(again + 1):
            due_s = time.monotonic() + every
            snapshot = one_snapshot(link, unit, out, Reach(reach or "usual"), largest_request)
            told.append(snapshot)
            if not as_json:
                _tell(snapshot, out, number)
            if number < again:
                time.sleep(max(0.0, due_s - time.monotonic()))
    finally:
        link.close()
    if as_json:
        click.echo(json.dumps({"file": str(out), "snapshots": [_document(one) for one in told]}))


def link_to(line: str, baud: int, parity: str, timeout_s: float) -> RegisterLink:
    if "/" in line:
        from monitor.devices.rtu import RtuLink

        return RtuLink(line, baud=baud, parity=parity, timeout_s=timeout_s)
    from monitor.devices.tcp import TcpLink

    host, port = host_and_port(line)
    return TcpLink(host, port, timeout_s=timeout_s)


def one_snapshot(link: RegisterLink, unit: int, out: Path, reach: Reach, largest: int | None) -> Snapshot:
    """One snapshot with its progress bars: one for the search, where there is one, then one for reading."""
    from monitor.clock import SystemClock
    from monitor.devices.scan import scan as scan_steps

    steps = scan_steps(link, unit, out, SystemClock(), reach, largest)
    first = next(steps)
    if first.phase == "looking":
        click.echo(
            f"Looking for the registers of unit {unit}, once: at {first.total} places and around what is "
            f"found, which at 9600 bit/s takes about {first.total * PLACE_S / 60:.0f} minutes.",
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
