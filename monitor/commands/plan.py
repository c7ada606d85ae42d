"""`nightbank plan`: what is drawn, how long the bank lasts, what bank and array should be, what if."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from monitor.commands.asked import Asked
from monitor.commands.parts import FILE, JSON, SITE, amount, echo_json

if TYPE_CHECKING:
    from monitor.plan.draws import Draw
    from monitor.site.inverter_table import InverterEntry
    from monitor.site.model import Site
    from monitor.store.base import StoreReader
    from monitor.typical_year import TypicalYear


@click.command()
@SITE
@click.option("--add", "adds", multiple=True, metavar="LOAD", help="What if: a load more; may be repeated.")
@click.option("--more-panels", type=click.IntRange(0, 40), default=0, help="What if: strings of panels more.")
@click.option(
    "--more-batteries", type=click.IntRange(0, 40), default=0, help="What if: strings of batteries more."
)
@amount("--colder", "°C", 0, 40, "What if: a month so much colder.", default=0.0)
@click.option("--month", metavar="MONTH", help="Plan for this month, not for the one with the least sun.")
@amount(
    "--inverter", "%", 30, 100, "What an inverter for added loads gives of what it takes; 85 without this."
)
@amount("--standby", "W", 0, 500, "What that inverter takes around the clock.")
@amount("--days", "days", 1, 60, "Days of storage without sun; 5 without this.")
@click.option("--critical", is_flag=True, help="Loads that must never fail: a larger array.")
@amount("--margin", "", 1, 2, "Design margin of the bank.", default=1.1, show_default=True)
@amount("--sun-hours", "h", 0.1, 12, "Peak sun hours a day in the worst month, from a table.")
@amount("--clearness", "%", 1, 100, "Light of a mean day, of a clear sky's, where nothing else tells it.")
@click.option(
    "--typical-year", "year_file", type=FILE, help="A typical year of the place: EPW, or TMY3 (CSV)."
)
@amount("--bank-temperature", "°C", -40, 50, "The bank's in the cold season, instead of what was measured.")
@click.option("--outlook", "anew", is_flag=True, help="Work the next days out: takes up to a minute.")
@JSON
def plan(
    site: Path,
    adds: tuple[str, ...],
    more_panels: int,
    more_batteries: int,
    colder: float,
    month: str | None,
    inverter: float | None,
    standby: float | None,
    days: float | None,
    critical: bool,
    margin: float,
    sun_hours: float | None,
    clearness: float | None,
    year_file: Path | None,
    bank_temperature: float | None,
    anew: bool,
    as_json: bool,
) -> None:
    """Tell what the loads of SITE take a day, how long its bank lasts, and what bank and array should be.

    Sizes are worked out by the published methods for stand-alone systems, each step shown with its source.
    With --add, --more-panels, --more-batteries or --colder the plan is told as it is and as it would be. A
    LOAD is written like '6 x 2 W lamps 4 h', behind an inverter '60 W drill 0.5 h AC'. How often a night is
    dark goes by a typical year of the place (--typical-year, or [site] typical_year in the site file, which
    the page Plan goes by, too), else by this site's own days.

    \b
    Examples:
      nightbank plan hide.toml
      nightbank plan hide.toml --add '6 x 2 W lamps 4 h' --more-batteries 1
      nightbank plan hide.toml --month december --typical-year coast.epw
      nightbank plan hide.toml --sun-hours 1.2 --bank-temperature 2
    """
    from monitor.plan.sizing import ARRAY_TO_LOAD, STORAGE_DAYS
    from monitor.plan.steps import Wish
    from monitor.plan_known import clear_year
    from monitor.plan_report import Growth, Question, plan_report
    from monitor.plan_words import in_words

    asked = Asked(site)
    described = asked.site()
    _fits(described, site, more_panels, sun_hours, clearness, year_file, inverter, standby)
    draws = tuple(_load(text) for text in adds)
    if (inverter is not None or standby is not None) and not any(draw.ac for draw in draws):
        raise click.UsageError(
            "--inverter and --standby are of an inverter for loads added behind it; give one, such as"
            " --add '60 W drill 0.5 h AC'"
        )
    question = Question(
        wish=Wish(
            STORAGE_DAYS if days is None else days, ARRAY_TO_LOAD["critical" if critical else "usual"], margin
        ),
        growth=Growth(draws, more_panels, more_batteries, colder),
        month=_month(month),
        inverter=_inverter(inverter, standby),
        temperature_C=bank_temperature,
        sun_h=sun_hours,
        clearness=None if clearness is None else clearness / 100,
    )
    with ExitStack() as stack:
        reader, outlook = _store(stack, asked, described, anew)
        typical = _typical(described, site, reader, year_file)
        needs_no_sun = described.array is None or sun_hours is not None
        clear = "not needed" if needs_no_sun else clear_year(described, reader)
        told = plan_report(described, reader, question, outlook, clear, typical)
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


def _inverter(percent: float | None, standby_W: float | None) -> InverterEntry | None:
    from monitor.site.inverter_table import USUAL_EFFICIENCY, InverterEntry

    if percent is None and standby_W is None:
        return None
    return InverterEntry(
        efficiency=USUAL_EFFICIENCY if percent is None else percent / 100, standby_W=standby_W or 0.0
    )


def _fits(
    site: Site,
    path: Path,
    more_panels: int,
    sun_hours: float | None,
    clearness: float | None,
    year_file: Path | None,
    inverter: float | None,
    standby: float | None,
) -> None:
    """Raises click.UsageError for options that contradict the site file or one another."""
    if site.array is None and (more_panels or sun_hours is not None or clearness is not None or year_file):
        raise click.UsageError(
            f"{path} describes no array: leave --more-panels, --sun-hours, --clearness and --typical-year out"
        )
    told = [sun_hours is not None, clearness is not None, year_file is not None]
    if sum(told) > 1:
        raise click.UsageError(
            "--sun-hours, --clearness and --typical-year all tell the sun: give one of them"
        )
    if site.inverter is not None and (inverter is not None or standby is not None):
        raise click.UsageError(f"{path} describes the inverter: change it there, in the table [inverter]")


def _month(text: str | None) -> int | None:
    """The number of a month: '12', 'dec', 'December'. Raises click.BadParameter."""
    from monitor.plan_words import MONTHS

    if text is None:
        return None
    asked = text.strip().casefold()
    for number, name in enumerate(MONTHS[1:], 1):
        if asked == str(number) or (len(asked) >= 3 and name.casefold().startswith(asked)):
            return number
    raise click.BadParameter(f"'{text}' is no month; write it like December, dec or 12", param_hint="--month")


def _typical(
    site: Site, site_file: Path, reader: StoreReader | None, given: Path | None
) -> TypicalYear | None:
    """The typical year that is given, else that of the site file: from the store's note if that is of this
    file and array. Raises SunError, which tells what is wrong with the file."""
    from monitor.typical_year import mark, noted_year, path_of, read_year

    file = given or path_of(site, site_file)
    if file is None or site.array is None:
        return None
    noted = None
    if given is None and reader is not None:
        noted = noted_year(site, reader, mark(site, file))
    return noted or read_year(site_file, file)


def _store(
    stack: ExitStack, asked: Asked, site: Site, anew: bool
) -> tuple[StoreReader | None, dict[str, Any] | str]:
    """The store, None where there is none yet, and its outlook (the daemon's, or worked out anew) or why
    there is none."""
    from monitor.errors import StoreError
    from monitor.plan_known import noted_outlook

    reader = stack.enter_context(asked.reader_if_any(site))
    if reader is None:
        return None, "there is no store with readings yet"
    if not anew:
        span = reader.span()
        noted = None if span is None else noted_outlook(reader, span[1])
        return reader, noted or "the monitor made no outlook in the last hour; --outlook works one out"
    from monitor.outlook.document import document  # only here: the estimator is slow to load
    from monitor.outlook_report import outlook_at

    try:
        return reader, document(outlook_at(site, reader), site.site.zone)
    except StoreError as error:
        return reader, str(error)
