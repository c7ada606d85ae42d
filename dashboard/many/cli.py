"""The command `nightbank sites`; the command line of `monitor` finds it by its entry point."""

from __future__ import annotations

import json
import logging
import time
from contextlib import closing
from pathlib import Path

import click

from monitor.log_lines import log_to_stderr


@click.group()
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.pass_context
def sites(ctx: click.Context, file: Path) -> None:
    """Look at all sites on the time-series server that FILE names, those in trouble first.

    FILE is a small TOML file with a table [server] (url, bucket, secret), [page] (port) and, for sites that
    have pages of their own, [[sites]] (name, page).

    \b
    Examples:
      nightbank sites all.toml list
      nightbank sites all.toml page
    """
    ctx.obj = file


@sites.command("list")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.pass_obj
def list_sites(file: Path, as_json: bool) -> None:
    """List the sites once.

    Example: nightbank sites all.toml list
    """
    from dashboard.many.lines import documents, in_words
    from dashboard.many.rows import standings
    from dashboard.many.serve import asker_of
    from monitor.served.lines import tag_text
    from monitor.served.many import Sites
    from monitor.site.sites_file import load_sites

    described = load_sites(file)
    with closing(asker_of(described, file)) as asker:
        found = standings(Sites(asker, time.monotonic).look().values())
    if as_json:
        own = {tag_text(entry.name): entry.page for entry in described.sites}
        click.echo(json.dumps(documents(found, own), ensure_ascii=False))
    else:
        click.echo(in_words(found))


@sites.command()
@click.option("--forget", is_flag=True, help="Remove the PIN.")
@click.pass_obj
def pin(file: Path, forget: bool) -> None:
    """Set the PIN before which the page shows nothing, where FILE says reading_needs_pin in [page].

    It is asked for twice and not shown; run this as the user that runs the page.

    Example: nightbank sites all.toml pin
    """
    from monitor.commands.pin import ask_and_keep, forget_kept
    from monitor.pin import pin_path
    from monitor.site.sites_file import load_sites

    described = load_sites(file)
    kept = pin_path(file.parent / described.page.path)
    if forget:
        forget_kept(kept, "nobody can unlock the page")
        return
    ask_and_keep(kept, tuple(entry.name for entry in described.sites))
    click.echo("The PIN is set.")
    if not described.page.reading_needs_pin:
        click.echo(f"It has no effect yet: write reading_needs_pin = true into [page] of {file}.")


@sites.command()
@click.option("--port", type=click.IntRange(1024, 65535), help="Port; the file's [page] port otherwise.")
@click.option("--host", help="Address to listen on; the file's [page] host otherwise.")
@click.pass_obj
def page(file: Path, port: int | None, host: str | None) -> None:
    """Serve the page of all sites until stopped.

    Example: nightbank sites all.toml page
    """
    from dashboard.light import plain_figures_only

    with plain_figures_only():
        from dashboard.many.serve import serve

    log_to_stderr()
    # A phone opens six connections at once, so that a short queue is the rule and no news.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    serve(file, host, port)
