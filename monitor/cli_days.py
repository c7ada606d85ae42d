"""`nightbank days`: what each day brought, what kind of day it was, what the bank left, from the store alone.

The rooms are imported when the command runs, so that the command line stays light.
"""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli_parts import SITE_FILE

if TYPE_CHECKING:
    from monitor.sun.yields import By

LAST_DAYS = 14
"""So many days are told where none are asked for."""


@click.command()
@click.argument("site", type=SITE_FILE)
@click.option("--from", "first", metavar="DATE", help="First day; without it a fortnight.")
@click.option("--to", "last", metavar="DATE", help="Last day; without it the store's last.")
@click.option("--by", type=click.Choice(["day", "week", "month"]), default="day", show_default=True)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def days(site: Path, first: str | None, last: str | None, by: By, as_json: bool) -> None:
    """Tell each day of SITE: its sky, what the array gave, what a clear sky would have, what was left unused.

    DATE is a local day like 2026-11-25; both days are included. It reads the store and nothing else, history
    that `nightbank import` brought in as well. The JSON document is a list with one object a day (or week or
    month); what is unknown is null.

    Example: nightbank days hide.toml --from 2026-11-01 --to 2026-11-14
    """
    from monitor.site.load import load_site, with_defaults
    from monitor.store import store_path
    from monitor.store.embedded import open_reader
    from monitor.sun.expected import supply_of
    from monitor.sun_report import days_report, periods_report, stored_days, weather_book
    from monitor.sun_words import days_in_words, periods_in_words

    described, _ = with_defaults(load_site(site))
    power_W = supply_of(described).power_W
    with open_reader(store_path(described, site)) as reader:
        first_day, last_day = asked_days(first, last, *stored_days(described, reader))
        book = weather_book(described, reader, first_day, last_day)
    report = days_report(book, power_W) if by == "day" else periods_report(book, power_W, by)
    if as_json:
        click.echo(json.dumps(report, ensure_ascii=False))
    else:
        click.echo(days_in_words(book) if by == "day" else periods_in_words(report, by))


def asked_days(
    first: str | None, last: str | None, stored_first: date, stored_last: date
) -> tuple[date, date]:
    """The first and the last day asked for; without them the last ones of the store.

    Raises click.BadParameter for what is no date, click.UsageError where the store has none of the days.
    """
    last_day = _date(last, "--to") if last else stored_last
    first_day = _date(first, "--from") if first else max(stored_first, last_day - timedelta(LAST_DAYS - 1))
    if first and last and first_day > last_day:
        raise click.UsageError(f"--to ({last_day}) must not come before --from ({first_day})")
    if last_day < stored_first or first_day > stored_last:
        raise click.UsageError(f"the store has readings of {stored_first} to {stored_last} only")
    return max(first_day, stored_first), min(last_day, stored_last)


def _date(text: str, option: str) -> date:
    try:
        return date.fromisoformat(text.strip())
    except ValueError as error:
        raise click.BadParameter(
            f"'{text}' is no date; write it like 2026-11-25", param_hint=option
        ) from error
