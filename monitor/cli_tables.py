"""`nightbank export` and `nightbank import`: the store's readings out to a CSV table, and back in.

The rooms are imported when a command runs, so that the command line stays light.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, TextIO

import click

from monitor.cli_parts import SITE_FILE, bar_on_stderr, moment_ms
from monitor.quantities import QUANTITIES
from monitor.records import iso_utc

if TYPE_CHECKING:
    from monitor.store.table_in import Imported

MOST_TOLD = 100
"""Refused rows that are told one by one; the rest is counted (our choice)."""


@click.command("export")
@click.argument("site", type=SITE_FILE)
@click.option("--from", "start", required=True, metavar="T", help="First moment.")
@click.option("--to", "end", required=True, metavar="T", help="End; readings at T itself are left out.")
@click.option("--format", "form", type=click.Choice(["csv"]), default="csv", show_default=True)
@click.option(
    "--quantity",
    "quantities",
    type=click.Choice(list(QUANTITIES)),
    metavar="Q",
    multiple=True,
    help="A canonical quantity; may be given several times. Without it all that the store has.",
)
@click.option(
    "--every",
    "every_s",
    type=click.FloatRange(min=0.001),
    metavar="SECONDS",
    help="Average into steps of this length from --from on; of codes the highest in a step.",
)
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE", help="Into a file.")
def export_table(
    site: Path,
    start: str,
    end: str,
    form: str,
    quantities: tuple[str, ...],
    every_s: float | None,
    out: Path | None,
) -> None:
    """Write the good readings of SITE as a table, to standard output or a file.

    T is a time like 2026-11-25T10:30:00Z; without a zone it is local time at the site, and a date alone is
    the midnight with which that day begins.

    Example: nightbank export hide.toml --from 2026-11-24 --to 2026-11-25 --every 60 --out day.csv
    """
    from monitor.site.load import load_site
    from monitor.store import store_path
    from monitor.store.days import zone_of
    from monitor.store.embedded import open_reader
    from monitor.store.table_out import kept_quantities, write_table

    described = load_site(site)
    zone = zone_of(described.site.time_zone)
    start_ms, end_ms = moment_ms(start, zone, "--from"), moment_ms(end, zone, "--to")
    if end_ms <= start_ms:
        raise click.UsageError(f"--to ({iso_utc(end_ms)}) must come after --from ({iso_utc(start_ms)})")
    with open_reader(store_path(described, site)) as reader:
        asked = list(dict.fromkeys(quantities)) or kept_quantities(reader)
        span = reader.span() or (start_ms, start_ms)
        first_ms, last_ms = max(start_ms, span[0]), min(end_ms, span[1])
        quiet = out is None and sys.stdout.isatty()
        with (
            _table_file(out) as table,
            bar_on_stderr(max(0, last_ms - first_ms), "ms", "export", quiet) as bar,
        ):
            count = write_table(
                reader, table, asked, start_ms, end_ms, every_s, lambda at_ms: bar.move_to(at_ms - first_ms)
            )
    rows = "1 row" if count == 1 else f"{count} rows"
    click.echo(f"{rows} of {len(asked)} quantities, {iso_utc(start_ms)} to {iso_utc(end_ms)}", err=True)


@click.command("import")
@click.argument("site", type=SITE_FILE)
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.pass_context
def import_table(ctx: click.Context, site: Path, file: Path) -> None:
    """Take a CSV table of readings into the store of SITE, while the daemon runs or not.

    FILE has the columns of an export: `time` (ISO 8601 with zone), then canonical quantities. Good rows
    land under the device name 'import'; each row that cannot land is told with line and reason, and the
    command then ends with 1. Importing the same file again changes nothing.

    Example: nightbank import hide.toml handlog.csv
    """
    from monitor.site.load import load_site
    from monitor.store import store_path
    from monitor.store.embedded import open_importer
    from monitor.store.table_in import read_table

    described = load_site(site)
    told = 0

    def tell(line: int, reason: str) -> None:
        nonlocal told
        told += 1
        if told <= MOST_TOLD:
            click.echo(f"{file}: line {line}: {reason}", err=True)

    with (
        open_importer(store_path(described, site), described.site.time_zone) as writer,
        file.open("rb") as table,
        bar_on_stderr(file.stat().st_size, "B", "import", quiet=False) as bar,
    ):
        done = read_table(writer, _lines(table), str(file), tell, lambda line: bar.move_to(table.tell()))
    if told > MOST_TOLD:
        click.echo(f"{file}: and {told - MOST_TOLD} more like these", err=True)
    click.echo(_in_words(done), err=True)
    if done.new:
        click.echo(f"`nightbank rebuild {site} --from T` makes estimates for imported rows", err=True)
    ctx.exit(1 if told else 0)


@contextmanager
def _table_file(out: Path | None) -> Iterator[TextIO]:
    """Standard output, or a file that takes its name only when it is complete."""
    if out is None:
        yield sys.stdout
        return
    part = out.with_name(out.name + ".part")
    try:
        with part.open("w", encoding="utf-8", newline="") as table:
            yield table
        os.replace(part, out)
    except OSError as error:
        raise click.ClickException(f"{out}: cannot be written ({error.strerror})") from error
    finally:
        part.unlink(missing_ok=True)


def _lines(table: IO[bytes]) -> Iterator[str]:
    """Lines as text; bytes that are no UTF-8 become signs that no number and no time contains."""
    for line in iter(table.readline, b""):
        yield line.decode("utf-8", "replace")


def _in_words(done: Imported) -> str:
    words = f"{done.rows} rows: {done.new} readings new, {done.known} already there"
    if done.suspect:
        words += f", {done.suspect} of the new ones suspect (outside the plausible range)"
    if done.left_out:
        words += f", {done.left_out} left out"
    if done.refused_rows:
        words += f"; {done.refused_rows} rows refused"
    return words
