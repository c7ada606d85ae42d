"""`nightbank pin`: set or remove the PIN behind which the page takes requests."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.commands.parts import SITE


@click.command()
@SITE
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


def ask_and_keep(file: Path, names: tuple[str, ...]) -> None:
    """Ask for a new PIN twice and keep it in a file; names are words that anyone near the page knows. Raises
    PinError."""
    from monitor.pin import PinError, set_pin, weakness

    typed = click.prompt("New PIN", hide_input=True)
    weak = weakness(typed, names)
    if weak:
        raise PinError(f"This PIN is not taken: {weak}.")
    if click.prompt("The same again", hide_input=True) != typed:
        raise PinError("The two differ; nothing was changed.")
    set_pin(file, typed, names)


def forget_kept(file: Path, then: str) -> None:
    """Remove the PIN in a file and say what holds then."""
    from monitor.pin import forget_pin

    click.echo(f"The PIN is removed: {then}." if forget_pin(file) else "No PIN was set.")
