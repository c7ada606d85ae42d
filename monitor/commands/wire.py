"""`nightbank wire`: voltage drop, smallest conductor and fuse of a run of copper, from published tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.commands.parts import FILE, JSON, amount, echo_json
from monitor.terminal import filled, point

if TYPE_CHECKING:
    from monitor.wire.copper import Conductor
    from monitor.wire.run import Run
    from monitor.wire.told import Result

ALLOWED = {
    "load": (0.03, "3 % for feeders and loads that matter: ABYC E-11, secondary source"),
    "minor": (0.10, "10 % for what may dim: ABYC E-11, secondary source"),
    "charging": (
        0.01,
        "1 % between controller and bank, since the drop deceives the controller: practice, from memory",
    ),
    "array": (0.02, "2 % between array and controller: practice, from memory"),
}
"""How much of the voltage a run may lose by what it is for."""

WARM_C = 75.0
"""Temperature of the copper where none is given: that of the American tables, a wire at work in a warm place.
A cooler one loses less."""


@click.command()
@amount("--current", "A", 0.05, 1000, "What the run carries, for hours.")
@amount("--power", "W", 0.5, 50_000, "Or: what the load takes in watts.")
@amount("--length", "m", 0.05, 1000, "Length one way in metres.", required=True)
@amount("--voltage", "V", 1, 1000, "Voltage at the near end.")
@click.option(
    "--for",
    "purpose",
    type=click.Choice(["load", "minor", "charging"]),
    help="What it feeds: a load (without this), one that may dim, or the bank from its controller.",
)
@click.option("--array", type=FILE, metavar="SITE", help="Or: the run from the array of a site file.")
@amount("--isc", "A", 0.05, 100, "Or: a panel's short-circuit current, with --strings.")
@click.option("--strings", type=click.IntRange(1, 40), help="Strings in parallel.")
@amount("--plate-fuse", "A", 1, 100, "The largest fuse by the panel's plate.")
@amount("--drop", "%", 0.1, 30, "What it may lose, instead of the usual.")
@amount("--temperature", "°C", -40, 105, "Of the copper.", default=WARM_C, show_default=True)
@click.option("--hot-place", is_flag=True, help="It lies where it is as hot as in an engine's room.")
@click.option("--laid", metavar="SIZE", help="Judge the wire that is there, like '6 mm2' or 'AWG 10'.")
@JSON
def wire(
    current: float | None,
    power: float | None,
    length: float,
    voltage: float | None,
    purpose: str | None,
    array: Path | None,
    isc: float | None,
    strings: int | None,
    plate_fuse: float | None,
    drop: float | None,
    temperature: float,
    hot_place: bool,
    laid: str | None,
    as_json: bool,
) -> None:
    """Tell what a run of copper loses, the smallest wire and the fuse for it, each with its source.

    For a load give --voltage and --power or --current, for a charge controller --current, for an array
    --array SITE or --isc, --strings and --voltage. Direct current and copper only. Local codes and a licensed
    person decide. The exit status is 1 where no size will do or the wire that is there is not enough.

    \b
    Examples:
      nightbank wire --power 160 --length 6 --voltage 12
      nightbank wire --array hide.toml --length 8 --laid "16 mm2"
      nightbank wire --for charging --current 30 --length 1.5 --voltage 12
    """
    from monitor.wire.run import Run
    from monitor.wire.told import Strings, array_results, current_of, drawn, load_results

    isc, strings, voltage = _array_of(array, isc, strings, voltage)
    if sum(given is not None for given in (current, power, isc)) != 1:
        raise click.UsageError("give one of --current, --power, --array SITE, or --isc with --strings")
    if voltage is None:
        raise click.UsageError("--voltage is missing: that of the bank, or of the array at work")
    if isc is None and (strings is not None or plate_fuse is not None):
        raise click.UsageError("--strings and --plate-fuse belong to --isc or --array, not to a load")
    if isc is not None and purpose is not None:
        raise click.UsageError("--for belongs to --current or --power; an array's run feeds the controller")
    if power is not None and purpose == "charging":
        raise click.UsageError("a controller's run is chosen by its current: give --current")
    allowed, why = ALLOWED["array" if isc is not None else purpose or "load"]
    if drop is not None:
        allowed, why = drop / 100, "as asked for"
    there = None if laid is None else _size(laid)
    if power is not None:
        current = current_of(power, voltage)
    carried_A = current if isc is None else isc * (strings or 1)
    assert carried_A is not None
    run = Run(carried_A, length, voltage, allowed, temperature, hot_place)
    if isc is None:
        results = load_results(run, why, there)
        if power is not None:
            results.insert(0, drawn(power, voltage))
    else:
        results = array_results(run, Strings(isc, strings or 1, plate_fuse), why, there)
    cautions = _cautions(None if isc is None else strings or 1, voltage)
    if as_json:
        told = {"run": asdict(run), "results": [asdict(result) for result in results], "cautions": cautions}
        echo_json(told)
    else:
        click.echo(in_words(run, results, cautions))
    if any(result.wrong for result in results):
        click.get_current_context().exit(1)


def in_words(run: Run, results: Sequence[Result], cautions: Sequence[str]) -> str:
    """The answer: the run, each result with the numbers of its sources, the sources, the cautions."""
    from monitor.wire.told import in_short

    place = ", in a hot place" if run.hot_place else ""
    lines = [
        f"{run.current_A:.4g} A at {run.voltage_V:g} V over {run.length_m:g} m one way, copper at "
        f"{run.conductor_C:g} °C{place}.",
        f"In short: {in_short(results)}",
        "",
    ]
    sources = list(dict.fromkeys(source for result in results for source in result.sources))
    for result in results:
        mark = "!" if result.wrong else " "
        numbers = "".join(f" [{sources.index(source) + 1}]" for source in result.sources)
        lines.append(filled(f"{mark} {result.title}: {result.words}.{numbers}", "    "))
    lines += ["", "Where this is from:"]
    lines += [filled(f"  [{number}] {source}", "      ") for number, source in enumerate(sources, 1)]
    lines += ["", "Before you touch anything:"]
    lines += map(point, cautions)
    return "\n".join(lines)


def _array_of(
    file: Path | None, isc: float | None, strings: int | None, voltage: float | None
) -> tuple[float | None, int | None, float | None]:
    """The array's figures from a site file, where one is named. Raises click.UsageError where it has none."""
    if file is None:
        return isc, strings, voltage
    from monitor.site.load import load_site

    described = load_site(file).array
    if described is None:
        raise click.UsageError(f"{file} describes no array; give --isc, --strings and --voltage")
    if isc is not None or strings is not None:
        raise click.UsageError("--array takes --isc and --strings from the site file: leave them out")
    at_work_V = described.panel_vmp_V * described.panels_in_series
    return described.panel_isc_A, described.strings_in_parallel, voltage or at_work_V


def _size(text: str) -> Conductor:
    """The conductor that a person names: '6 mm2', '6', 'AWG 10', '2/0'. Raises click.BadParameter."""
    from monitor.wire.copper import GAUGES, METRIC

    typed = text.lower().replace("²", "2").replace(" ", "").replace("mm2", "").replace("awg", "awg ")
    for size in (*METRIC, *GAUGES):
        plain = size.name.lower().replace(" mm²", "")
        if typed == plain or ("/" in typed and f"awg {typed}" == plain):
            return size
    known = ", ".join(size.name for size in (*METRIC, *GAUGES))
    raise click.BadParameter(f"'{text}' is none of the sizes known here: {known}", param_hint="--laid")


def _cautions(strings: int | None, voltage_V: float) -> list[str]:
    """What belongs to a run from the bank (None) or from so many strings of an array; voltage_V at work."""
    from monitor import cautions

    high = cautions.for_voltage(voltage_V)
    if strings is None:
        return [cautions.CODES, *high, cautions.FUSE, cautions.SHORT_CIRCUIT]
    more = [cautions.STRING_FUSES] if strings > 2 else []
    return [cautions.CODES, *high, cautions.ARRAY_LIVE, cautions.ORDER, *more]
