"""`nightbank events`: what has happened to devices, clock, copies, channels and the monitor itself."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.commands.asked import Asked
from monitor.commands.parts import JSON, SITE, asked_span, echo_json, say

USUAL = 50

LOOKED_AT = 100_000
"""So many events of the time that is asked about are looked through at most (our choice: some years of
them)."""


@click.command()
@SITE
@click.option("--kind", metavar="KIND", help="Only of this kind: device, mirror, clock, ...")
@click.option("--from", "first", metavar="TIME", help="Not before this time.")
@click.option("--to", "last", metavar="TIME", help="Before this time.")
@click.option("--limit", type=click.IntRange(1, LOOKED_AT), default=USUAL, show_default=True)
@JSON
def events(
    site: Path, kind: str | None, first: str | None, last: str | None, limit: int, as_json: bool
) -> None:
    """What has happened at SITE, newest first: starts and stops, devices that fell silent or came back, full
    banks, dark times, trouble with clock, copies on servers and ways to your phone.

    When alarms were raised and ended, too; each step of them stands in `nightbank alarms SITE history`.

    \b
    Examples:
      nightbank events hide.toml
      nightbank events hide.toml --kind mirror --from 2026-11-01
    """
    from monitor.event_words import events_document, events_in_words, none_in_words
    from monitor.present import now_of

    asked = Asked(site)
    described = asked.site()
    zone = described.site.zone
    with asked.reader(described) as reader:
        now_ms = now_of(reader).time_ms
        start_ms, end_ms = asked_span(first, last, now_ms, zone)
        happened = reader.events(start_ms, end_ms, LOOKED_AT)
    found = [each for each in happened if kind in (None, each.kind)][:limit]
    if as_json:
        echo_json(events_document(found))
    elif found:
        say(events_in_words(found, now_ms, zone))
    else:
        say(none_in_words(sorted({each.kind for each in happened}), kind))
