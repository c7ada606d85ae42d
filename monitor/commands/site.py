"""`nightbank site new` and `nightbank site check`: describe a system, and hear what it amounts to."""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from monitor.commands.parts import FILE, JSON, Commands, say
from monitor.errors import Problem, SiteError
from monitor.terminal import filled, point

if TYPE_CHECKING:
    from monitor.site.amounts import Amounts
    from monitor.site.load import Assumption
    from monitor.site.model import Site
    from monitor.toml_lines import TomlLines

LABEL = 12

WIRED = {"bank", "array", "controller", "loads", "inverter", "metering"}
"""The tables whose problems send a person to the wiring."""

TELLS_TIME = "{} tells the time, too: where no network does, the monitor goes by it once its lines agree"
WEAKLY_GUARDED = (
    "the checksum xor of the lines of {} is weak: of those that are damaged twice one in a hundred passes; a"
    " largest_step in each field of the profile keeps what passes near the truth"
)


@click.group(cls=Commands)
def site() -> None:
    """Describe a system in a site file, and check what it amounts to.

    Example: nightbank site new hide.toml
    """


@site.command()
@click.argument("file", type=FILE)
@JSON
@click.pass_context
def check(ctx: click.Context, file: Path, as_json: bool) -> None:
    """Tell what the system in FILE amounts to and every problem, with key and line.

    Ends with 0 where nothing but notes is told, with 1 where a problem is.

    Example: nightbank site check hide.toml
    """
    from monitor.alarms.rules import alarm_findings
    from monitor.site.amounts import amounts
    from monitor.site.check import contradictions
    from monitor.site.load import read_site, with_defaults
    from monitor.site.service_check import service_problems

    try:
        described, lines = read_site(file)
    except SiteError as error:
        _tell(file, None, None, (), error.problems, as_json)
        ctx.exit(1)
    full, assumed = with_defaults(described)
    problems = (
        *contradictions(full, lines),
        *service_problems(full, file, lines),
        *_of_devices(full, file, lines),
        *alarm_findings(full, lines),
    )
    _tell(file, full, amounts(full), assumed, problems, as_json)
    ctx.exit(0 if _fine(problems) else 1)


@site.command()
@click.argument("file", type=FILE, default=Path("site.toml"))
@click.option("--force", is_flag=True, help="Replace FILE if it exists.")
@click.pass_context
def new(ctx: click.Context, file: Path, force: bool) -> None:
    """Ask a few questions and write a commented site file (FILE, default site.toml).

    An empty answer takes the default in brackets. Answers can be piped in, one a line; where they end early
    the defaults are taken.

    Example: nightbank site new hide.toml
    """
    from monitor.cautions import for_system
    from monitor.site.ask import render
    from monitor.whole_file import write_whole

    if file.exists() and not force:
        click.echo(f"{file} exists already; choose another name, or say --force to replace it", err=True)
        ctx.exit(1)
    if not os.access(file.absolute().parent, os.W_OK):  # told before two dozen answers are given
        click.echo(f"{file} cannot be written: look whether its folder is there, or use sudo", err=True)
        ctx.exit(1)
    answers, offered = _ask_all(ctx)
    try:
        write_whole(file, render(answers, _store_of(file)))
    except OSError as error:
        click.echo(f"{file} cannot be written ({error.strerror}); check the folder and its rights", err=True)
        ctx.exit(1)
    click.echo(f"\nWritten: {file}\n")
    if offered:
        say(f"Taken as offered, so look whether they are yours: {', '.join(offered)}.\n")
    click.echo("Before you touch anything:")
    _bullets(for_system(str(answers["bank.chemistry"]), int(answers["array.strings_in_parallel"])))
    click.echo("")
    ctx.invoke(check, file=file)


def _store_of(file: Path) -> str:
    """Where the store goes: beside the site file, but for a service's site into the service's own folder."""
    from monitor.site.service_check import is_of_a_service, store_of_a_service

    return str(store_of_a_service(file)) if is_of_a_service(file) else "nightbank.db"


def _ask_all(ctx: click.Context) -> tuple[dict[str, Any], list[str]]:
    """Every question's answer, and the keys of those that were left as offered. At a terminal a wrong one is
    asked again; a piped one ends with status 1."""
    from monitor.site.ask import QUESTIONS, Question, answer, choices

    def prompt(question: Question) -> str:
        words = choices(question)
        offered = f" ({', '.join(words)})" if words else ""
        click.echo(f"{question.words}{offered} [{question.default(answers)}] ", nl=False, err=True)
        line = sys.stdin.readline()
        if not sys.stdin.isatty():
            click.echo(line.strip(), err=True)
        return line

    answers: dict[str, Any] = {}
    offered: list[str] = []
    for number, question in enumerate(QUESTIONS, start=1):
        while question.key not in answers:
            line = prompt(question)
            try:
                answers[question.key] = answer(question, line, answers)
                offered += [] if line.strip() else [question.key]
            except ValueError as error:
                click.echo(f"answer {number} ({question.key}): {error}", err=True)
                if not sys.stdin.isatty():
                    ctx.exit(1)
    return answers, offered


def _of_devices(full: Site, file: Path, lines: TomlLines) -> Sequence[Problem]:
    """What keeps the devices' profiles and lines from being used, or else notes on those that tell the time,
    are weakly guarded or do not go with the metering level; nothing is opened."""
    from monitor.clock import SystemClock
    from monitor.devices.device import build_lines, level_doubts, time_tellers, weakly_guarded
    from monitor.site.load import placed

    try:
        build_lines(full, file.parent, SystemClock())
    except SiteError as error:
        return placed(error, file, lines).problems
    notes = [
        Problem(f"devices[{index}].profile", None, text.format(entry.name), "note")
        for text, found in ((TELLS_TIME, time_tellers), (WEAKLY_GUARDED, weakly_guarded))
        for index, entry in found(full, file.parent)
    ]
    notes += [Problem("metering.level", None, text, "note") for text in level_doubts(full, file.parent)]
    return placed(SiteError(str(file), tuple(notes)), file, lines).problems


def _fine(problems: Sequence[Problem]) -> bool:
    return all(problem.severity == "note" for problem in problems)


def _tell(
    file: Path,
    described: Site | None,
    figures: Amounts | None,
    assumed: Sequence[Assumption],
    problems: Sequence[Problem],
    as_json: bool,
) -> None:
    cautions = _cautions(described, problems)
    if as_json:
        document = {
            "file": str(file),
            "fine": _fine(problems),
            "site": described.site.name if described else None,
            "amounts": asdict(figures) if figures else None,
            "assumed": [asdict(assumption) for assumption in assumed],
            "problems": [asdict(problem) for problem in problems],
            "cautions": cautions,
        }
        click.echo(json.dumps(document, ensure_ascii=False, indent=2))
        return
    if described is not None and figures is not None:
        click.echo(f"{described.site.name} ({file})\n")
        _show_amounts(described, figures)
        _show_assumed(assumed)
    _show_problems(file, problems, cautions)


def _cautions(described: Site | None, problems: Sequence[Problem]) -> Sequence[str]:
    """Shown where a problem sends the person to the wiring."""
    from monitor.cautions import for_system

    wrong = {re.split(r"[.\[]", problem.key)[0] for problem in problems if problem.severity != "note"}
    if described is None or not wrong & WIRED:
        return ()
    strings = described.array.strings_in_parallel if described.array else 1
    return for_system(described.bank.chemistry, strings, described.works_at_V)


def _show_amounts(described: Site, figures: Amounts) -> None:
    from monitor.site.chemistry import USUAL

    bank, sizes = described.bank, figures.bank
    rows = [
        f"{sizes.voltage_V:g} V, {sizes.capacity_Ah:g} Ah at the {sizes.capacity_rate_h:g} h rate, "
        f"{sizes.energy_kWh:.3g} kWh",
        f"{USUAL[bank.chemistry].words}, {bank.units_in_series} in series x {bank.strings_in_parallel} "
        f"in parallel of {bank.unit_voltage_V:g} V {bank.unit_capacity_Ah:g} Ah, {sizes.cells_in_series} "
        "cells",
        f"{sizes.usable_Ah:g} Ah above the reserve of {100 * bank.reserve_soc:.0f} %",
    ]
    if sizes.capacity_20h_Ah is None:
        rows.append("no published conversion to the 20 h rate; give the capacity at 5 to 100 h")
    elif sizes.capacity_rate_h != 20:
        rows.append(f"about {sizes.capacity_20h_Ah:.0f} Ah at the 20 h rate (Peukert)")
    _block("Bank", rows)
    if described.array is not None and figures.array is not None:
        array, panels = figures.array, described.array
        how = "assumed from the latitude" if array.coldest_assumed else "as given"
        _block(
            "Array",
            [
                f"{array.power_W:g} W, {panels.panels_in_series} in series x {panels.strings_in_parallel} in "
                "parallel",
                f"Voc {array.voc_V:.1f} V; in the coldest morning ({array.coldest_C:z.0f} °C, {how}) "
                f"{array.voc_cold_V:.1f} V, by the electrical code's table {array.voc_cold_table_V:.1f} V",
                f"Vmp {array.vmp_V:.1f} V, hot {array.vmp_hot_V:.1f} V",
                f"Isc {array.isc_A:.1f} A, x 1.25 = {array.isc_design_A:.1f} A",
            ],
        )
    if described.controller is not None and figures.controller is not None:
        controller, margins = described.controller, figures.controller
        what = "Isc x 1.25" if controller.kind == "pwm" else "array watts over bank volts"
        _block(
            "Controller",
            [
                f"{controller.kind}, {controller.rating_A:g} A; {what} {margins.design_current_A:.1f} A, "
                f"margin {margins.current_margin_A:.1f} A",
                f"array limit {controller.array_voltage_limit_V:g} V, margin in the cold "
                f"{margins.voltage_margin_V:.1f} V",
                f"charges with {margins.charge_current_A:.1f} A at most, "
                f"{100 * margins.charge_rate:.1f} % of the 20-hour capacity",
            ],
        )


def _block(label: str, rows: Sequence[str]) -> None:
    for index, row in enumerate(rows):
        first = label.ljust(LABEL) if index == 0 else " " * LABEL
        click.echo(filled(row, " " * (LABEL + 2), first))


def _show_assumed(assumed: Sequence[Assumption]) -> None:
    if not assumed:
        return
    click.echo("\nAssumed, because the file does not say:")
    lines = [f"{each.key} = {_as_in_the_file(each.value)}" for each in assumed]
    width = max(map(len, lines))
    for line, assumption in zip(lines, assumed, strict=True):
        first = f"  {line.ljust(width)}  "
        click.echo(filled(assumption.why, " " * len(first), first))


def _as_in_the_file(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _show_problems(file: Path, problems: Sequence[Problem], cautions: Sequence[str]) -> None:
    notes = [str(problem) for problem in problems if problem.severity == "note"]
    if notes:
        click.echo("\nBear in mind:")
        _bullets(notes)
    if _fine(problems):
        click.echo("\nNo problem found.")
        return
    for problem in problems:
        if problem.severity != "note":
            click.echo(f"{problem.severity}: {file}: {problem}", err=True)
    if cautions:
        click.echo("\nBefore you change the wiring:", err=True)
        _bullets(cautions, err=True)


def _bullets(texts: Sequence[str], err: bool = False) -> None:
    for text in texts:
        click.echo(point(text), err=err)
