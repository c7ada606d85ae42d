"""`nightbank installed`: this installation's parts, their licences, and whether they are as installed."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click

from monitor.commands.parts import echo_json
from monitor.terminal import wrapped

if TYPE_CHECKING:
    from monitor.installed import Licence, Package

UNTOLD = "not told"

NOT_CHECKED = (
    "Not checked, since it takes a network: whether a weakness of one of these is known by now. Give what"
    " `nightbank installed --cyclonedx` prints to a scanner on a computer that has one."
)


@click.command()
@click.option("--cyclonedx", is_flag=True, help="A software bill of materials (CycloneDX 1.5, JSON).")
@click.option("--check", is_flag=True, help="Compare versions and files with what was installed.")
@click.option("--extra", "extras", multiple=True, help="Count an extra's packages, too (parquet, test).")
def installed(cyclonedx: bool, check: bool, extras: tuple[str, ...]) -> None:
    """Show what this installation is made of: packages, versions, licences.

    --check ends with 1 where a package is missing or of a version that does not fit, or a file is not as it
    was installed: a worn card and a stranger's hand both show there. Nothing is asked of a network.

    \b
    Examples:
      nightbank installed
      nightbank installed --check
      nightbank installed --cyclonedx > bill.json
    """
    if cyclonedx and check:
        raise click.UsageError("--cyclonedx and --check are two questions; ask one at a time")
    from monitor.bill import bill
    from monitor.installed import OWN, inside, of_the_system, own_extras, packages

    unknown = set(extras) - set(own_extras())
    if unknown:
        known = ", ".join(own_extras())
        raise click.BadParameter(f"'{min(unknown)}' is no extra; there are {known}", param_hint="--extra")
    found = packages(extras)
    if OWN not in [each.name for each in found]:
        raise click.ClickException(
            "Nightbank runs from its sources and is not installed; use tests/run or pip"
        )
    if cyclonedx:
        echo_json(bill(found, inside(), of_the_system(), datetime.now(UTC)))
    elif check:
        _check(found)
    else:
        _list(found)


def _list(found: list[Package]) -> None:
    from monitor.installed import inside, of_the_system

    rows = [(each.name, each.version, _said(each.licence)) for each in found]
    carried = [(each.name, each.version, f"{_said(each.licence)}, in {each.path}") for each in inside()]
    system = [(name, version, "the system's own") for name, version in of_the_system()]
    widths = [max(len(row[column]) for row in rows + carried + system) for column in (0, 1)]
    for title, part in (("Packages", rows), ("Carried in them", carried), ("From the system", system)):
        click.echo(f"{title}:")
        for name, version, licence in part:
            click.echo(f"  {name:{widths[0]}}  {version:{widths[1]}}  {licence}")


def _said(licence: Licence | None) -> str:
    return UNTOLD if licence is None else licence.text


def _check(found: list[Package]) -> None:
    from monitor.installed import files_of, inside, inside_wrong

    wrong = [f"{each.name} {text}" for each in found for text in each.wrong]
    count = 0
    for each in found:
        files = files_of(each.distribution)
        count += files.count
        wrong += [f"{each.name}: {text}" for text in files.wrong]
    wrong += [text for part in inside() if (text := inside_wrong(part)) is not None]
    for text in wrong:
        click.echo(text)
    click.echo(f"{len(found)} packages and {count} files compared: {len(wrong) or 'nothing'} wrong.")
    click.echo(wrapped(NOT_CHECKED))
    if wrong:
        click.echo(
            "Install anew what is wrong (sudo bash systemd/install), on a new card if it was worn.", err=True
        )
        sys.exit(1)
