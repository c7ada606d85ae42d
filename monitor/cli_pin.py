"""`nightbank pin`: set or remove the PIN behind which the page takes requests."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.cli_parts import SITE_FILE


@click.command()
@click.argument("site", type=SITE_FILE)
@click.option("--forget", is_flag=True, help="Remove the PIN: the page then shows and takes nothing.")
def pin(site: Path, forget: bool) -> None:
    """Set the PIN with which the page of SITE lets people acknowledge alarms and write into the log.

    It is asked for twice and not shown. Only its hash is kept, beside the store, in a file that no other user
    may read; run this as the user that runs the page. Whoever is unlocked with a former PIN is locked again.

    Example: nightbank pin hide.toml
    """
    from monitor.pin import PinError, forget_pin, pin_path, set_pin, weakness
    from monitor.site.load import load_site
    from monitor.store import store_path

    described = load_site(site)
    file = pin_path(store_path(described, site))
    if forget:
        removed = forget_pin(file)
        click.echo("The PIN is removed: the page takes nothing now." if removed else "No PIN was set.")
        return
    names = (described.site.name,)
    typed = click.prompt("New PIN", hide_input=True)
    weak = weakness(typed, names)
    if weak:
        raise PinError(f"This PIN is not taken: {weak}.")
    if click.prompt("The same again", hide_input=True) != typed:
        raise PinError("The two differ; nothing was changed.")
    set_pin(file, typed, names)
    click.echo("The PIN is set. Unlock the page with it on 'Alarms' or 'Care'.")
