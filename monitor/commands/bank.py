"""`nightbank bank`: stage, ledger and health of the bank, from the store alone."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.commands.asked import Asked
from monitor.commands.parts import JSON, SITE, echo_json
from monitor.terminal import wrapped


@click.command()
@SITE
@JSON
def bank(site: Path, as_json: bool) -> None:
    """Report on the bank of SITE: charge stage, what went in and out, cycles, health.

    It reads the store and nothing else. What the meters cannot show is told as unknown; a band after ± holds
    the truth 95 times out of 100.

    Example: nightbank bank hide.toml
    """
    from monitor.bank_report import bank_report
    from monitor.bank_words import in_words

    asked = Asked(site)
    described = asked.site()
    with asked.reader(described) as reader:
        document = bank_report(described, reader)
    if as_json:
        echo_json(document)
    else:
        click.echo(wrapped(in_words(document, described.site.zone)))
