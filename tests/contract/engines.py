"""The engines that the contract is held against, and how the tests reach each.

The server is Debian's influxdb 1.6.7 behind the nginx that gives it the newer paths: one for all tests of a
process, with a site of its own for each store.
"""

from __future__ import annotations

import atexit
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from monitor.notices.secrets import Secrets
from monitor.records import Reading, Request
from monitor.served.reader import open_served_reader
from monitor.served.writer import leave_served_request, open_served_writer
from monitor.site.load import load_site
from monitor.site.model import Site
from monitor.store.embedded import leave_request, open_reader, open_writer
from tests.interop.series_servers import Gate, Influx
from tests.unit.site_files import MARSH_HIDE

BUCKET = "contract"


@dataclass(frozen=True)
class Engine:
    """How the tests reach one kind of store: a writer in a folder, a reader of the same store, a request."""

    name: str
    open_writer: Callable[[Path, str], AbstractContextManager[Any]]
    open_reader: Callable[[Path], AbstractContextManager[Any]]
    leave_request: Callable[[Path, Request], int]


@dataclass(frozen=True)
class Pair:
    """A store's writer and a reader of its own."""

    writer: Any
    reader: Any
    leave: Callable[[Request], int]

    def keep(self, *readings: Reading) -> None:
        self.writer.append(readings)
        self.writer.commit()


@cache
def server() -> tuple[Influx, Gate]:
    """The server, from the first test that wants it until the tests end."""
    running = ExitStack()
    atexit.register(running.close)
    folder = Path(tempfile.mkdtemp())
    running.callback(shutil.rmtree, folder, ignore_errors=True)
    influx = running.enter_context(Influx(folder))
    gate = running.enter_context(Gate(folder, influx.port))
    influx.ask(f"CREATE DATABASE {BUCKET}")
    return influx, gate


def site_file(folder: Path, zone: str = "UTC") -> Path:
    """The file of a site whose store is the server's; its name is the folder's."""
    file = folder / "site.toml"
    if not file.exists():
        text = MARSH_HIDE.replace('"Europe/London"', f'"{zone}"')
        text = text.replace('"Marsh hide"', f"\"Marsh, 'hide' {folder.parent.name} {folder.name}\"")
        _, gate = server()
        file.write_text(f'{text}\n[store.server]\nurl = "{gate.url}"\nbucket = "{BUCKET}"\n')
    return file


def _site(folder: Path, zone: str = "UTC") -> tuple[Site, Path]:
    file = site_file(folder, zone)
    return load_site(file), file


def _open_served_reader(folder: Path) -> AbstractContextManager[Any]:
    site, _ = _site(folder)
    assert site.store.server is not None
    return open_served_reader(site.store.server, site.site.name, Secrets(folder / "none"), folder)


ENGINES = (
    Engine(
        "embedded",
        lambda folder, zone: open_writer(folder / "store.db", zone),
        lambda folder: open_reader(folder / "store.db"),
        lambda folder, request: leave_request(folder / "store.db", request),
    ),
    Engine(
        "server",
        lambda folder, zone: open_served_writer(*_site(folder, zone)),
        _open_served_reader,
        lambda folder, request: leave_served_request(*_site(folder), request),
    ),
)


@contextmanager
def opened(engine: Engine, zone: str = "UTC") -> Iterator[Pair]:
    """A new store of an engine."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        with engine.open_writer(folder, zone) as writer, engine.open_reader(folder) as reader:
            yield Pair(writer, reader, lambda request: engine.leave_request(folder, request))
