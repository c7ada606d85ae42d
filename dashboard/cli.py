"""The command `nightbank page`; the command line of `monitor` finds it by its entry point."""

from __future__ import annotations

import logging
import sys
from pathlib import Path

import click

from monitor.log_lines import log_to_stderr


@click.command()
@click.argument("site", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--port", type=click.IntRange(1024, 65535), help="Port; the site file's [page] port otherwise.")
@click.option("--host", help="Address to listen on; the site file's [page] host otherwise.")
@click.option("--print-url", is_flag=True, help="Print the page's address, also as a QR code, and end.")
@click.option("--with-input", is_flag=True, hidden=True)  # the demo's: its page ends with it, however it ends
def page(site: Path, port: int | None, host: str | None, print_url: bool, with_input: bool) -> None:
    """Serve the page of SITE (a site file) to phones in the local network until stopped.

    Example: nightbank page hide.toml --port 8480
    """
    if print_url:
        from dashboard.address import address_of, qr_text
        from monitor.site.load import load_site

        given = load_site(site).page
        where = address_of(host or given.host, port or given.port)
        click.echo("\n".join(url for url in (where.url, where.by_name) if url))
        if sys.stderr.isatty() and not where.alone:
            click.echo(qr_text(where.url), err=True)
        return
    from dashboard.light import plain_figures_only
    from monitor.memory import openssl_left_out

    with openssl_left_out(), plain_figures_only():
        from dashboard.server import serve

    log_to_stderr()
    if with_input:
        from monitor.stopping import stop_with_input

        stop_with_input()
    # A phone opens six connections at once, so that a short queue is the rule and no news.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    serve(site, host, port)
