"""What it costs a site to forward a day to a server, by the real sender on real stores.

    python -m tests.bench.forwarders [--sites 1000]

A mirror's sender on an embedded store: a site's day at 5 s, at once as after a day offline, and as it goes
(a step a minute, an hour of it times 24); then as many whole stores of a day at a minute as there are sites,
one after the other. The stores are copies of sixteen that the writer made; each is sent under a name of its
own to influxdb 1.6.7 behind nginx, and read back: count and sum of each quantity of each site. The polite
pauses of the sender are left out.
Beside it a plain script reads the same stores and gives every row as a Point to influxdb-client's own
batching writer (which keeps no place and drops what it cannot send). CPU is the process's own, without its
start; forwarder and script run each in one of their own.
Targets (our choice): nothing lost; no dearer than the plain script.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from monitor.records import LATEST_MS, Reading
from monitor.store.base import StoreReader
from monitor.store.embedded import open_reader, open_writer
from simulator.fleet.plan import DAY_MS, Plan
from tests.bench.figures import cost, hand_over, ratio
from tests.bench.process import memory_MB
from tests.interop.mirror_world import NOON_MS
from tests.interop.series_servers import Gate, Influx

TEMPLATES = 16
HOUR_MS = 3_600_000
Sums = dict[str, tuple[int, float, float]]
"""By quantity: how many values, their sum, the sum of their absolute values."""


@dataclass(frozen=True, slots=True)
class Cost:
    """What a process spent on its sites, its start not counted."""

    cpu_s: float
    wall_s: float
    peak_MB: float


@dataclass(frozen=True, slots=True)
class Job:
    """Stores to send: each site's name and the file of which its store is a copy."""

    sites: tuple[tuple[str, Path], ...]
    url: str
    bucket: str
    scratch: Path


def alone(deed: Callable[[Job], Cost], job: Job) -> Cost:
    """Do it in a process of its own."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(deed, job).result()


class Forwarder:
    """The sender on a store, as the process of the mirrors builds it."""

    def __init__(self, store: Path, name: str, job: Job) -> None:
        from monitor.clock import SystemClock
        from monitor.mirror.book import Book, book_path
        from monitor.mirror.sender import Sender
        from monitor.notices.secrets import Secrets
        from monitor.served.hand_over import writer
        from monitor.served.server import Server
        from monitor.site.mirror_table import MirrorEntry

        entry = MirrorEntry(name="hub", url=job.url, bucket=job.bucket)
        self._server = Server(entry, Secrets(Path("none")))
        self._book = Book(book_path(store))
        write = writer(self._server, name)
        self._sender = Sender(entry, ["hub"], store, self._book, write, SystemClock())

    def catch_up(self) -> None:
        """Step until nothing waits. Raises AssertionError where something is not taken."""
        while True:
            self._sender.step()
            assert not self._sender.error, self._sender.error
            if self._sender.is_current:
                return

    def close(self) -> None:
        self._sender.save()
        self._server.close()
        self._book.close()


def started(job: Job) -> None:
    """What the process of the mirrors does once, whatever it then sends: above all load influxdb-client."""
    from monitor.memory import keep_small

    keep_small()
    Forwarder(job.scratch / "none.db", "none", job).close()


def forward(job: Job) -> Cost:
    """Send every store to its end."""
    started(job)
    cpu_s = wall_s = 0.0
    for name, template in job.sites:
        store = job.scratch / "site.db"
        for left in job.scratch.glob("site.db*"):
            left.unlink()
        shutil.copyfile(template, store)
        began_s, began_cpu_s = time.monotonic(), time.process_time()
        forwarder = Forwarder(store, name, job)
        forwarder.catch_up()
        forwarder.close()
        cpu_s += time.process_time() - began_cpu_s
        wall_s += time.monotonic() - began_s
    return Cost(cpu_s, wall_s, memory_MB("self", "VmHWM"))


def follow(job: Job) -> Cost:
    """An hour of a site as it goes: each minute's readings are written, then the sender takes its step."""
    started(job)
    ((name, template),) = job.sites
    store, cpu_s, wall_s = job.scratch / "followed.db", 0.0, 0.0
    with open_reader(template) as reader, open_writer(store, "UTC") as writer:
        first_ms = first_of(reader)
        writer.append(list(reader.readings(first_ms, first_ms + 60_000)))
        writer.commit()
        forwarder = Forwarder(store, name, job)
        forwarder.catch_up()
        for from_ms in range(first_ms + 60_000, first_ms + HOUR_MS + 60_000, 60_000):
            writer.append(list(reader.readings(from_ms, from_ms + 60_000)))
            writer.commit()
            began_s, began_cpu_s = time.monotonic(), time.process_time()
            forwarder.catch_up()
            cpu_s += time.process_time() - began_cpu_s
            wall_s += time.monotonic() - began_s
        forwarder.close()
    return Cost(cpu_s, wall_s, memory_MB("self", "VmHWM"))


def plainly(job: Job) -> Cost:
    """Send every store as a plain script would."""
    from influxdb_client import InfluxDBClient, Point, WritePrecision
    from influxdb_client.client.write_api import WriteOptions

    cpu_s = wall_s = 0.0
    options = WriteOptions(batch_size=1000, flush_interval=1000)
    for name, template in job.sites:
        began_s, began_cpu_s = time.monotonic(), time.process_time()
        with (
            open_reader(template) as reader,
            InfluxDBClient(job.url, "", org="", enable_gzip=True) as client,
            client.write_api(write_options=options) as api,
        ):
            point: Any = None
            key: tuple[int, str] | None = None
            for each in all_of(reader):
                if (each.time_ms, each.device) != key:
                    if point is not None:
                        api.write(job.bucket, record=point, write_precision=WritePrecision.MS)
                    key = (each.time_ms, each.device)
                    point = Point("nightbank").tag("site", name).tag("device", each.device)
                    point.time(each.time_ms, WritePrecision.MS)
                point.field(each.quantity, each.value)
            api.write(job.bucket, record=point, write_precision=WritePrecision.MS)
        cpu_s += time.process_time() - began_cpu_s
        wall_s += time.monotonic() - began_s
    return Cost(cpu_s, wall_s, memory_MB("self", "VmHWM"))


def first_of(reader: StoreReader) -> int:
    span = reader.span()
    assert span is not None
    return span[0]


def all_of(reader: StoreReader) -> Iterable[Reading]:
    return reader.readings(first_of(reader), LATEST_MS)


def make_stores(plan: Plan, folder: Path) -> list[Path]:
    """Stores of the first sites' days, made by the writer; they are closed and whole."""
    from simulator.fleet.courses import courses_of
    from simulator.fleet.site import FleetSite

    courses, made = courses_of(plan), []
    each_hour = HOUR_MS // plan.every_ms
    for number in range(min(TEMPLATES, plan.sites)):
        site = FleetSite(plan, number, courses)
        made.append(folder / f"{plan.every_ms}-{number}.db")
        with open_writer(made[-1], "UTC") as writer:
            for first in range(0, plan.polls, each_hour):
                writer.append(readings_in(site.lines(first, min(plan.polls, first + each_hour))))
                writer.commit()
    return made


def readings_in(lines: Iterable[str]) -> list[Reading]:
    found = []
    for line in lines:
        head, fields, at = line.rsplit(" ", 2)
        for field in fields.split(","):
            name, text = field.split("=")
            found.append(Reading(int(at), head.rsplit("=", 1)[1], name, float(text.rstrip("i"))))
    return found


def sums_in(store: Path) -> Sums:
    values: dict[str, list[float]] = {}
    with open_reader(store) as reader:
        for each in all_of(reader):
            assert each.value is not None  # only good readings are written here
            values.setdefault(each.quantity, []).append(each.value)
    return {name: (len(each), sum(each), sum(map(abs, each))) for name, each in values.items()}


def differing(influx: Influx, bucket: str, wanted: dict[str, Sums]) -> int:
    """How many sites do not have on the server what their stores have, by count and sum."""
    from simulator.fleet.check import ROUNDING

    wrong = 0
    for name, wants in wanted.items():
        asked = ", ".join(f'count("{each}"), sum("{each}")' for each in wants)
        answer = influx.ask(f"SELECT {asked} FROM nightbank WHERE site = '{name}'", db=bucket)
        figures = answer["series"][0]["values"][0][1:] if "series" in answer else [0] * (2 * len(wants))
        wrong += any(
            figures[2 * place] != count or abs(figures[2 * place + 1] - total) > ROUNDING * size
            for place, (count, total, size) in enumerate(wants.values())
        )
    return wrong


def tell(what: str, sites: int, lines: int, costs: dict[str, Cost]) -> None:
    """The first of two costs beside the second, for a site and day."""
    print(f"{what}, {lines // sites} lines each")
    for name, each in costs.items():
        print(
            f"  {name:14} {each.cpu_s / sites:6.3f} s CPU a site and day, "
            f"{1e6 * each.cpu_s / lines:5.1f} ms per 1,000 lines, "
            f"{lines / each.wall_s:6.0f} lines/s, peak {each.peak_MB:.0f} MB"
        )
    ours, plain = costs.values()
    print(f"  ratio of CPU   {ours.cpu_s / plain.cpu_s:6.2f}", flush=True)
    hand_over(
        ratio(f"forwarding {what}, CPU", ours.cpu_s / plain.cpu_s, "a plain script's", at_most=1.0),
        cost(f"forwarding {what}, CPU a site and day", ours.cpu_s / sites, "s"),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--sites", type=int, default=1000)
    sites = parser.parse_args().sites
    start_ms = NOON_MS // DAY_MS * DAY_MS
    plan = Plan(sites, start_ms, DAY_MS, every_ms=60_000, send_every_ms=60_000, seed=1)
    quick = Plan(1, start_ms, DAY_MS, every_ms=5000, send_every_ms=60_000, seed=1)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for each in ("far", "scratch"):
            (folder / each).mkdir()
        with Influx(folder / "far") as influx, Gate(folder / "far", influx.port) as gate:

            def both(what: str, stores: dict[str, Path], lines: int) -> None:
                costs = {}
                for bucket, deed in (("mirror", forward), ("plain script", plainly)):
                    influx.ask(f'DROP DATABASE "{bucket}"')
                    influx.ask(f'CREATE DATABASE "{bucket}"')
                    job = Job(tuple(stores.items()), gate.url, bucket, folder / "scratch")
                    costs[bucket] = alone(deed, job)
                tell(what, len(stores), lines, costs)
                sums = {store: sums_in(store) for store in set(stores.values())}
                wanted = {site: sums[store] for site, store in stores.items()}
                for bucket in costs:
                    wrong = differing(influx, bucket, wanted)
                    print(f"  {bucket:14} sites whose counts or sums differ from their stores: {wrong}")
                    lost.append(wrong)

            lost: list[int] = []
            (fast,) = make_stores(quick, folder)
            both("a day at 5 s, at once", {"Fast hut": fast}, quick.lines)
            job = Job((("Fast hut", fast),), gate.url, "mirror", folder / "scratch")
            followed = alone(follow, job)
            print(
                f"  as it goes     {24 * followed.cpu_s:6.3f} s CPU a site and day, a step a minute "
                f"(an hour, times 24), peak {followed.peak_MB:.0f} MB"
            )
            made = make_stores(plan, folder)
            stores = {f"Copied hut {number:04d}": made[number % len(made)] for number in range(sites)}
            both(f"{sites} stores of a day at a minute, one after the other", stores, plan.lines)
    hand_over(cost("sites that have lost a value on the way", sum(lost), "", at_most=0))
    sys.exit(int(any(lost)))


if __name__ == "__main__":
    main()
