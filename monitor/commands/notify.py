"""`nightbank notify`: the outbox, and a test through every channel."""

from __future__ import annotations

from contextlib import closing
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from monitor.commands.parts import JSON, SITE, echo_json, say

if TYPE_CHECKING:
    from datetime import tzinfo

    from monitor.notices.trial import Outcome
    from monitor.records import Notice
    from monitor.site.model import Site

SHOWN = 50
"""So many notices are shown where no other number is asked for."""


@click.command()
@SITE
@click.option("--test", is_flag=True, help="Send a test through every channel now and say what became of it.")
@click.option("--channel", metavar="NAME", help="Only this channel of the site file.")
@click.option(
    "--last", type=click.IntRange(1, 1000), default=SHOWN, show_default=True, help="So many notices."
)
@JSON
@click.pass_context
def notify(ctx: click.Context, site: Path, test: bool, channel: str | None, last: int, as_json: bool) -> None:
    """Show the notices of SITE: what waits, what was delivered, what expired. With --test, try the channels.

    A test is sent by this command itself, whether the daemon runs or not; a pin is active for a second, which
    it cannot be while the daemon holds it. Exit status 1 where a channel did not take it.

    Example: nightbank notify hide.toml --test --channel phone
    """
    from monitor.site.load import load_site

    described = load_site(site)
    names = [entry.name for entry in described.channels]
    if channel is not None and channel not in names:
        known = ", ".join(names) or "none yet; add a table [[channels]]"
        raise click.BadParameter(
            f"{channel!r} is no channel of {site}; known: {known}", param_hint="--channel"
        )
    if test:
        ctx.exit(_test(described, site, channel, as_json))
    _show(described, site, channel, last, as_json)


def _test(described: Site, site: Path, channel: str | None, as_json: bool) -> int:
    from monitor.clock import SystemClock
    from monitor.notices.trial import try_channels

    outcomes = []
    if not described.channels:
        click.echo(f"{site} has no [[channels]] yet: notices stand on the page only.", err=True)
        return 1
    for outcome in try_channels(described, site.parent, SystemClock().now_ms(), channel):
        outcomes.append(outcome)
        if not as_json:
            say(_said(outcome))
    if as_json:
        echo_json([asdict(outcome) for outcome in outcomes])
    return int(any(outcome.problem is not None for outcome in outcomes))


def _said(outcome: Outcome) -> str:
    if outcome.problem is None:
        done = "was active" if outcome.kind == "pin" else "delivered"
        return f"{outcome.channel} ({outcome.kind}): {done} in {outcome.seconds:.1f} s"
    maybe = " It may have arrived all the same." if outcome.may_have_arrived else ""
    return f"{outcome.channel} ({outcome.kind}): NOT delivered: {outcome.problem}.{maybe}"


def _show(described: Site, site: Path, channel: str | None, last: int, as_json: bool) -> None:
    from monitor.stores import open_reader

    with closing(open_reader(described, site)) as reader:
        waiting = reader.open_notices()
        finished = [notice for notice in reader.notices(last) if notice.finished_ms is not None]
    notices = [n for n in (*reversed(waiting), *finished) if channel in (None, n.channel)][:last]
    if as_json:
        echo_json([_document(notice) for notice in notices])
    elif not notices:
        click.echo("No notice waits, and none was made yet.")
    else:
        zone = described.site.zone
        say("\n".join(_line(notice, zone) for notice in notices))


def _document(notice: Notice) -> dict[str, Any]:
    """A notice with its times in ISO 8601 instead of milliseconds."""
    from monitor.records import iso_utc

    kept = asdict(notice)
    return {
        key.removesuffix("_ms"): iso_utc(value) if key.endswith("_ms") and value is not None else value
        for key, value in kept.items()
    }


def _line(notice: Notice, zone: tzinfo) -> str:
    from monitor.records import to_datetime

    made = to_datetime(notice.created_ms).astimezone(zone)
    state = {"due": "waits", "trying": "is being sent"}.get(notice.state, notice.state)
    tries = f", {notice.attempts} tries" if notice.attempts > 1 else ""
    why = f"\n    last said: {notice.last_error}" if notice.last_error and notice.state != "delivered" else ""
    twice = ", may have arrived twice" if notice.maybe_twice else ""
    head = f"{made:%Y-%m-%d %H:%M}  {notice.channel}  {state}{tries}{twice}"
    return f"{head}\n    {notice.title}\n    {notice.text}{why}"
