"""`nightbank season`: what a bank went through in a season, what was done and given, what is due."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.commands.asked import Asked
from monitor.commands.parts import JSON, SITE, asked_days, echo_json


@click.command()
@SITE
@click.option("--from", "first", metavar="DATE", help="First day; without it a quarter of a year back.")
@click.option("--to", "last", metavar="DATE", help="Last day; without it the store's last.")
@click.option(
    "--findings",
    is_flag=True,
    help="Look for faults of the array now, not by the monitor's weekly look: up to a minute.",
)
@JSON
def season(site: Path, first: str | None, last: str | None, findings: bool, as_json: bool) -> None:
    """Tell what the bank of SITE went through in a season, what was done, and what is due.

    DATE is a local day like 2026-11-25. What nobody read, measured or wrote down is told as not known. The
    page has the same on a sheet to print: Days, 'On one sheet, to print'.

    Example: nightbank season hide.toml --from 2026-10-01 --to 2027-03-31
    """
    from monitor.season_document import season_document
    from monitor.season_report import USUAL_DAYS, season_of
    from monitor.season_words import in_words
    from monitor.sun_report import stored_days

    asked = Asked(site)
    described = asked.site()
    with asked.reader(described) as reader:
        first_day, last_day = asked_days(first, last, *stored_days(described, reader), USUAL_DAYS)
        found_faults = None
        if findings:
            from monitor.array_report import found_in

            found_faults = found_in(described, reader, first_day, last_day)[0]
        found = season_of(described, reader, first_day, last_day, found_faults)
    if as_json:
        echo_json(season_document(described, found))
    else:
        click.echo(in_words(described.site.name, found, described.site.zone))
