"""`nightbank outlook`: whether the bank lasts until morning, and the next days.

The rooms are imported when the command runs, so that the command line stays light.
"""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path

import click

from monitor.cli_parts import SITE_FILE, moment_ms, say


@click.command()
@click.argument("site", type=SITE_FILE)
@click.option("--at", "moment", metavar="TIME", help="As of this time; without it as of the newest reading.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def outlook(site: Path, moment: str | None, as_json: bool) -> None:
    """Tell whether the bank of SITE lasts until morning, how low it gets, what would help, and the next days.

    It rests on what was stored before TIME and on nothing later: the bank's estimated charge, this site's own
    nights, the loads of this evening, the sun's tables and this site's record of clear and wet days. History
    that `nightbank import` brought in serves as well.

    TIME is a time like 2026-11-25T18:30; without a zone it is local time at the site.

    Example: nightbank outlook hide.toml
    """
    from monitor.outlook.document import document
    from monitor.outlook_report import outlook_at
    from monitor.outlook_words import in_words
    from monitor.site.load import load_site, with_defaults
    from monitor.store.days import zone_of
    from monitor.stores import open_reader

    described, _ = with_defaults(load_site(site))
    zone = zone_of(described.site.time_zone)
    at_ms = None if moment is None else moment_ms(moment, zone, "--at")
    with closing(open_reader(described, site)) as reader:
        found = outlook_at(described, reader, at_ms)
    if as_json:
        click.echo(json.dumps(document(found, zone), ensure_ascii=False))
    else:
        say(in_words(found, zone))
