"""`nightbank clock`: by what time the monitor goes, and the ways to tell it; what was set aside."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.commands.asked import Asked, ask_daemon
from monitor.commands.parts import FILE, SITE, moment_ms, say

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from monitor.store.base import StoreReader


@click.command()
@SITE
@click.option(
    "--set", "told", metavar="TIME", help="Tell the monitor the time: 2026-11-25T19:30, local, or 'system'."
)
@click.option(
    "--sure", is_flag=True, help="With --set: even if readings were stamped later; set those aside."
)
@click.option(
    "--aside",
    type=FILE,
    metavar="FILE",
    help="Write the readings that were set aside into a new CSV file.",
)
@click.option(
    "--run",
    type=click.IntRange(min=1),
    metavar="NUMBER",
    help="With --aside: only one run that never learnt the time, in the form that nightbank import takes.",
)
@click.option("--on", metavar="TIME", help="With --run: when the computer was switched on for that run.")
def clock(
    site: Path, told: str | None, sure: bool, aside: Path | None, run: int | None, on: str | None
) -> None:
    """Show by what time the monitor of SITE goes, or tell it the time.

    Until somebody has told the time since the computer was switched on, readings wait; 'system' takes the
    time of this computer's own clock, after somebody has set it. Nothing here sets the computer's clock.

    \b
    Examples:
      nightbank clock hide.toml
      nightbank clock hide.toml --set 2026-11-25T19:30
      nightbank clock hide.toml --aside aside.csv
      nightbank clock hide.toml --aside run.csv --run 1 --on 2026-11-25T07:10
    """

    from monitor.commands.aside import show_aside, write_run
    from monitor.present import now_of
    from monitor.store import store_path
    from monitor.store.held import HeldReadings, held_path

    if (run is None) != (on is None) or (run is not None and aside is None):
        raise click.UsageError("--run and --on go together, with --aside FILE")
    asked = Asked(site)
    described = asked.site()
    if told is not None:
        _tell(asked, described.site.zone, told, sure=sure)
        return
    path, zone = held_path(store_path(described, site)), described.site.zone
    with asked.reader(described) as reader:
        if run is None:
            say(_words(reader, zone))
        now_ms = now_of(reader).time_ms
    if path.exists():
        with closing(HeldReadings(path, "")) as held:
            if run is None or on is None or aside is None:
                show_aside(held, aside, zone)
            else:
                write_run(held, aside, run, moment_ms(on, zone, "--on"), now_ms, zone)
    elif aside is not None:
        click.echo("Nothing was set aside.")


def _tell(asked: Asked, zone: ZoneInfo, told: str, *, sure: bool) -> None:
    from monitor.clock import TIME_REQUEST
    from monitor.clock.kernel import Kernel

    kernel = Kernel()
    told_ms = kernel.system_ms() if told == "system" else moment_ms(told, zone, "--set")
    details: dict[str, str | float | None] = {
        "offset_ms": float(told_ms - kernel.count_ms()),
        "boot": kernel.boot,
    }
    if sure:
        details["sure"] = 1.0
    ask_daemon(asked, TIME_REQUEST, "", details)


def _words(reader: StoreReader, zone: ZoneInfo) -> str:
    from monitor.clock import CLOCK_NOTE, FollowedClock, clock_from_note
    from monitor.clock.steady import SOURCE_WORDS
    from monitor.present import TIME_UNKNOWN
    from monitor.records import to_datetime

    clock = clock_from_note(reader.note(CLOCK_NOTE))
    if not isinstance(clock, FollowedClock):
        return "The monitor has noted no time since this computer was switched on."
    at = f"{to_datetime(clock.now_ms()).astimezone(zone):%-d %b %Y %H:%M:%S}"
    if clock.error_s is None:
        return f"{TIME_UNKNOWN} It is {at} at the earliest."
    source = SOURCE_WORDS.get(clock.course.source, clock.course.source)
    within = f"right within {clock.error_s:.0f} s"
    text = f"The monitor goes by the time of the {source}: {at} at the site, {within}."
    return f"{text} But {clock.course.disagrees}." if clock.course.disagrees else text
