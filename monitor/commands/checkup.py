"""`nightbank checkup`: the commissioning test of a system that has just been wired."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import click

from monitor.commands.parts import FILE, JSON, SITE, Decimal, echo_json
from monitor.terminal import filled, point

EACH_S = 20.0
"""How long each state is read (our choice: ten samples at two seconds; the whole takes six to twelve
minutes)."""


@click.command()
@SITE
@JSON
@click.option(
    "--record",
    "out",
    metavar="OUT",
    type=FILE,
    help="Write the record to OUT.txt, to print, and OUT.json, to compare next year.",
)
@click.option(
    "--compare",
    "old",
    metavar="OLD",
    type=FILE,
    help="Tell what has changed since a record (its .json file).",
)
@click.option(
    "--each",
    "each_s",
    type=Decimal(1, 600),
    default=EACH_S,
    show_default=True,
    help="Seconds to read after each act; longer where devices are slow.",
)
@click.pass_context
def checkup(
    ctx: click.Context, site: Path, as_json: bool, out: Path | None, old: Path | None, each_s: float
) -> None:
    """Test a system that has just been wired: what is right in SITE, what is wrong, what to look at.

    It reads the devices and never writes to them. It asks for a few acts (cover a panel, open the array's
    disconnect, switch loads and strings off and on), notices them from the readings or waits for Enter,
    and leaves out what the hour cannot show. While the monitor runs, its readings are used; else the
    devices are read directly. Ends with 0 where nothing is wrong, else with 1.

    Example: nightbank checkup hide.toml --record checkup-2026
    """
    from monitor.checkup.judge import judge
    from monitor.checkup.keys import Keys
    from monitor.checkup.record import compared, document_of, files_of, in_words, read_record, write_record
    from monitor.checkup.run import Checkup
    from monitor.checkup.sources import device_quantities, open_source
    from monitor.site.load import load_site, with_defaults

    described, _ = with_defaults(load_site(site))
    former = None if old is None else read_record(old)
    files = None if out is None else files_of(out)
    strings = described.array.strings_in_parallel if described.array else 1
    _begin(described.bank.chemistry, strings, described.works_at_V)
    has_probe = "battery_temperature_C" in device_quantities(described, site)
    with closing(open_source(described, site)) as source:
        told = Checkup(described, source, Keys(), _say, each_s=each_s, has_probe=has_probe).run()
        results, now_ms, name = judge(told), source.clock.now_ms(), source.name
    document = document_of(told, results, now_ms, name)
    if former is not None:
        document["compared"] = compared(document, former)
    _say("")
    if as_json:
        echo_json(document)
    else:
        click.echo(in_words(document))
    if files is not None:
        write_record(files, document)
        _say(f"\nWritten: {files[0]} and {files[1]}")
    ctx.exit(1 if document["wrong"] else 0)


def _begin(chemistry: str, strings: int, works_at_V: float) -> None:
    """What to bear in mind, before anybody touches anything."""
    from monitor.cautions import for_system

    _say("Before you touch anything:")
    for text in for_system(chemistry, strings, works_at_V):
        click.echo(point(text), err=True)
    _say("")


def _say(text: str) -> None:
    """Lines to the person; standard output is kept for the result."""
    for line in text.split("\n"):
        indent = line[: len(line) - len(line.lstrip())]
        click.echo(filled(line, indent), err=True)
