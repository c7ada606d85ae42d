"""`nightbank plan`: what is drawn, how long the bank lasts, what bank and array should be, what if.

The rooms are imported when the command runs, so that the command line stays light.
"""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from monitor.cli_asked import Asked, echo_json
from monitor.cli_parts import SITE_FILE, amount

if TYPE_CHECKING:
    from monitor.plan.draws import Draw, Inverter
    from monitor.site.model import Site
    from monitor.store.base import StoreReader

STORAGE_DAYS = 5.0
"""Days of storage without sun where none are asked for (our choice; worked examples take 4, 5 and 7)."""


@click.command()
@click.argument("site", type=SITE_FILE)
@click.option("--add", "adds", multiple=True, metavar="LOAD", help="What if: a load more; may be repeated.")
@click.option("--more-panels", type=click.IntRange(0, 40), default=0, help="What if: strings of panels more.")
@click.option(
    "--more-batteries", type=click.IntRange(0, 40), default=0, help="What if: strings of batteries more."
)
@amount("--colder", "°C", 0, 40, "What if: a month so much colder.", default=0.0)
@click.option("--ac", multiple=True, metavar="BRANCH", help="A branch behind the inverter; may be repeated.")
@amount("--inverter", "%", 30, 100, "What the inverter gives of what it takes; 85 without this.")
@amount("--standby", "W", 0, 500, "What the inverter takes around the clock.")
@amount("--days", "days", 1, 60, "Days of storage without sun.", default=STORAGE_DAYS, show_default=True)
@click.option("--critical", is_flag=True, help="Loads that must never fail: a larger array.")
@amount("--margin", "", 1, 2, "Design margin of the bank.", default=1.1, show_default=True)
@amount("--sun-hours", "h", 0.1, 12, "Peak sun hours a day in the worst month, from a table.")
@amount("--bank-temperature", "°C", -40, 50, "The bank's in the cold season, instead of what was measured.")
@click.option("--outlook", "anew", is_flag=True, help="Work the next days out: takes up to a minute.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def plan(
    site: Path,
    adds: tuple[str, ...],
    more_panels: int,
    more_batteries: int,
    colder: float,
    ac: tuple[str, ...],
    inverter: float | None,
    standby: float | None,
    days: float,
    critical: bool,
    margin: float,
    sun_hours: float | None,
    bank_temperature: float | None,
    anew: bool,
    as_json: bool,
) -> None:
    """Tell what the loads of SITE take a day, how long its bank lasts, and what bank and array should be.

    Sizes are worked out by the published methods for stand-alone systems, each step shown with its source.
    With --add, --more-panels, --more-batteries or --colder the plan is told as it is and as it would be. A
    LOAD is written like '6 x 2 W lamps 4 h', behind an inverter '60 W drill 0.5 h AC'.

    \b
    Examples: nightbank plan hide.toml
              nightbank plan hide.toml --add '6 x 2 W lamps 4 h' --more-batteries 1
              nightbank plan hide.toml --sun-hours 1.2 --bank-temperature 2
    """
    from monitor.plan.sizing import ARRAY_TO_LOAD
    from monitor.plan.system import Wish
    from monitor.plan_known import clear_hours
    from monitor.plan_report import Growth, Question, plan_report
    from monitor.plan_words import in_words

    asked = Asked(site)
    described = asked.site()
    if (described.array is None) and (more_panels or sun_hours is not None):
        raise click.UsageError(f"{site} describes no array: leave --more-panels and --sun-hours out")
    draws = tuple(_load(text) for text in adds)
    question = Question(
        wish=Wish(days, ARRAY_TO_LOAD["critical" if critical else "usual"], margin),
        growth=Growth(draws, more_panels, more_batteries, colder),
        inverter=_inverter(inverter, standby, bool(ac) or any(draw.ac for draw in draws)),
        ac_branches=_known(described, ac),
        temperature_C=bank_temperature,
        sun_h=sun_hours,
    )
    with ExitStack() as stack:
        reader, outlook = _store(stack, asked, described, anew)
        given = described.array is None or sun_hours is not None
        clear_h = "given" if given else clear_hours(described, reader)
        told = plan_report(described, reader, question, outlook, clear_h)
    if colder and told["bank_temperature_C"] is None:
        raise click.UsageError("--colder than what? Nothing measured the bank yet: give --bank-temperature")
    if as_json:
        echo_json(told)
    else:
        click.echo(in_words(told))


def _load(text: str) -> Draw:
    from monitor.plan.draws import added

    try:
        return added(text)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--add") from error


def _inverter(percent: float | None, standby_W: float | None, wanted: bool) -> Inverter | None:
    from monitor.plan.draws import INVERTER_EFFICIENCY, Inverter

    if not wanted and percent is None and standby_W is None:
        return None
    return Inverter(INVERTER_EFFICIENCY if percent is None else percent / 100, standby_W or 0.0)


def _known(site: Site, branches: tuple[str, ...]) -> tuple[str, ...]:
    """The branches, each one of the site file's. Raises click.BadParameter."""
    known = sorted({load.branch for load in site.loads})
    for branch in branches:
        if branch not in known:
            raise click.BadParameter(
                f"'{branch}' is no branch of the site file; it has {', '.join(known) or 'none'}",
                param_hint="--ac",
            )
    return branches


def _store(
    stack: ExitStack, asked: Asked, site: Site, anew: bool
) -> tuple[StoreReader | None, dict[str, Any] | str]:
    """The store, None where there is none yet, and its outlook (the daemon's, or worked out anew) or why
    there is none."""
    from monitor.errors import StoreError
    from monitor.store import store_path

    if site.store.server is None and not store_path(site, asked.path).exists():
        return None, "there is no store with readings yet"
    reader = stack.enter_context(asked.reader(site))
    from monitor.plan_known import noted_outlook

    if not anew:
        span = reader.span()
        noted = None if span is None else noted_outlook(reader, span[1])
        return reader, noted or "the monitor made no outlook in the last hour; --outlook works one out"
    from monitor.outlook.document import document
    from monitor.outlook_report import outlook_at
    from monitor.store.days import zone_of

    try:
        return reader, document(outlook_at(site, reader), zone_of(site.site.time_zone))
    except StoreError as error:
        return reader, str(error)
