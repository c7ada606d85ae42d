"""The command line. Commands of other packages join through the entry-point group 'nightbank.commands'.

Exit status 0 fine, 1 a problem was found and told, 2 wrong use. `--json` prints one document on standard
output; messages go to standard error. Rooms are imported when a command runs, so that each stays light.
"""

from __future__ import annotations

import errno
import io
import logging
import os
import sys
from contextlib import closing, suppress
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import click

from monitor.commands.parts import JSON, SITE, Decimal, echo_json, folded, say
from monitor.errors import NightbankError
from monitor.log_lines import log_to_stderr
from monitor.terminal import wrapped
from monitor.toml_lines import AS_THE_SERVICE

COMMAND_GROUP = "nightbank.commands"

REFUSED = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EROFS, errno.EACCES, errno.EPERM)
"""What a file may refuse that is read or written; all else is a fault of ours and keeps its traceback."""

PARTS: dict[str, dict[str, str]] = {
    "Begin": {
        "demo": "an invented system, its last two weeks, then live",
        "site": "describe your system; check what it amounts to",
        "find": "which devices answer, and on which line",
        "scan": "read all registers of a device that nobody has described",
        "match": "find which register or field holds what",
        "checkup": "test a system that has just been wired",
    },
    "Run": {
        "monitor": "the daemon: read the devices until stopped",
        "page": "serve the page to phones until stopped",
        "pin": "set the PIN with which the page takes answers and notes",
        "notify": "the ways to your phone: try them, see what waits",
    },
    "Look": {
        "now": "what the bank does now",
        "outlook": "will it last until morning, and what would help",
        "alarms": "what stands, what to do first; answer them",
        "events": "what has happened, newest first",
        "days": "each day's sky and harvest, and what was left unused",
        "bank": "what went in and out, cycles, health",
        "array": "what is wrong with the array, and where to look first",
    },
    "Look after": {
        "care": "what is due; may it stand out in winter; its capacity",
        "log": "what was done at the bank: read it, write it down",
        "season": "what a season did to the bank",
        "plan": "how many nights it lasts, what it should be, what if",
        "wire": "wire and fuse for a run of copper",
    },
    "Records": {
        "export": "readings out, as a table",
        "import": "readings in, from a table",
        "estimate": "the charge of any other record",
        "rebuild": "estimate the stored history anew",
        "store": "the file of readings: backup, restore, check, compact",
        "clock": "by whose time the monitor goes; tell it the time",
        "installed": "what this installation is made of, and is it whole",
    },
    "Servers": {
        "mirror": "copies of the readings on time-series servers",
        "sites": "all sites on a server, those in trouble first",
        "fleet": "load a server as many sites would, to try it",
    },
}
"""The list that `nightbank --help` shows: each command once, by what a person wants."""


class _Commands(click.Group):
    """A group that adds installed packages' commands and tells our own errors in plain words."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted({*super().list_commands(ctx), *(point.name for point in _installed())})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        own = super().get_command(ctx, cmd_name)
        if own is not None:
            return own
        found = next((point for point in _installed() if point.name == cmd_name), None)
        command: click.Command | None = found.load() if found else None
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        others = {
            name: command.get_short_help_str()
            for name in self.list_commands(ctx)
            if not any(name in part for part in PARTS.values())
            and (command := self.get_command(ctx, name)) is not None
        }
        for title, part in {**PARTS, "Further": others}.items():
            if part:
                with formatter.section(title):
                    formatter.write_dl([(f"{name:10}", told) for name, told in part.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError:
            if Path(args[0]).suffix == ".toml":
                raise click.UsageError(f"say what you want of it: nightbank now {args[0]}", ctx=ctx) from None
            raise

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except click.UsageError as error:
            asked, told = error.ctx and error.ctx.command, error.format_message()
            if isinstance(asked, click.Group) and error.message == "Missing command.":
                told = f"say what you want of it: {', '.join(asked.list_commands(error.ctx or ctx))}"
            elif isinstance(error, click.MissingParameter) and error.param and error.param.name == "site":
                told = f"{told} Give the site file, such as hide.toml."
            raise click.UsageError(folded(told, "Error: "), ctx=error.ctx) from None
        except NightbankError as error:
            say(str(error), err=True)
            ctx.exit(1)

    def main(self, *args: Any, **more: Any) -> Any:
        """As click's; what the system refuses is told in a line, such as a full disk behind '>'."""
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):  # a terminal of old without every sign gets '?'
                stream.reconfigure(errors="replace")
        try:
            return super().main(*args, **more)
        except OSError as error:
            if error.errno not in REFUSED:
                raise
            where = error.filename or "the output"
            may_not = error.errno in (errno.EACCES, errno.EPERM)
            advice = AS_THE_SERVICE if may_not else "look at the room and the rights there"
            say(f"{where}: {error.strerror}; {advice}", err=True)
            if not error.filename:
                _drop_output()
            sys.exit(1)


def _drop_output() -> None:
    """Let go of what waits for an output that takes nothing: Python would try again at its end, and say so
    with a status of its own."""
    with suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _installed() -> Any:
    return entry_points(group=COMMAND_GROUP)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="nightbank", prog_name="nightbank")
def main() -> None:
    """Watch a small off-grid solar bank: how full it is, what the day brought, what is wrong.

    Start with `nightbank demo`, or describe your own system with `nightbank site new`. Each command tells
    more with --help. SITE is the site file of your system, a text file like hide.toml.

    Example: nightbank demo
    """


@main.command()
@SITE
def monitor(site: Path) -> None:
    """Run the daemon: poll the devices of SITE (a site file) into its store until stopped.

    Example: nightbank monitor hide.toml
    """
    from monitor.memory import leave_openssl_out

    leave_openssl_out()
    from monitor import service

    log_to_stderr()
    service.run(site)


@main.command()
@SITE
@JSON
def now(site: Path, as_json: bool) -> None:
    """Show what the bank of SITE does now, from the store.

    Example: nightbank now hide.toml
    """

    from monitor.alarm_words import unwatched
    from monitor.now_words import in_words
    from monitor.present import now_of, present
    from monitor.site.load import load_site
    from monitor.store.heartbeat import read_heartbeat
    from monitor.stores import open_reader

    described = load_site(site)
    zone = described.site.zone
    with closing(open_reader(described, site)) as reader:
        document, beat, now = present(described, reader), read_heartbeat(reader), now_of(reader)
    if as_json:
        echo_json(document)
        return
    patience_ms = now.patience_ms(described)
    for line in unwatched("all here is", beat, now.time_ms, patience_ms, zone, is_untold=now.is_untold):
        click.echo(wrapped(f"{line}\n"))
    say(in_words(document, zone))


@main.command()
@click.option(
    "--dir",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("nightbank-demo"),
    show_default=True,
    help="Where the demo keeps its files; a former demo there is replaced.",
)
@click.option(
    "--days", type=click.IntRange(1, 60), default=14, show_default=True, help="Past days to fill in."
)
@click.option(
    "--speed",
    type=Decimal(0.1, 600),
    default=1.0,
    show_default=True,
    help="How many times as fast as life the time runs once it is live.",
)
@click.option("--no-page", is_flag=True, help="Without the page.")
@click.option(
    "--port", type=click.IntRange(1024, 65535), default=8480, show_default=True, help="The page's port."
)
def demo(folder: Path, days: int, speed: float, no_page: bool, port: int) -> None:
    """Run simulator, daemon and page together: an invented bird hide, its last weeks, then live.

    Example: nightbank demo --days 14
    """
    from monitor import demo as demonstration

    log_to_stderr(logging.WARNING)
    demonstration.run(folder, days=days, speed=speed, page_port=None if no_page else port)


def _add_rooms() -> None:
    from monitor.commands.alarms import alarms
    from monitor.commands.array import array
    from monitor.commands.bank import bank
    from monitor.commands.care import care
    from monitor.commands.checkup import checkup
    from monitor.commands.clock import clock
    from monitor.commands.days import days
    from monitor.commands.estimate import estimate
    from monitor.commands.events import events
    from monitor.commands.find import find
    from monitor.commands.installed import installed
    from monitor.commands.log import log
    from monitor.commands.match import match
    from monitor.commands.mirror import mirror
    from monitor.commands.notify import notify
    from monitor.commands.outlook import outlook
    from monitor.commands.pin import pin
    from monitor.commands.plan import plan
    from monitor.commands.rebuild import rebuild
    from monitor.commands.scan import scan
    from monitor.commands.season import season
    from monitor.commands.site import site
    from monitor.commands.store import store
    from monitor.commands.tables import export_table, import_table
    from monitor.commands.wire import wire

    for command in (
        alarms,
        array,
        bank,
        care,
        checkup,
        clock,
        days,
        estimate,
        events,
        find,
        installed,
        log,
        match,
        mirror,
        notify,
        outlook,
        pin,
        plan,
        rebuild,
        scan,
        season,
        site,
        store,
        wire,
    ):
        main.add_command(command)
    main.add_command(export_table, "export")
    main.add_command(import_table, "import")


_add_rooms()

if __name__ == "__main__":
    main()
