"""`nightbank match`: find where a device keeps its quantities, from what its display shows.

The rooms are imported when the command runs, so that the command line stays light.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli_line import Manner, line_options

if TYPE_CHECKING:
    from monitor.match.answer import Answer

MORE = "Why, and what else is possible: --details."

FILE = click.Path(dir_okay=False, path_type=Path)
FOLDER = click.Path(file_okay=False, path_type=Path)


@click.command()
@click.argument("line", required=False)
@click.option("--session", type=FOLDER, help="With LINE: the folder that keeps what was read so far.")
@line_options
@click.option("--dump", "dump_file", type=FILE, help="Without LINE: CSV time,function,address,word.")
@click.option("--seen", "seen_file", type=FILE, help="With --dump: TOML, what the display showed.")
@click.option("--json", "as_json", is_flag=True, help="With --dump: one JSON document on standard output.")
@click.option("--details", is_flag=True, help="Tell the evidence as well, and what else is possible.")
@click.option("--profile", "profile_file", type=FILE, help="With --dump: write a profile here.")
def match(
    line: str | None,
    session: Path | None,
    manner: Manner,
    dump_file: Path | None,
    seen_file: Path | None,
    as_json: bool,
    profile_file: Path | None,
    details: bool,
) -> None:
    """Find which register of a device holds what, from what its display shows.

    With LINE (a serial port, or a host as HOST[:PORT]) it asks you to read the display, reads the device's
    registers at that moment, tells what it has found, and which look or act would tell more. Stop whenever
    you like; with the same --session it goes on where it was. It only ever reads the device. Stop the monitor
    first.

    Without LINE it takes a recorded dump (CSV with the header time,function,address,word, as nightbank scan
    writes it) and a file that says what the display showed at some of its times, digits as shown:

    \b
    [[seen]]
    time = "2026-11-25T10:30:00Z"
    battery_voltage_V = "12.6"
    charge_current_A = "3.1"

    Add load_output = "off" where the load output was switched off, "none" where there is none. A place is
    called certain only where nothing else that agrees is left; the place of an open quantity is the best
    guess.

    \b
    Examples: nightbank match /dev/serial/by-id/usb-adapter --session shed
              nightbank match --dump dump.csv --seen seen.toml
    """
    if line is not None:
        if session is None or dump_file or seen_file or profile_file or as_json:
            raise click.UsageError(
                "with LINE give --session FOLDER, and no --dump, --seen, --profile, --json"
            )
        from monitor.cli_match_live import talk

        talk(line, session, manner, details)
        return
    if dump_file is None or seen_file is None:
        raise click.UsageError("give LINE and --session, or --dump and --seen")
    _recorded(dump_file, seen_file, as_json, details, profile_file, manner.largest)


def _recorded(
    dump_file: Path,
    seen_file: Path,
    as_json: bool,
    details: bool,
    profile_file: Path | None,
    largest: int | None,
) -> None:
    from monitor.match.answer import document
    from monitor.match.answer import match as match_all
    from monitor.match.asking import ask
    from monitor.match.brief import in_brief
    from monitor.match.dump import load_dump
    from monitor.match.profile import profile_text
    from monitor.match.seen import load_seen
    from monitor.match.session import write_file
    from monitor.match.words import in_words, typing_mistakes

    dump = load_dump(dump_file)
    answer: Answer = match_all(dump, load_seen(seen_file, dump))
    asked = ask(answer)
    for remark in (dump.remark, *(typing_mistakes(answer) if as_json else ())):
        if remark:
            click.echo(remark, err=True)
    if profile_file is not None:
        if profile_file.exists():
            raise click.UsageError(f"{profile_file} is there already; name another file for --profile")
        text = profile_text(answer, dump, f"Found from {dump_file.name}", largest)
        write_file(profile_file, text)
    if as_json:
        click.echo(json.dumps(document(answer, asked.text if asked else None), ensure_ascii=False))
        return
    click.echo(in_words(answer, asked) if details else f"{in_brief(answer, asked)}\n{MORE}")
    if profile_file is not None:
        click.echo(
            f'\nWritten to {profile_file}: name it in the site file as profile = "{profile_file.name}".'
        )
