"""`nightbank match`: find where a device keeps its quantities, from what its display shows."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.commands.line import Manner, line_options, serial_port
from monitor.commands.parts import FILE, Decimal, echo_json

MORE = "Why, and what else is possible: --details."

NO_PROFILE = (
    "{} was not written: nothing that Nightbank reads from a device is likely or certain yet, and a profile"
    " needs that. More looks at the display, each at another hour, tell more."
)

FOLDER = click.Path(file_okay=False, path_type=Path)


@click.command()
@click.argument("line", required=False)
@click.option("--session", type=FOLDER, help="With LINE: the folder that keeps what was read so far.")
@line_options
@click.option("--dump", "dump_file", type=FILE, help="Without LINE: CSV time,function,address,word.")
@click.option("--text", "text_file", type=FILE, help="Without LINE: lines of text, as they came.")
@click.option("--seen", "seen_file", type=FILE, help="With a file: TOML, what the display showed.")
@click.option("--json", "as_json", is_flag=True, help="With a file: one JSON document on standard output.")
@click.option("--details", is_flag=True, help="Tell the evidence as well, and what else is possible.")
@click.option("--profile", "profile_file", type=FILE, help="With a file: write a profile here.")
@click.option(
    "--listen",
    "listen_s",
    type=Decimal(0.5, 3700),
    default=3.0,
    show_default=True,
    help="So many seconds for the first line of a device that speaks by itself.",
)
def match(
    line: str | None,
    session: Path | None,
    manner: Manner,
    dump_file: Path | None,
    text_file: Path | None,
    seen_file: Path | None,
    as_json: bool,
    profile_file: Path | None,
    details: bool,
    listen_s: float,
) -> None:
    """Find which register of a device, or which field of its lines of text, holds what, from what its display
    shows.

    With LINE (a serial port, or a host as HOST[:PORT]) it asks you to read the display, reads the device's
    registers at that moment, or the lines that it sends by itself, tells what it has found, and which look or
    act would tell more. Stop whenever you like; with the same --session it goes on where it was. It only ever
    reads the device. Stop the monitor first.

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

    --text takes the log of a terminal program instead of a dump: one line of the device after the other, each
    as it came, behind its ISO 8601 time and a blank:

    \b
    2026-11-25T10:30:00.4Z V=12.61;I=-2.31;T=18.4*7C
    2026-11-25T10:30:01.4Z V=12.61;I=-2.28;T=18.4*74

    A look then lies beside the line nearest to its time, at most 3 s away. In a log without times write
    line = 12, the number of that line in the file, in place of time. lines.txt in the folder of a session is
    such a log.

    \b
    Examples:
      nightbank match /dev/serial/by-id/usb-adapter --session shed
      nightbank match --dump dump.csv --seen seen.toml
      nightbank match --text lines.txt --seen seen.toml --profile shed.toml
    """
    if line is not None:
        if session is None or dump_file or text_file or seen_file or profile_file or as_json:
            raise click.UsageError(
                "with LINE give --session FOLDER, and no --dump, --text, --seen, --profile, --json"
            )
        _live(line, session, manner, details, listen_s)
        return
    file = dump_file or text_file
    if file is None or (dump_file and text_file) or seen_file is None:
        raise click.UsageError("give LINE and --session, or --seen with one of --dump and --text")
    if profile_file is not None and profile_file.exists():
        raise click.UsageError(f"{profile_file} is there already; name another file for --profile")
    from monitor.commands.match_files import from_dump, from_text
    from monitor.match.session import write_file

    about = f"Found from {file.name}"
    if text_file is not None:
        told = from_text(text_file, seen_file, about, details)
    else:
        told = from_dump(file, seen_file, about, details, manner.largest)
    for remark in (told.remark, *(told.mistakes if as_json else ())):
        if remark:
            click.echo(remark, err=True)
    words = told.words if details else f"{told.words}\n{MORE}"
    if profile_file is not None and told.profile is not None:
        write_file(profile_file, told.profile)
        words += (
            f'\n\nWritten to {profile_file}: name it in the site file as profile = "{profile_file.name}".'
        )
    if as_json:
        echo_json(told.document)
    else:
        click.echo(words)
    if profile_file is not None and told.profile is None:
        click.echo(f"\n{NO_PROFILE.format(profile_file)}", err=True)
        click.get_current_context().exit(1)


def _live(line: str, folder: Path, manner: Manner, details: bool, listen_s: float) -> None:
    """The dialogue before the device; a serial line is listened to first."""
    from monitor.commands.match_live import talk
    from monitor.commands.match_text import heard_at, talk_text
    from monitor.match.session import folder_of

    port = serial_port(line)
    with folder_of(folder):
        heard = heard_at(port, folder, manner, listen_s) if port is not None else None
        if port is not None and heard is not None:
            talk_text(port, folder, manner, details, heard)
        else:
            talk(line, folder, manner, details)
