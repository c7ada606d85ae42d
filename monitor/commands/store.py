"""`nightbank store`: the store's file looked through, measured, compacted, copied out and put back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from monitor.commands.asked import Asked
from monitor.commands.parts import FILE, JSON, SITE, Commands, bar_on_stderr, echo_json
from monitor.records import iso_utc, to_datetime

if TYPE_CHECKING:
    from monitor.store.upkeep import Size, Tell

ENOUGH = 10_000
"""From so many readings on bytes for each are told (our choice: an empty store takes some room, too)."""


@click.group(cls=Commands)
@SITE
@click.pass_context
def store(ctx: click.Context, site: Path) -> None:
    """Look after the file in which the readings of SITE are kept.

    \b
    Examples:
      nightbank store hide.toml size
      nightbank store hide.toml check
      nightbank store hide.toml backup /media/stick/hide.db
    """
    ctx.obj = Asked(site)


def _path(asked: Asked) -> Path:
    from monitor.stores import own_file

    instead = "look after it there, with the means of that server"
    return own_file(asked.site(), asked.path, instead)


@store.command()
@JSON
@click.pass_obj
def size(asked: Asked, as_json: bool) -> None:
    """How much room the store takes, and for what.

    Example: nightbank store hide.toml size
    """
    from dataclasses import asdict

    from monitor.store.upkeep import size_of

    found = size_of(_path(asked))
    if as_json:
        echo_json(asdict(found))
    else:
        click.echo("\n".join(_size_in_words(found, asked.site().site.zone)))


@store.command("check")
@click.pass_context
def check_store(ctx: click.Context) -> None:
    """Look through the whole file, while the daemon runs or not. Exit status 1 where something is wrong.

    Example: nightbank store hide.toml check
    """
    from monitor.store.upkeep import troubles

    path, count = _path(ctx.obj), 0
    with bar_on_stderr(1000, "", "check", quiet=False) as bar:
        for line in troubles(path, _thousandths(bar.move_to)):
            count += 1
            click.echo(f"{path}: {line}", err=True)
    if count:
        click.echo(
            "Stop the daemon and put a backup in its place: nightbank store SITE restore FILE", err=True
        )
        ctx.exit(1)
    click.echo("The store is sound.")


@store.command()
@click.pass_obj
def compact(asked: Asked) -> None:
    """Pack all that is due at once and give free room back to the disk; the daemon must be stopped.

    The daemon packs by itself; this is for a store from before, or after large imports.

    Example: nightbank store hide.toml compact
    """
    from monitor.store.upkeep import compact as compact_store

    with bar_on_stderr(1000, "", "compact", quiet=False) as bar:
        before, after = compact_store(_path(asked), asked.site().site.time_zone, _thousandths(bar.move_to))
    click.echo(f"{_mb(before)} before, {_mb(after)} now")


@store.command()
@click.argument("file", type=FILE)
@click.pass_obj
def backup(asked: Asked, file: Path) -> None:
    """Copy the store into a new FILE, while the daemon runs or not.

    Example: nightbank store hide.toml backup /media/stick/hide.db
    """
    from monitor.store.copies import back_up

    with bar_on_stderr(1000, "", "backup", quiet=False) as bar:
        bytes_ = back_up(_path(asked), file, _thousandths(bar.move_to))
    click.echo(f"{file}: {_mb(bytes_)}")


@store.command("restore")
@click.argument("file", type=FILE)
@click.pass_obj
def restore_store(asked: Asked, file: Path) -> None:
    """Put the copy FILE in the store's place; the daemon must be stopped. What was there is kept.

    Example: nightbank store hide.toml restore /media/stick/hide.db
    """
    from monitor.clock import SystemClock
    from monitor.store.copies import restore

    path = _path(asked)
    now_ms = SystemClock().now_ms()
    stamp = iso_utc(now_ms).replace(":", "").replace("-", "")
    aside = path.with_name(f"{path.name}.before-{stamp}")
    with bar_on_stderr(1000, "", "restore", quiet=False) as bar:
        there = restore(path, file, aside, _thousandths(bar.move_to), now_ms)
    click.echo(f"{file} is the store now.")
    if there:
        click.echo(f"The former one is kept as {aside}; delete it when you miss nothing.")
    click.echo("Start the daemon, and start the page again: it still reads the former one.")


def _thousandths(move_to: Callable[[int], None]) -> Tell:
    """A bar's moves from what is done of how much."""
    return lambda done, total: move_to(1000 * done // max(1, total))


def _mb(bytes_: int) -> str:
    return f"{bytes_ / 1e6:.1f} MB"


def _size_in_words(found: Size, zone: ZoneInfo) -> list[str]:
    def local(time_ms: int) -> str:
        return f"{to_datetime(time_ms).astimezone(zone):%-d %b %Y %H:%M}"

    lines = [f"{_mb(found.file_bytes + found.log_bytes)}, {found.readings} good readings"]
    if found.first_ms is not None and found.last_ms is not None:
        lines[0] += f" from {local(found.first_ms)} to {local(found.last_ms)}"
    if found.readings >= ENOUGH:
        lines.append(f"{(found.file_bytes + found.log_bytes) / found.readings:.2f} bytes a reading")
    lines.append(f"{found.blocks} blocks of six hours packed, {found.rows} rows not packed yet")
    if found.free_bytes:
        lines.append(f"{_mb(found.free_bytes)} of it free for new readings")
    return lines
