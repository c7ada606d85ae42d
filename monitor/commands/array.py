"""`nightbank array`: what is wrong with the array, from the store alone."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from monitor.commands.asked import Asked
from monitor.commands.parts import JSON, SITE, asked_days, echo_json, say
from monitor.terminal import filled

if TYPE_CHECKING:
    from monitor.sun.findings import Finding, Looked


@click.command()
@SITE
@click.option("--from", "first", metavar="DATE", help="First day; without it 120 days before the last.")
@click.option("--to", "last", metavar="DATE", help="Last day; without it the store's last.")
@JSON
def array(site: Path, first: str | None, last: str | None, as_json: bool) -> None:
    """Tell what is wrong with the array of SITE: each finding with its evidence and what to look at first.

    DATE is a local day like 2026-11-25; findings that touch the days from the first to the last are told, and
    sixty days before the first are read to learn what the array gives. It reads the store and nothing else,
    history that `nightbank import` brought in as well. It stays silent where clouds or the season could be
    the reason.

    Example: nightbank array hide.toml --from 2026-09-01
    """
    from monitor.array_report import LOOK_BACK_DAYS, found_in
    from monitor.sun.expected import supply_of
    from monitor.sun_report import stored_days

    asked = Asked(site)
    described = asked.site()
    supply_of(described)  # a site without an array is told of that, and not of a store that is not there
    with asked.reader(described) as reader:
        first_day, last_day = asked_days(first, last, *stored_days(described, reader), LOOK_BACK_DAYS)
        findings, looked = found_in(described, reader, first_day, last_day)
    zone = described.site.zone
    if as_json:
        echo_json({"findings": [finding.document() for finding in findings]})
    else:
        say(in_words(findings, looked, zone))


def in_words(findings: Sequence[Finding], looked: Looked, zone: ZoneInfo) -> str:
    """The findings newest first, or one sentence that nothing was found; times are local at the site."""
    over = f"{looked.days} days with readings, {looked.clear_h:.0f} hours of clear sky among them"
    if not findings:
        return f"Nothing is wrong with the array as far as the readings show ({over})."
    newest = sorted(findings, key=lambda finding: -finding.start_ms)
    return "\n\n".join([*(_told(finding, zone) for finding in newest), f"Judged by {over}."])


def _told(finding: Finding, zone: ZoneInfo) -> str:
    since = _local(finding.start_ms, zone)
    when = f"since {since}" if finding.end_ms is None else f"{since} to {_local(finding.end_ms, zone)}"
    from monitor.array_look import TITLES

    title = f"{TITLES[finding.kind]}, {when} ({100 * finding.confidence:.0f} % sure)."
    texts = (finding.evidence, finding.look_first)
    return "\n".join([title, *(filled(text, "  ", "  ") for text in texts)])


def _local(time_ms: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(time_ms / 1000, zone):%-d %b %Y %H:%M}"
