"""A site with mirrors for the tests: site file, store with readings, senders on real servers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from monitor.clock import SystemClock
from monitor.mirror.book import Book, book_path
from monitor.mirror.eraser import Erase, eraser
from monitor.mirror.sender import Sender
from monitor.notices.secrets import Secrets
from monitor.records import Quality, Reading, parse_iso
from monitor.served.hand_over import writer
from monitor.served.lines import Lines
from monitor.served.query import Asker
from monitor.served.server import Server
from monitor.site.mirror_table import MirrorEntry
from monitor.store.embedded import open_reader, open_writer
from monitor.store.mirrored_place import Point, What
from monitor.store.mirrored_records import record

NOON_MS = parse_iso("2026-11-24T12:00:00Z")
BUCKET = "hide"
SITE = "Marsh hide, east = wet"
ABOUT = record("site", "", '{"name": "Marsh hide", "time_zone": "UTC", "file": "[site]", "origin": "mirror"}')
Took = Callable[[Sequence[Point]], None]
Values = dict[tuple[int, str, str], float]


def entry(url: str, **more: object) -> MirrorEntry:
    return MirrorEntry.model_validate({"name": "hub", "url": url, "bucket": BUCKET, **more})


def some_readings(count: int, start_ms: int = NOON_MS, every_ms: int = 5000) -> list[Reading]:
    """Two devices' readings: measured values, a stage, and one that is suspect."""
    found = []
    for number in range(count):
        time_ms = start_ms + number * every_ms
        found += [
            Reading(time_ms, "shunt", "battery_voltage_V", round(12.3 + number % 7 / 100, 2)),
            Reading(time_ms, "shunt", "battery_current_A", round(-2 + number % 11 / 10, 1)),
            Reading(time_ms + 1500, "charger", "array_power_W", float(number % 90)),
            Reading(time_ms + 1500, "charger", "charge_stage", float(number % 3)),
        ]
        if number % 10 == 5:
            found.append(
                Reading(time_ms, "shunt", "battery_temperature_C", 99.0, Quality.SUSPECT, "out of range")
            )
    return found


def put(store: Path, readings: list[Reading]) -> None:
    with open_writer(store, "UTC") as writer:
        writer.append(readings)
        writer.commit()


def stored(store: Path) -> Values:
    """All good readings of a store through its read side."""
    with open_reader(store) as reader:
        first_ms, last_ms = reader.span() or (0, -1)
        return {
            (each.time_ms, each.device, each.quantity): each.value
            for each in reader.readings(first_ms, last_ms + 1)
            if each.quality is Quality.GOOD and each.value is not None
        }


class Mirror:
    """A sender on a store, with its server and book."""

    def __init__(
        self,
        store: Path,
        mirror: MirrorEntry,
        book: Book,
        server: Server,
        took: Took | None = None,
        site: Point = ABOUT,
        erase: Erase | None = None,
    ) -> None:
        self.server = server
        self.written: list[str] = []
        self.requests = 0
        lines, hand_over = Lines(SITE), writer(server, SITE)

        def write(points: Sequence[Point]) -> None:
            self.requests += 1
            hand_over(points)
            self.written += lines.of(each for each in points if each.what is not What.RECORD)
            if took is not None:
                took(points)

        self.sender = Sender(mirror, [mirror.name], store, book, write, SystemClock(), site=site, erase=erase)

    def catch_up(self, most: int = 1000) -> None:
        """Step until all is sent; no step may fail."""
        for _ in range(most):
            self.sender.step()
            assert not self.sender.error, self.sender.error
            if self.sender.is_current:
                self.sender.save()
                return
        raise AssertionError("it does not come to an end")


@contextmanager
def mirroring(
    store: Path,
    url: str,
    *,
    secrets: Secrets | None = None,
    timeout_s: float = 30.0,
    took: Took | None = None,
    site: Point = ABOUT,
    **more: object,
) -> Iterator[Mirror]:
    """A sender on a store; took hears of each batch that the server took; site is the site's record."""
    with Book(book_path(store)) as book:
        described = entry(url, **more)
        kept = secrets or Secrets(store.with_name("secrets.toml"))
        server = Server(described, kept, timeout_s, store.parent)
        asker = Asker(described, kept, store.parent, whose="the mirror's", timeout_s=timeout_s)
        try:
            yield Mirror(store, described, book, server, took, site, eraser(asker, SITE))
        finally:
            server.close()
            asker.close()
