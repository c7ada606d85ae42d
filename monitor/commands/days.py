"""`nightbank days`: what each day brought, what kind of day it was, what the bank left."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.commands.asked import Asked
from monitor.commands.parts import JSON, SITE, asked_days, echo_json
from monitor.terminal import wrapped

if TYPE_CHECKING:
    from monitor.sun.yields import By


@click.command()
@SITE
@click.option("--from", "first", metavar="DATE", help="First day; without it a fortnight.")
@click.option("--to", "last", metavar="DATE", help="Last day; without it the store's last.")
@click.option(
    "--by",
    type=click.Choice(["day", "week", "month"]),
    default="day",
    show_default=True,
    help="A line for each.",
)
@JSON
def days(site: Path, first: str | None, last: str | None, by: By, as_json: bool) -> None:
    """Tell each day of SITE: its sky, what the array gave, what a clear sky would have, what was left unused.

    DATE is a local day like 2026-11-25; both days are included. It reads the store and nothing else, history
    that `nightbank import` brought in as well. The JSON document is a list with one object a day (or week or
    month); what is unknown is null.

    Example: nightbank days hide.toml --from 2026-11-01 --to 2026-11-14
    """
    from monitor.sun.expected import supply_of
    from monitor.sun_report import days_report, periods_report, stored_days, weather_book
    from monitor.sun_words import days_in_words, periods_in_words

    asked = Asked(site)
    described = asked.site()
    power_W = supply_of(described).power_W
    with asked.reader(described) as reader:
        first_day, last_day = asked_days(first, last, *stored_days(described, reader))
        book = weather_book(described, reader, first_day, last_day)
    report = days_report(book, power_W) if by == "day" else periods_report(book, power_W, by)
    if as_json:
        echo_json(report)
    else:
        click.echo(wrapped(days_in_words(book) if by == "day" else periods_in_words(report, by)))
