"""`nightbank rebuild`: the stored history estimated anew."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import click

from monitor.commands.parts import SITE, bar_on_stderr, moment_ms
from monitor.records import iso_utc


@click.command()
@SITE
@click.option(
    "--from", "start", required=True, metavar="T", help="Where to begin; all from there is estimated."
)
@click.pass_context
def rebuild(ctx: click.Context, site: Path, start: str) -> None:
    """Estimate the stored history of SITE anew, after its description changed or rows were imported.

    At T the bank's charge is unknown again, so begin some weeks before what you want to see. From there to
    the newest reading the estimates are replaced, all at once at the end: a rebuild that is stopped has
    changed nothing and can be run again. What the devices gave stays as it is. The daemon must be stopped
    meanwhile; it goes on from the new estimate.

    T is a time like 2026-11-25T10:30:00Z; without a zone it is local time at the site, and a date alone is
    the midnight with which that day begins.

    Example: nightbank rebuild hide.toml --from 2026-10-01
    """
    from monitor import rebuild as again
    from monitor.clock import CLOCK_NOTE, clock_from_note
    from monitor.site.load import load_site, with_defaults
    from monitor.stores import open_reader, open_writer

    described, _ = with_defaults(load_site(site))
    from_ms = moment_ms(start, described.site.zone, "--from")
    with closing(open_reader(described, site)) as reader:  # a rebuild makes no store
        first_ms, last_ms = reader.span() or (from_ms, from_ms)
    first_ms = max(from_ms, first_ms)
    try:
        with (
            closing(open_writer(described, site)) as store,
            bar_on_stderr(max(0, last_ms - first_ms), "ms", "rebuild", quiet=False) as bar,
        ):
            clock = clock_from_note(store.note(CLOCK_NOTE))
            done = again.rebuild(described, store, from_ms, clock, lambda ms: bar.move_to(ms - first_ms))
    except KeyboardInterrupt:
        click.echo("stopped; the estimates are as they were, run it again for new ones", err=True)
        ctx.exit(1)
    if done.first_ms is None or done.last_ms is None:
        click.echo("no good voltage in that span: it has no estimates now", err=True)
        ctx.exit(1)
    span = f"{iso_utc(done.first_ms)} to {iso_utc(done.last_ms)}"
    click.echo(f"{done.estimates} estimates made anew, {span}", err=True)
