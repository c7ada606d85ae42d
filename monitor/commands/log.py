"""`nightbank log`: the hand-written log of what was done at bank and array."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from monitor.commands.asked import BY, Asked, ask_daemon
from monitor.commands.parts import JSON, SITE, Commands, Decimal, echo_json, moment_ms, say

if TYPE_CHECKING:
    from monitor.records import LogEntry
    from monitor.site.model import Bank

SHOWN = 50
"""So many entries are shown where no other number is asked for."""


@click.group(cls=Commands)
@SITE
@click.pass_context
def log(ctx: click.Context, site: Path) -> None:
    """Show what was done at the bank of SITE, and write it down.

    \b
    Examples:
      nightbank log hide.toml list
      nightbank log hide.toml add note "Fuse of the mast changed, 10 A" --by Ada
      nightbank log hide.toml add water --water 1.5 --at 2026-11-25T10:30
      nightbank log hide.toml add hydrometer --gravity 1.265 --temperature 12
      nightbank log hide.toml add voltages --voltage 6.31 --voltage 6.30
      nightbank log hide.toml add capacity "Tested" --capacity 430 --band 40
    """
    ctx.obj = Asked(site)


@log.command("list")
@click.option("--limit", type=click.IntRange(1, 100_000), default=SHOWN, show_default=True)
@JSON
@click.pass_obj
def list_entries(asked: Asked, limit: int, as_json: bool) -> None:
    """The entries, newest first, with what was said before where one was changed.

    Example: nightbank log hide.toml list --limit 20
    """
    site = asked.site()
    with asked.reader(site) as reader:
        entries = reader.log(0, 2**62, limit)
    if as_json:
        echo_json([_document(entry) for entry in entries])
        return
    zone = site.site.zone
    for entry in entries:
        for line in _lines(entry, zone, site.bank):
            say(line)
    if not entries:
        click.echo("Nothing has been written down yet.")


@log.command()
@click.argument("kind")
@click.argument("text", default="")
@click.option("--at", metavar="TIME", help="When it was done; now without it.")
@click.option("--by", default=BY, metavar="NAME", help="Who did it.")
@click.option("--water", type=Decimal(), metavar="L", help="Litres of water, all cells together.")
@click.option(
    "--gravity",
    type=Decimal(),
    multiple=True,
    metavar="SG",
    help="One cell's gravity, as read: once for each cell, in their order from the positive pole.",
)
@click.option("--temperature", type=Decimal(), metavar="C", help="Of the electrolyte, in °C.")
@click.option(
    "--voltage",
    type=Decimal(),
    multiple=True,
    metavar="V",
    help="One battery's voltage at rest: once for each, in their order from the positive pole.",
)
@click.option("--capacity", type=Decimal(), metavar="AH", help="As tested, in Ah at the 20-hour rate.")
@click.option("--band", type=Decimal(), metavar="AH", help="How far the capacity may be off to either side.")
@click.pass_obj
def add(
    asked: Asked,
    kind: str,
    text: str,
    at: str | None,
    by: str,
    water: float | None,
    gravity: tuple[float, ...],
    temperature: float | None,
    voltage: tuple[float, ...],
    capacity: float | None,
    band: float | None,
) -> None:
    """Write an entry of a KIND, with a TEXT: hydrometer, water, voltages, equalization, terminals, cleaning,
    capacity or note.

    Example: nightbank log hide.toml add water --water 1.5 --by Ada
    """
    from monitor.care.entry import LOG, TEXT, TIME, LogRefused, entry_of
    from monitor.care.gravity import GRAVITY, TEMPERATURE
    from monitor.care.numbers import BAND, CAPACITY, WATER
    from monitor.care.units import unit_field
    from monitor.present import now_of
    from monitor.records import Request

    site = asked.site()
    with asked.reader(site) as reader:
        now_ms = now_of(reader).time_ms
    time_ms = moment_ms(at, site.site.zone, "--at") if at else now_ms
    details: dict[str, str | float | None] = {TIME: float(time_ms), TEXT: text}
    details |= {f"{GRAVITY}{cell}": value for cell, value in enumerate(gravity, 1)}
    details |= {unit_field(unit): value for unit, value in enumerate(voltage, 1)}
    single = {WATER: water, TEMPERATURE: temperature, CAPACITY: capacity, BAND: band}
    details |= {name: value for name, value in single.items() if value is not None}
    try:
        entry_of(Request(now_ms, LOG, kind, details, by), site, now_ms)
    except LogRefused as refused:  # now, while who typed it is here: the daemon may not run
        click.echo(f"Not written: {refused}")
        click.get_current_context().exit(1)
    ask_daemon(asked, LOG, kind, details, by)


def _document(entry: LogEntry) -> dict[str, object]:
    from monitor.records import iso_utc

    return {
        "id": entry.id,
        "time": iso_utc(entry.time_ms),
        "kind": entry.kind,
        "text": entry.text,
        "details": dict(entry.details),
        "by": entry.by,
        "written": iso_utc(entry.written_ms),
        "former": [_document(each) for each in entry.former],
    }


def _lines(entry: LogEntry, zone: ZoneInfo, bank: Bank) -> list[str]:
    """An entry for a person: what, when, who; its figures and its text; what it said before."""
    from monitor.care.entry import figures_words
    from monitor.care.gravity import cell_rows, gravities_of
    from monitor.records import to_datetime

    done = to_datetime(entry.time_ms).astimezone(zone)
    lines = [f"{done:%Y-%m-%d %H:%M}  {entry.kind}, by {entry.by}"]
    lines += [f"  {line}" for line in (figures_words(entry, bank), *entry.text.split("\n")) if line]
    gravities = gravities_of(entry)
    lines += [] if gravities is None else [_cell_line(*row) for row in cell_rows(gravities, bank)]
    for former in entry.former:
        written = to_datetime(former.written_ms).astimezone(zone)
        before, *rest = _lines(former, zone, bank)
        lines += [f"  Changed; {written:%Y-%m-%d %H:%M} it said: {before}", *(f"  {line}" for line in rest)]
    return lines


def _cell_line(name: str, read: str, corrected: str, charge: str) -> str:
    """One cell of a hydrometer's readings."""
    return f"    {name}: {read}" + (f", corrected {corrected}, {charge} charged" if corrected else "")
