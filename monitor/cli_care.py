"""`nightbank care`: what keeps a bank alive, worked out from the store and the site file.

The rooms are imported when a command runs, so that the command line stays light.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli_asked import Asked, echo_json
from monitor.cli_parts import SITE_FILE, amount

if TYPE_CHECKING:
    from monitor.care.winter_told import Held
    from monitor.site.model import Site

WIDE = 100


@click.group()
@click.argument("site", type=SITE_FILE)
@click.pass_context
def care(ctx: click.Context, site: Path) -> None:
    """Tell what the bank of SITE needs to stay alive.

    Example: nightbank care hide.toml winter
    """
    ctx.obj = Asked(site)


@care.command()
@amount("--coldest", "°C", -70, 30, "The coldest night that the bank itself can get.")
@amount("--at", "°C", -40, 50, "Mean temperature while it stands.", default=25.0, show_default=True)
@amount("--charge", "%", 0, 100, "Its charge, instead of what the store says.")
@amount("--draw", "W", 0, 500, "What stays connected, instead of the monitor alone.")
@amount("--heater", "W", 1, 5000, "A heater that would run from the bank.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.pass_obj
def winter(
    asked: Asked,
    coldest: float | None,
    at: float,
    charge: float | None,
    draw: float | None,
    heater: float | None,
    as_json: bool,
) -> None:
    """Tell whether the bank may stand out in the cold: the charge it needs, and for how long it has it.

    What the array gives is not counted. The exit status is 1 unless the coldest night may come tonight.

    Example: nightbank care hide.toml winter --coldest -20 --at 0
    """
    from monitor.care import winter_told

    site = asked.site()
    held = _held(asked, site) if charge is None else winter_told.Held(charge / 100, None, "as given")
    told = winter_told.winter_document(site, held, winter_told.Asked(at, coldest, draw, heater))
    if as_json:
        echo_json(told)
    else:
        _say(winter_told.winter_lines(told), told["cautions"])
    if not told["safe_now"]:
        click.get_current_context().exit(1)


def _held(asked: Asked, site: Site) -> Held:
    """What the store says that the bank holds: the lower end of the charge's band."""
    from monitor.bank.charge_words import BAND_SDS
    from monitor.care.winter_told import Held
    from monitor.present import present

    with asked.reader(site) as reader:
        standing = present(site, reader)
        capacity = reader.latest_good("bank_capacity_Ah")
    capacity_Ah = None if capacity is None else capacity.value
    if standing["soc"] is None or standing["soc_sd"] is None:
        return Held(None, capacity_Ah, "the store has no estimate that still holds; give it with --charge")
    least = max(0.0, standing["soc"] - BAND_SDS * standing["soc_sd"])
    return Held(least, capacity_Ah, "the lower end of the estimate")


def _say(lines: Sequence[str], cautions: Sequence[str]) -> None:
    for line in lines:
        click.echo(textwrap.fill(line, WIDE))
    click.echo("\nBefore you touch anything:")
    for caution in cautions:
        click.echo(textwrap.fill(f"  - {caution}", WIDE, subsequent_indent="    "))
