"""`nightbank bank`: stage, ledger and health of the bank, from the store alone.

The rooms are imported when the command runs, so that the command line stays light.
"""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path

import click

from monitor.cli_parts import SITE_FILE, wrapped


@click.command()
@click.argument("site", type=SITE_FILE)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def bank(site: Path, as_json: bool) -> None:
    """Report on the bank of SITE: charge stage, what went in and out, cycles, health.

    It reads the store and nothing else. What the meters cannot show is told as unknown; a band after ± holds
    the truth 95 times out of 100.

    Example: nightbank bank hide.toml
    """
    from monitor.bank_report import bank_report
    from monitor.bank_words import in_words
    from monitor.site.load import load_site, with_defaults
    from monitor.store.days import zone_of
    from monitor.stores import open_reader

    described, _ = with_defaults(load_site(site))
    with closing(open_reader(described, site)) as reader:
        document = bank_report(described, reader)
    zone = zone_of(described.site.time_zone)
    click.echo(json.dumps(document, ensure_ascii=False) if as_json else wrapped(in_words(document, zone)))
