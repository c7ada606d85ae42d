"""A request from the command line: left in the store for the daemon, with a moment's wait for its answer."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from monitor.records import Heartbeat, Request
    from monitor.site.model import Site
    from monitor.store.base import StoreReader

BY = "the command line"

WAIT_S = 5.0
"""How long the command waits for the daemon, which looks once a second (our choice)."""

LOOK_S = 0.1


@dataclass(frozen=True)
class Asked:
    """The site file that a group of commands is about."""

    path: Path

    def site(self) -> Site:
        from monitor.site.load import load_site, with_defaults

        return with_defaults(load_site(self.path))[0]

    @contextmanager
    def reader(self, site: Site) -> Iterator[StoreReader]:
        from monitor.stores import open_reader

        with closing(open_reader(site, self.path)) as reader:
            yield reader

    @contextmanager
    def reader_if_any(self, site: Site) -> Iterator[StoreReader | None]:
        """The store's reader, None where there is no store yet."""
        from monitor.store import store_path

        if site.store.server is None and not store_path(site, self.path).exists():
            yield None
            return
        with self.reader(site) as reader:
            yield reader


def ask_daemon(
    asked: Asked, kind: str, subject: str, details: Mapping[str, str | float | None], by: str = BY
) -> None:
    """Leave a request for the daemon and tell what becomes of it; exit status 1 where it is refused."""
    from monitor.clock import CLOCK_NOTE, clock_from_note
    from monitor.records import Request
    from monitor.store.heartbeat import read_heartbeat
    from monitor.stores import leave_request

    site = asked.site()
    with asked.reader(site) as reader:
        clock = clock_from_note(reader.note(CLOCK_NOTE))
        beat = read_heartbeat(reader)
    request = Request(clock.now_ms(), kind, subject, details, by)
    number = leave_request(site, asked.path, request)
    done = _wait_for(asked, site, number)
    if done is None:
        click.echo(_undone(beat))
    else:
        click.echo(done.outcome)
        if done.details.get("changed") == 0:
            click.get_current_context().exit(1)


def _wait_for(asked: Asked, site: Site, number: int) -> Request | None:
    """The request once it is done, None where that takes longer than WAIT_S."""
    until_s = time.monotonic() + WAIT_S
    with asked.reader(site) as reader:
        while time.monotonic() < until_s:
            found = reader.request(number)
            if found is not None and found.done_ms is not None:
                return found
            time.sleep(LOOK_S)
    return None


def _undone(beat: Heartbeat | None) -> str:
    if beat is None or beat.stopped_ms is not None:
        return "The monitor does not run now; it will be done as soon as the monitor starts."
    return f"The monitor has not answered within {WAIT_S:.0f} s; it will be done as soon as it does."
