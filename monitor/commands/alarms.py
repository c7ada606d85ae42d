"""`nightbank alarms`: what stands, what to do first, and a person's answers, which the daemon carries out."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import click

from monitor.commands.asked import Asked, ask_daemon
from monitor.commands.parts import JSON, SITE, Commands, asked_span, echo_json, say
from monitor.records import DAY_MS

HISTORY = 50
FIGURES_DAYS = 30

_SPAN = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(min|h|d)\s*")
_SECONDS = {"min": 60.0, "h": 3600.0, "d": 86_400.0}

NAME = click.argument("name")


@click.group(cls=Commands)
@SITE
@click.pass_context
def alarms(ctx: click.Context, site: Path) -> None:
    """Show the alarms of SITE and answer them.

    \b
    Examples:
      nightbank alarms hide.toml list
      nightbank alarms hide.toml acknowledge "Low voltage"
      nightbank alarms hide.toml shelve "Low voltage" --for 8h
    """
    ctx.obj = Asked(site)


@alarms.command("list")
@JSON
@click.pass_obj
def list_alarms(asked: Asked, as_json: bool) -> None:
    """What stands, since when, how bad, and what to do first.

    Example: nightbank alarms hide.toml list
    """
    from monitor.alarm_words import list_document, list_in_words
    from monitor.alarms.rules import rules_of
    from monitor.present import now_of
    from monitor.store.heartbeat import read_heartbeat

    site = asked.site()
    with asked.reader(site) as reader:
        states, beat, now = reader.alarms(), read_heartbeat(reader), now_of(reader)
    if as_json:
        echo_json(list_document(states, rules_of(site)))
    else:
        zone = site.site.zone
        patience_ms = now.patience_ms(site)
        say(
            list_in_words(
                states, rules_of(site), beat, now.time_ms, patience_ms, zone, is_untold=now.is_untold
            )
        )


@alarms.command()
@NAME
@click.pass_obj
def acknowledge(asked: Asked, name: str) -> None:
    """Say that you have seen the alarm NAME, or 'all' of them.

    Example: nightbank alarms hide.toml acknowledge "Low voltage"
    """
    _ask(asked, "acknowledge", name, {})


@alarms.command()
@NAME
@click.option("--for", "span", required=True, metavar="TIME", help="30min, 8h or 1d; at most 24 h.")
@click.pass_obj
def shelve(asked: Asked, name: str, span: str) -> None:
    """Be left alone by the alarm NAME for a time; then it is judged again by itself.

    Example: nightbank alarms hide.toml shelve "Low voltage" --for 8h
    """
    _ask(asked, "shelve", name, {"for_s": _seconds(span)})


@alarms.command()
@NAME
@click.pass_obj
def unshelve(asked: Asked, name: str) -> None:
    """End the shelving of the alarm NAME now.

    Example: nightbank alarms hide.toml unshelve "Low voltage"
    """
    _ask(asked, "unshelve", name, {})


@alarms.command()
@NAME
@click.pass_obj
def reset(asked: Asked, name: str) -> None:
    """Reset the latched alarm NAME, once it is acknowledged and back to normal.

    Example: nightbank alarms hide.toml reset "Low voltage"
    """
    _ask(asked, "reset", name, {})


@alarms.command("out-of-service")
@NAME
@click.pass_obj
def out_of_service(asked: Asked, name: str) -> None:
    """Put the alarm NAME out of service until you put it in service again.

    Example: nightbank alarms hide.toml out-of-service "Low voltage"
    """
    _ask(asked, "out of service", name, {})


@alarms.command("in-service")
@NAME
@click.pass_obj
def in_service(asked: Asked, name: str) -> None:
    """Put the alarm NAME in service again.

    Example: nightbank alarms hide.toml in-service "Low voltage"
    """
    _ask(asked, "in service", name, {})


@alarms.command()
@click.option("--from", "first", metavar="TIME", help="Not before this time.")
@click.option("--to", "last", metavar="TIME", help="Before this time.")
@click.option("--limit", type=click.IntRange(1, 100_000), default=HISTORY, show_default=True, help="So many.")
@JSON
@click.pass_obj
def history(asked: Asked, first: str | None, last: str | None, limit: int, as_json: bool) -> None:
    """Every change of every alarm, newest first, with the values behind it.

    Example: nightbank alarms hide.toml history --from 2026-11-25
    """
    from monitor.alarm_words import history_document, history_in_words
    from monitor.present import now_of

    site = asked.site()
    zone = site.site.zone
    with asked.reader(site) as reader:
        now_ms = now_of(reader).time_ms
        start_ms, end_ms = asked_span(first, last, now_ms, zone)
        found = reader.transitions(start_ms, end_ms, limit)
    if as_json:
        echo_json(history_document(found))
    else:
        say(history_in_words(found, now_ms, zone))


@alarms.command()
@click.option("--from", "first", metavar="TIME", help=f"From this time; without it {FIGURES_DAYS} days.")
@click.option("--to", "last", metavar="TIME", help="To this time; without it now.")
@JSON
@click.pass_obj
def figures(asked: Asked, first: str | None, last: str | None, as_json: bool) -> None:
    """How the alarms do: how many a day, which chatter, which stand for days.

    Example: nightbank alarms hide.toml figures
    """
    from monitor.alarm_words import figures_document, figures_in_words
    from monitor.alarms.figures import figures as figures_of
    from monitor.present import now_of

    site = asked.site()
    zone = site.site.zone
    with asked.reader(site) as reader:
        back_ms = FIGURES_DAYS * DAY_MS
        start_ms, end_ms = asked_span(first, last, now_of(reader).time_ms, zone, back_ms)
        found = figures_of(
            reader.transitions(start_ms, end_ms, 1_000_000), reader.alarms(), start_ms, end_ms, zone
        )
    if as_json:
        echo_json(figures_document(found))
    else:
        say(figures_in_words(found, zone))


def _ask(asked: Asked, kind: str, name: str, details: Mapping[str, float]) -> None:
    """Leave a request on an alarm for the daemon; a name that no alarm has is told while who typed it is
    here, since the daemon may not run. Ends with 1 then."""
    from monitor.alarms.requests import ALL, unknown
    from monitor.alarms.rules import rules_of

    site = asked.site()
    with asked.reader(site) as reader:
        known = {state.name for state in reader.alarms()} | {rule.name for rule in rules_of(site)}
    every = {ALL} if kind == "acknowledge" else set()
    if name.casefold() not in {each.casefold() for each in known | every}:
        click.echo(unknown(name, sorted(known)))
        click.get_current_context().exit(1)
    ask_daemon(asked, kind, name, details)


def _seconds(span: str) -> float:
    """Seconds of '30min', '8h' or '1d'. Raises click.BadParameter for anything else or more than a day."""
    from monitor.alarms.engine import LONGEST_SHELF_S

    found = _SPAN.fullmatch(span)
    if found is None:
        raise click.BadParameter(f"'{span}' is no time; write it like 30min, 8h or 1d", param_hint="--for")
    seconds = float(found[1]) * _SECONDS[found[2]]
    if not 0 < seconds <= LONGEST_SHELF_S:
        raise click.BadParameter(
            f"an alarm can be shelved for up to {LONGEST_SHELF_S / 3600:.0f} h at a time, not for '{span}'",
            param_hint="--for",
        )
    return seconds
