"""`nightbank export` and `nightbank import`: readings out to a CSV or Parquet table, and back in."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from itertools import chain, islice
from pathlib import Path
from typing import TYPE_CHECKING, TextIO
from zoneinfo import ZoneInfo

import click

from monitor.commands.parts import FILE, SITE, Decimal, bar_on_stderr, moment_ms
from monitor.quantities import QUANTITIES, unit_of
from monitor.records import Quality, Reading, iso_utc, to_datetime

if TYPE_CHECKING:
    from monitor.store.base import StoreReader
    from monitor.store.table_in import Imported, Tell
    from monitor.store.table_map import TableMap
    from monitor.store.table_rows import Row

MOST_TOLD = 100
"""Refused rows that are told one by one; the rest is counted (our choice)."""


PARQUET_MARK = b"PAR1"
"""What a Parquet file begins with (Apache Parquet's format documentation, "File Format")."""

SHOWN = 5
"""Rows that a dry run shows as understood (our choice)."""


@click.command("export")
@SITE
@click.option("--from", "start", required=True, metavar="T", help="First moment.")
@click.option("--to", "end", required=True, metavar="T", help="End; readings at T itself are left out.")
@click.option(
    "--format",
    "form",
    type=click.Choice(["csv", "parquet"]),
    default="csv",
    show_default=True,
    help="CSV for a spreadsheet; Parquet with the extra of that name.",
)
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
    type=Decimal(0.001),
    metavar="SECONDS",
    help="Average into steps of this length from --from on; of codes the highest in a step.",
)
@click.option(
    "--with-quality",
    is_flag=True,
    help="Every reading in a row of its own, suspect and missing ones with the reason, of every device.",
)
@click.option("--out", type=FILE, metavar="FILE", help="Into a file.")
def export_table(
    site: Path,
    start: str,
    end: str,
    form: str,
    quantities: tuple[str, ...],
    every_s: float | None,
    with_quality: bool,
    out: Path | None,
) -> None:
    """Write the good readings of SITE as a table, to standard output or a file.

    The columns' names carry the units. --with-quality leaves nothing out: a row is then a reading with its
    device, its quality and the reason where it is not good. Either table comes back with nightbank import.

    T is a time like 2026-11-25T10:30:00Z; without a zone it is local time at the site, and a date alone is
    the midnight with which that day begins.

    Example: nightbank export hide.toml --from 2026-11-24 --to 2026-11-25 --every 60 --out day.csv
    """
    from monitor.site.load import load_site
    from monitor.store.table_out import kept_quantities
    from monitor.stores import open_reader

    if with_quality and every_s is not None:
        raise click.UsageError("--with-quality gives every reading as it stands: leave --every out")
    if form == "parquet" and out is None:
        raise click.UsageError("--format parquet needs --out FILE: it is no text for a terminal or a pipe")
    described = load_site(site)
    zone = described.site.zone
    start_ms, end_ms = moment_ms(start, zone, "--from"), moment_ms(end, zone, "--to")
    if end_ms <= start_ms:
        raise click.UsageError(f"--to ({iso_utc(end_ms)}) must come after --from ({iso_utc(start_ms)})")
    with closing(open_reader(described, site)) as reader:
        asked = list(dict.fromkeys(quantities)) or kept_quantities(reader)
        span = reader.span() or (start_ms, start_ms)
        first_ms, last_ms = max(start_ms, span[0]), min(end_ms, span[1])
        quiet = out is None and sys.stdout.isatty()
        with bar_on_stderr(max(0, last_ms - first_ms), "ms", "export", quiet) as bar:
            count = _write(
                reader,
                (form, with_quality, out),
                asked,
                (start_ms, end_ms),
                every_s,
                lambda at_ms: bar.move_to(at_ms - first_ms),
            )
    rows = "1 row" if count == 1 else f"{count} rows"
    click.echo(f"{rows} of {len(asked)} quantities, {iso_utc(start_ms)} to {iso_utc(end_ms)}", err=True)


def _write(
    reader: StoreReader,
    what: tuple[str, bool, Path | None],
    asked: list[str],
    span: tuple[int, int],
    every_s: float | None,
    tell: Callable[[int], None],
) -> int:
    """Write the table that is asked for; how many rows it has."""
    form, with_quality, out = what
    if form == "parquet" and out is not None:
        from monitor.store import table_parquet as parquet

        with _new_file(out) as part:
            if with_quality:
                return parquet.write_readings(reader, part, asked, *span, tell)
            return parquet.write_table(reader, part, asked, *span, every_s, tell)
    from monitor.store.table_out import write_readings, write_table

    with _text_file(out) as table:
        if with_quality:
            return write_readings(reader, table, asked, *span, tell)
        return write_table(reader, table, asked, *span, every_s, tell)


@click.command("import")
@SITE
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--map",
    "map_file",
    type=FILE,
    metavar="MAP",
    help="A TOML file that describes the columns of another program's CSV table.",
)
@click.option("--dry-run", is_flag=True, help="Read all, show the first rows as understood, change nothing.")
@click.pass_context
def import_table(ctx: click.Context, site: Path, file: Path, map_file: Path | None, dry_run: bool) -> None:
    """Take a table of readings into the store of SITE, while the daemon runs or not.

    FILE is an export of either form, CSV or Parquet, or a CSV table like it: `time` (ISO 8601 with zone),
    then canonical quantities. Good rows land under the device name 'import' (those of an export with quality
    under the name that they carry); each row that cannot land is told with line and reason, and the
    command then ends with 1. Importing the same file again changes nothing.

    Any other CSV table, a hand log or another logger's, comes in with a MAP of its columns:

    \b
        [table]
        separator = ";"       # "," unless said
        decimal = ","         # "." unless said
        encoding = "cp1252"   # "utf-8" unless said
        lines_before = 2      # lines before the one that names the columns
        empty = ["---"]       # what stands for a missing value
    \b
        [time]
        column = ["Date", "Clock"]
        format = "%d.%m.%Y %H:%M"  # or "iso" (usual), "unix_s", "unix_ms"
        zone = "Europe/London"      # the site's unless said
    \b
        [quantities.battery_voltage_V]
        column = "Bank mV"
        factor = 0.001        # value = number * factor + offset
    \b
        [quantities.charge_stage]
        column = "Mode"
        words = { "Bulk" = 1, "Float" = 3 }

    \b
    Examples:
      nightbank import hide.toml handlog.csv
      nightbank import hide.toml logger.csv --map logger.toml --dry-run
    """
    from monitor.site.load import load_site
    from monitor.store.table_in import Imported, land
    from monitor.stores import open_importer

    described = load_site(site)
    zone = described.site.zone
    told = 0

    def tell(line: int, reason: str) -> None:
        nonlocal told
        told += 1
        if told <= MOST_TOLD:
            click.echo(f"{file}: line {line}: {reason}", err=True)

    done = Imported()
    with (
        _rows_of(file, _map_of(map_file, zone), tell, done) as (rows, size, where),
        bar_on_stderr(size, "B", "import", quiet=dry_run) as bar,
    ):
        if dry_run:
            words = _looked_at(rows, zone)
        else:
            first = list(islice(rows, 1))  # a table of another kind makes no store
            with closing(open_importer(described, site)) as writer:
                land(writer, chain(first, rows), tell, done, lambda line: bar.move_to(where(line)))
            words = _in_words(done)
    if told > MOST_TOLD:
        click.echo(f"{file}: and {told - MOST_TOLD} more like these", err=True)
    if dry_run:
        words = f"{done.rows} rows, {done.refused_rows} refused: {words}; nothing was changed"
    click.echo(words, err=True)
    if done.new:
        click.echo(f"`nightbank rebuild {site} --from T` makes estimates for imported rows", err=True)
    ctx.exit(1 if told else 0)


def _map_of(map_file: Path | None, zone: ZoneInfo) -> TableMap | None:
    from monitor.store.table_map import load_map

    return None if map_file is None else load_map(map_file, zone.key)


@contextmanager
def _rows_of(
    file: Path, described: TableMap | None, tell: Tell, done: Imported
) -> Iterator[tuple[Iterator[Row], int, Callable[[int], int]]]:
    """A table's good rows, its size, and how much of that lies behind when a line is reached."""
    from monitor.store.table_in import csv_rows

    with file.open("rb") as table:
        if table.peek(4)[:4] == PARQUET_MARK:
            if described is not None:
                raise click.UsageError(f"{file} is a Parquet file; --map describes a CSV table")
            from monitor.store.table_parquet import parquet_rows, rows_of

            yield parquet_rows(file, tell, done), rows_of(file), lambda number: number
            return
        # Bytes of another encoding become signs that no number and no time contains.
        encoding = "utf-8" if described is None else described.encoding
        lines = io.TextIOWrapper(table, encoding=encoding, errors="replace", newline="\n")
        size = file.stat().st_size
        yield csv_rows(lines, str(file), tell, done, described), size, lambda line: table.tell()


def _looked_at(rows: Iterable[Row], zone: ZoneInfo) -> str:
    """Show the first rows as understood, look at all; what there is, in words."""
    count = suspect = 0
    first_ms = last_ms = None
    for place, (line, readings) in enumerate(rows):
        if place < SHOWN:
            click.echo(f"line {line}: {'; '.join(_shown(each, zone) for each in readings) or 'no value'}")
        count += len(readings)
        suspect += sum(each.quality is Quality.SUSPECT for each in readings)
        times = [each.time_ms for each in readings]
        first_ms = min(times, default=first_ms) if first_ms is None else min([first_ms, *times])
        last_ms = max(times, default=last_ms) if last_ms is None else max([last_ms, *times])
    words = f"{count} readings, {suspect} of them suspect"
    return (
        words
        if first_ms is None or last_ms is None
        else f"{words}, {iso_utc(first_ms)} to {iso_utc(last_ms)}"
    )


def _shown(reading: Reading, zone: ZoneInfo) -> str:
    """A reading with its local time, so that a wrong zone meets the eye."""
    at = to_datetime(reading.time_ms).astimezone(zone).isoformat(" ", "milliseconds").replace(".000", "")
    value = "no value" if reading.value is None else f"{reading.value:g} {unit_of(reading.quantity)}".strip()
    why = f" ({reading.quality.name.lower()}: {reading.reason})" if reading.reason else ""
    return f"{at} {reading.device} {reading.quantity} {value}{why}"


@contextmanager
def _text_file(out: Path | None) -> Iterator[TextIO]:
    """Standard output, or a file that takes its name only when it is complete."""
    if out is None:
        yield sys.stdout
        sys.stdout.flush()  # so that a full disk is told here
        return
    with _new_file(out) as part, part.open("w", encoding="utf-8", newline="") as table:
        yield table


@contextmanager
def _new_file(out: Path) -> Iterator[Path]:
    """A path beside `out` to write to; it takes the name only when all is written."""
    part = out.with_name(out.name + ".part")
    try:
        yield part
        os.replace(part, out)
    except OSError as error:
        raise click.ClickException(f"{out}: cannot be written ({error.strerror or error})") from error
    finally:
        part.unlink(missing_ok=True)


def _in_words(done: Imported) -> str:
    words = f"{done.rows} rows: {done.new} readings new, {done.known} already there"
    if done.suspect:
        words += f", {done.suspect} of the new ones suspect (outside the plausible range)"
    if done.left_out:
        words += f", {done.left_out} left out"
    if done.refused_rows:
        words += f"; {done.refused_rows} rows refused"
    return words
