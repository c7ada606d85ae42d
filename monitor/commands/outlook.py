"""`nightbank outlook`: whether the bank lasts until morning, and the next days."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.commands.asked import Asked
from monitor.commands.parts import JSON, SITE, echo_json, moment_ms, say


@click.command()
@SITE
@click.option("--at", "moment", metavar="TIME", help="As of this time; without it as of the newest reading.")
@JSON
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

    asked = Asked(site)
    described = asked.site()
    zone = described.site.zone
    at_ms = None if moment is None else moment_ms(moment, zone, "--at")
    with asked.reader(described) as reader:
        found = outlook_at(described, reader, at_ms)
    if as_json:
        echo_json(document(found, zone))
    else:
        say(in_words(found, zone))
