"""`nightbank pin`: set or remove the PIN behind which the page takes requests."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.cli_parts import SITE_FILE, ask_and_keep, forget_kept


@click.command()
@click.argument("site", type=SITE_FILE)
@click.option("--forget", is_flag=True, help="Remove the PIN: the page then shows and takes nothing.")
def pin(site: Path, forget: bool) -> None:
    """Set the PIN with which the page of SITE lets people acknowledge alarms and write into the log.

    It is asked for twice and not shown. Only its hash is kept, beside the store, in a file that no other user
    may read; run this as the user that runs the page. Whoever is unlocked with a former PIN is locked again.

    Example: nightbank pin hide.toml
    """
    from monitor.pin import pin_path
    from monitor.site.load import load_site
    from monitor.store import store_path

    described = load_site(site)
    file = pin_path(store_path(described, site))
    if forget:
        forget_kept(file, "the page takes nothing now")
    else:
        ask_and_keep(file, (described.site.name,))
        click.echo("The PIN is set. Unlock the page with it on 'Alarms' or 'Care'.")
