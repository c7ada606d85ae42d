"""`nightbank mirror`: how far the copies on time-series servers are; send once, again, or go on sending."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.commands.asked import Asked
from monitor.commands.parts import JSON, SITE, Commands, bar_on_stderr, echo_json, moment_ms, say
from monitor.log_lines import log_to_stderr

if TYPE_CHECKING:
    from monitor.site.model import Site

NOT_HERE = "a mirror copies a store of this computer: there is nothing to mirror"

NONE_YET = "{} has no [[mirrors]] yet: readings stay in the store of this computer only."

ONE = click.option("--mirror", "name", metavar="NAME", help="Only this mirror of the site file.")


@click.group(cls=Commands)
@SITE
@click.pass_context
def mirror(ctx: click.Context, site: Path) -> None:
    """Copy the readings of SITE to the time-series servers that its [[mirrors]] name.

    \b
    Example:
      nightbank mirror hide.toml status
      nightbank mirror hide.toml once
      nightbank mirror hide.toml again --from 2026-11-01
      nightbank mirror hide.toml run
    """
    ctx.obj = Asked(site)


@mirror.command()
@JSON
@click.pass_obj
def status(asked: Asked, as_json: bool) -> None:
    """How far each mirror is, what waits and why, and what its server refused.

    What happened before is among `nightbank events SITE`, of the kind "mirror".

    Example: nightbank mirror hide.toml status
    """
    from monitor.clock import CLOCK_NOTE, clock_from_note
    from monitor.mirror.status import in_words, mirrors_document

    site = _site(asked)
    with asked.reader(site) as reader:
        clock = clock_from_note(reader.note(CLOCK_NOTE))
    documents = mirrors_document(site, asked.path, clock.now_ms())
    if as_json:
        echo_json(documents)
    elif not documents:
        click.echo(NONE_YET.format(asked.path))
    else:
        zone = site.site.zone
        say("\n".join(in_words(document, zone) for document in documents))


@mirror.command()
@ONE
@click.pass_context
def once(ctx: click.Context, name: str | None) -> None:
    """Send what waits now, to the end or the first trouble. Exit status 1 where something went wrong.

    The process that goes on sending must be stopped meanwhile.

    Example: nightbank mirror hide.toml once
    """
    from monitor.mirror.run import once as send_once

    asked: Asked = ctx.obj
    site = _site(asked)
    names = _names(site, asked.path, name)
    if not names:
        click.echo(NONE_YET.format(asked.path), err=True)
        ctx.exit(1)
    logging.getLogger("nightbank").addHandler(logging.NullHandler())  # what went wrong is told at the end
    with bar_on_stderr(1000, "", "sending", quiet=False) as bar:
        wrong = send_once(site, asked.path, name, lambda share: bar.move_to(round(1000 * share)))
    for each in names:
        click.echo(f"{each}: {wrong[each]}" if each in wrong else f"{each}: up to date")
    ctx.exit(int(bool(wrong)))


@mirror.command()
@click.option("--from", "since", required=True, metavar="TIME", help="Local where it names no time zone.")
@ONE
@click.pass_context
def again(ctx: click.Context, since: str, name: str | None) -> None:
    """Have everything from a time on sent once more: after a server lost it, or refused it and is mended.

    What is there already is put in its own place. The process that goes on sending must be stopped meanwhile.

    Example: nightbank mirror hide.toml again --from 2026-11-01
    """
    from monitor.mirror.run import send_again

    asked: Asked = ctx.obj
    site = _site(asked)
    names = _names(site, asked.path, name)
    from_ms = moment_ms(since, site.site.zone, "--from")
    if not names:
        click.echo(NONE_YET.format(asked.path), err=True)
        ctx.exit(1)
    send_again(site, asked.path, from_ms, name)
    click.echo(f"{', '.join(names)}: what there is from {since} on is sent once more with the next start.")


def _site(asked: Asked) -> Site:
    """The site; raises StoreError for one whose store is not on this computer."""
    from monitor.stores import own_file

    site = asked.site()
    own_file(site, asked.path, NOT_HERE)
    return site


def _names(site: Site, path: Path, name: str | None) -> list[str]:
    """The mirrors that are meant; raises click.BadParameter for one that the site file does not have."""
    names = [entry.name for entry in site.mirrors]
    if name is None:
        return names
    if name not in names:
        known = ", ".join(names) or "none yet; add a table [[mirrors]]"
        raise click.BadParameter(f"{name!r} is no mirror of {path}; known: {known}", param_hint="--mirror")
    return [name]


@mirror.command()
@click.pass_obj
def run(asked: Asked) -> None:
    """Go on sending until stopped: what systemd starts (nightbank-mirror@.service).

    Example: nightbank mirror hide.toml run
    """
    from monitor.mirror.run import run as go_on
    from monitor.stopping import stop_signals

    log_to_stderr()
    site = _site(asked)
    if not site.mirrors:
        click.echo(NONE_YET.format(asked.path), err=True)
        return
    with stop_signals() as stop:
        go_on(site, asked.path, stop)
