"""`nightbank care`: what keeps a bank alive, worked out from the store and the site file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from monitor.commands.asked import BY, Asked, ask_daemon
from monitor.commands.parts import JSON, SITE, Commands, amount, echo_json, moment_ms
from monitor.terminal import filled, point

NO_CHARGE = (
    "there is no store yet, so nothing tells the bank's charge: give it by hand with --charge, in percent, or"
    " start the monitor"
)


@click.group(cls=Commands)
@SITE
@click.pass_context
def care(ctx: click.Context, site: Path) -> None:
    """Tell what the bank of SITE needs to stay alive.

    \b
    Examples:
      nightbank care hide.toml due
      nightbank care hide.toml winter
      nightbank care hide.toml capacity
    """
    ctx.obj = Asked(site)


@care.command()
@click.option(
    "--glass",
    is_flag=True,
    help="Look for dirt in the array's days now, not by the monitor's weekly look: takes up to a minute.",
)
@JSON
@click.pass_obj
def due(asked: Asked, glass: bool, as_json: bool) -> None:
    """Tell what is to be done at bank and array, and when: by the calendar, by use and by what was found.

    What was done is taken from the log (`nightbank log`), so write it down there. Dirt on the glass is by the
    last look that the monitor had at the array's days. The exit status is 1 where something is due.

    Example: nightbank care hide.toml due
    """
    from monitor.care_report import care_report
    from monitor.care_words import due_lines

    site = asked.site()
    with asked.reader(site) as reader:
        findings = None
        if glass:
            from monitor.array_report import found_lately

            findings = found_lately(site, reader)
        told = care_report(site, reader, findings)
    if as_json:
        echo_json(told)
    else:
        _say(due_lines(told), _minded(told["tasks"]))
    if any(task["is_due"] for task in told["tasks"]):
        click.get_current_context().exit(1)


@care.command()
@amount("--coldest", "°C", -70, 30, "The coldest night that the bank itself can get.")
@amount("--at", "°C", -40, 50, "Mean temperature while it stands, instead of the last week's.")
@amount("--charge", "%", 0, 100, "Its charge, instead of what the store says.")
@amount("--draw", "W", 0, 500, "What stays connected, instead of the monitor alone.")
@amount("--heater", "W", 1, 5000, "A heater that would run from the bank.")
@click.option("--no-array", is_flag=True, help="Without the array: taken down, covered, or under snow.")
@JSON
@click.pass_obj
def winter(
    asked: Asked,
    coldest: float | None,
    at: float | None,
    charge: float | None,
    draw: float | None,
    heater: float | None,
    no_array: bool,
    as_json: bool,
) -> None:
    """Tell whether the bank may stand out in the cold: the charge it needs, and for how long it has it.

    What the array gives is drawn from a clear sky and this site's own clouds, a dark spell among them; snow
    is not known. The exit status is 1 unless the coldest night may come tonight.

    Example: nightbank care hide.toml winter --coldest -20 --at 0
    """
    from monitor.care.winter_told import BY_RULE
    from monitor.care.winter_told import Asked as Question
    from monitor.care.winter_words import winter_lines
    from monitor.winter_report import winter_report

    site = asked.site()
    question = Question(at, coldest, draw, heater, not no_array)
    with asked.reader_if_any(site) as reader:
        if reader is None and charge is None:
            raise click.UsageError(NO_CHARGE)
        told = winter_report(site, reader, question, None if charge is None else charge / 100)
    if as_json:
        echo_json(told)
    else:
        hints = ["Its charge is not known: give it with --charge."] if told["charge"] is None else []
        if told["coldest_from"] == BY_RULE:
            hints.append("Give the coldest night of your own with --coldest.")
        _say([*winter_lines(told), *hints], told["cautions"])
    if not told["safe_now"]:
        click.get_current_context().exit(1)


@care.command()
@click.option("--from", "begun", metavar="TIME", help="When a discharge began, the bank full.")
@click.option("--to", "ended", metavar="TIME", help="When it ended.")
@click.option(
    "--begin", is_flag=True, help="Have the test watched: who the channels reach is called at its end."
)
@click.option("--end", is_flag=True, help="Have it watched no longer.")
@click.option("--write", is_flag=True, help="Write what the discharge told into the log.")
@click.option("--by", default=BY, metavar="NAME", help="Who does the test.")
@JSON
@click.pass_obj
def capacity(
    asked: Asked,
    begun: str | None,
    ended: str | None,
    begin: bool,
    end: bool,
    write: bool,
    by: str,
    as_json: bool,
) -> None:
    """Guide through a test of the capacity, or tell what one discharge gave.

    Without times it says where a test stands: what is ready, how much is taken, when to stop, and what a
    discharge of the last three days told. With --from and --to it tells the capacity at the 20-hour rate from
    that discharge, with how well it is known. A discharge begins with a full bank and ends at 1.75 V a cell,
    or sooner and with a rest of 6 hours. TIME is local at the site. Nothing is switched: that is yours to do.
    With --begin the monitor watches a test and calls when the loads are to be switched off, and when the bank
    waits for its charge; charge it full before.
    The exit status is 1 where a discharge that was asked for tells no capacity.

    \b
    Examples:
      nightbank care hide.toml capacity
      nightbank care hide.toml capacity --begin --by Ada
      nightbank care hide.toml capacity --from 2026-11-24T17 --to 2026-11-25T03
    """
    from monitor.alarms.capacity_test import BEGIN, END
    from monitor.alarms.telling import clock_words
    from monitor.capacity.guide import guide_document
    from monitor.capacity.report import capacity_document, log_details
    from monitor.capacity.words import capacity_lines, guide_lines
    from monitor.care.entry import LOG
    from monitor.records import LogKind, parse_iso

    if (begun is None) != (ended is None):
        raise click.UsageError("--from and --to belong together: give both, or none for the guide")
    if begin or end:
        if (begin and end) or begun or write or as_json:
            raise click.UsageError("--begin and --end each go alone, but for --by")
        ask_daemon(asked, BEGIN if begin else END, "", {}, by)
        return
    site = asked.site()
    zone = site.site.zone
    start_ms = 0 if begun is None else moment_ms(begun, zone, "--from")
    end_ms = 0 if ended is None else moment_ms(ended, zone, "--to")
    if ended is not None and end_ms <= start_ms:
        raise click.UsageError("--to must come after --from")
    with asked.reader(site) as reader:
        if begun is None:
            told = guide_document(site, reader)
            now_ms, result = parse_iso(told["time"]), told["result"]
            lines = guide_lines(told, lambda time_ms: clock_words(time_ms, now_ms, zone))
        else:
            told = result = capacity_document(site, reader, start_ms, end_ms)
            lines = capacity_lines(told)
    if as_json:
        echo_json(told)
    else:
        _say(lines, told["cautions"])
    is_told = result is not None and result["capacity_Ah"] is not None
    if write and is_told:
        ask_daemon(asked, LOG, LogKind.CAPACITY, log_details(result), by)
    elif write:
        click.echo("Nothing was written: no discharge told a capacity.", err=True)
    if not is_told and (begun or write):
        click.get_current_context().exit(1)


def _minded(tasks: Sequence[Mapping[str, Any]]) -> list[str]:
    """The cautions of all acts, each once."""
    from monitor.cautions import CODES

    return list(dict.fromkeys([CODES, *(caution for task in tasks for caution in task["cautions"])]))


def _say(lines: Sequence[str], cautions: Sequence[str]) -> None:
    for line in lines:
        click.echo(filled(line, " " * _indent(line)))
    click.echo("\nBefore you touch anything:")
    for caution in cautions:
        click.echo(point(caution))


def _indent(line: str) -> int:
    """How far a line's own continuation is set in: as its text."""
    return len(line) - len(line.lstrip("! "))
