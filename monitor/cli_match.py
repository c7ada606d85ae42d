"""`nightbank match`: find where a device keeps its quantities, from what its display shows.

The rooms are imported when the command runs, so that the command line stays light.
"""

from __future__ import annotations

import json
from pathlib import Path

import click

FILE = click.Path(dir_okay=False, path_type=Path)


@click.command()
@click.option("--dump", "dump_file", type=FILE, required=True, help="CSV time,function,address,word.")
@click.option("--seen", "seen_file", type=FILE, required=True, help="TOML: what the display showed.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option("--profile", "profile_file", type=FILE, help="Write what was found as a profile here.")
@click.option(
    "--largest-request",
    type=click.IntRange(1, 125),
    help="Registers in one read that the device bears, for the profile.",
)
def match(
    dump_file: Path, seen_file: Path, as_json: bool, profile_file: Path | None, largest_request: int | None
) -> None:
    """Find which register holds what, from a dump of a device's registers and from what its display showed.

    The dump is a CSV file with the header time,function,address,word: every register that answers, at one or
    more times. For some of these times the other file holds what the display showed then, digits as shown:

    \b
    [[seen]]
    time = "2026-11-25T10:30:00Z"
    battery_voltage_V = "12.6"
    charge_current_A = "3.1"

    Each further look at the display narrows it, most of all one at which the values are quite others. A place
    is called certain only where nothing else that agrees is left; the place of an open quantity is the best
    guess.

    Example: nightbank match --dump dump.csv --seen seen.toml --profile shed-charger.toml
    """
    from monitor.match.answer import document
    from monitor.match.answer import match as match_all
    from monitor.match.asking import ask
    from monitor.match.dump import load_dump
    from monitor.match.profile import profile_text
    from monitor.match.seen import load_seen
    from monitor.match.words import in_words

    dump = load_dump(dump_file)
    answer = match_all(dump, load_seen(seen_file, dump))
    asked = ask(answer)
    if profile_file is not None:
        if profile_file.exists():
            raise click.UsageError(f"{profile_file} is there already; name another file for --profile")
        text = profile_text(answer, dump, f"Found from {dump_file.name}", largest_request)
        profile_file.write_text(text, encoding="utf-8")
    if as_json:
        click.echo(json.dumps(document(answer, asked.text if asked else None), ensure_ascii=False))
        return
    click.echo(in_words(answer, asked))
    if profile_file is not None:
        click.echo(
            f'\nWritten to {profile_file}: name it in the site file as profile = "{profile_file.name}".'
        )
