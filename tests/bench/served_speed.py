"""A store on a server: what a page's questions and a minute's commit cost, beside a plain script's raw rows.

    python -m tests.bench.served_speed [--days 365] [--every-s 600]

influxdb 1.6.7 behind nginx holds 18 channels of three devices, one reading every ten minutes for a year and
every 5 s for the last day, written by the store's own writer. Asked are the newest readings, 24 hours to 300
points, 30 days and a year by day; then the next minutes are committed as the daemon does it. The plain script
asks for the same spans' rows through influxdb-client's own connection and sums them up in Python. CPU is the
process's own; wall has the server's work in it, too. Medians; targets (our choice): no question dearer than
the plain script's, a year by day at most a tenth of it, a commit under 20 ms CPU.
"""

from __future__ import annotations

import argparse
import random
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

from influxdb_client import InfluxDBClient

from monitor.records import AlarmState, DeviceHealth, Reading, to_datetime
from monitor.served.writer import ServedWriter
from monitor.store.heartbeat import NOTE
from monitor.store.steps import CODES
from tests.bench.figures import cost, hand_over, ratio
from tests.bench.mirror_cost import DEVICES
from tests.interop.mirror_world import BUCKET, NOON_MS
from tests.interop.series_servers import Gate, Influx
from tests.interop.served_world import ServedSite

DAY_MS = 86_400_000
RUNS = 7
QUANTITY = "battery_voltage_V"


def poll(rng: random.Random, time_ms: int) -> Iterator[Reading]:
    for device, quantities in DEVICES.items():
        for quantity in quantities:
            value = float(rng.randint(0, 5)) if quantity in CODES else rng.randint(1000, 1500) / 100
            yield Reading(time_ms, device, quantity, value)


def fill(writer: ServedWriter, days: int, every_ms: int) -> int:
    """Write the history; how many readings it has."""
    rng, count = random.Random(1), 0
    times = [
        *range(NOON_MS - days * DAY_MS, NOON_MS - DAY_MS, every_ms),
        *range(NOON_MS - DAY_MS, NOON_MS, 5000),
    ]
    for number, time_ms in enumerate(times):
        writer.append(poll(rng, time_ms))
        count += sum(map(len, DEVICES.values()))
        if number % 500 == 499:
            writer.commit()
    writer.commit()
    return count


def costs(work: Callable[[], object], runs: int = RUNS) -> tuple[float, float]:
    """CPU and wall in ms, medians."""
    cpu, wall = [], []
    for _ in range(runs):
        began_s, cpu_s = time.perf_counter(), time.process_time()
        work()
        cpu.append(1000 * (time.process_time() - cpu_s))
        wall.append(1000 * (time.perf_counter() - began_s))
    return statistics.median(cpu), statistics.median(wall)


class PlainScript:
    """Asks for raw rows and sums them up itself."""

    def __init__(self, url: str, site: str) -> None:
        self._client = InfluxDBClient(url, "", org="", timeout=60_000)
        self._site = site

    def rows(self, what: str, start_ms: int, end_ms: int, more: str = "") -> list[list[Any]]:
        statement = (
            f"SELECT {what} FROM nightbank WHERE site = '{self._site}' AND time >= {start_ms}ms"
            f" AND time < {end_ms}ms {more}"
        )
        document: Any = self._client.api_client.call_api(
            "/query",
            "GET",
            query_params=[("db", BUCKET), ("epoch", "ms"), ("q", statement)],
            response_type=object,
            _return_http_data_only=True,
        )
        return [row for series in document["results"][0].get("series", ()) for row in series["values"]]

    def latest(self) -> None:
        self.rows("last(*)", 0, NOON_MS + DAY_MS, "GROUP BY device")

    def buckets(self, start_ms: int, end_ms: int, width_ms: int) -> None:
        sums: dict[int, list[float]] = {}
        for time_ms, value in self.rows(f'"{QUANTITY}"', start_ms, end_ms):
            sums.setdefault(time_ms // width_ms, []).append(value)
        assert sums
        for values in sums.values():
            min(values), max(values), sum(values) / len(values)


def tell(
    what: str, ours: tuple[float, float], plain: tuple[float, float] | None = None, most: float = 1.0
) -> None:
    """Print what it took; at most so many times the plain script's CPU is the target."""
    line = f"{what:28} ours {ours[0]:8.2f} ms CPU {ours[1]:8.1f} ms wall"
    if plain is not None:
        line += f"; plain {plain[0]:9.2f} ms CPU {plain[1]:9.1f} ms wall; CPU ratio {ours[0] / plain[0]:.3f}"
        hand_over(ratio(f"{what}, CPU", ours[0] / plain[0], "a plain script's", at_most=most))
    else:
        limit = {"at_most": 20.0} if what.startswith("commit") else {}
        hand_over(cost(f"{what}, CPU", ours[0], "ms", **limit))
    print(line, flush=True)


def commits(writer: ServedWriter, minutes: int) -> tuple[float, float]:
    """The daemon's commits: twelve polls, health, an alarm's state and its heartbeat."""
    rng = random.Random(2)
    cpu, wall = [], []
    for minute in range(minutes):
        for at in range(12):
            writer.append(poll(rng, NOON_MS + 60_000 * minute + 5000 * at))
        for device in DEVICES:
            writer.put_health(DeviceHealth(device, "hide:502", "answering", 0, minute, 3.0, minute))
        writer.put_alarm(AlarmState("Low voltage", "normal", 0, "high", float(minute), ""))
        writer.put_note(NOTE, f'{{"time_ms": {minute}}}')
        began_s, cpu_s = time.perf_counter(), time.process_time()
        writer.commit()
        cpu.append(1000 * (time.process_time() - cpu_s))
        wall.append(1000 * (time.perf_counter() - began_s))
    return statistics.median(cpu), statistics.median(wall)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--every-s", type=int, default=600)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with Influx(folder) as influx, Gate(folder, influx.port) as gate:
            influx.ask(f"CREATE DATABASE {BUCKET}")
            site = ServedSite(folder / "hide", gate.url)
            with site.writer(timeout_s=60) as writer, site.reader(gate.url) as reader:
                began_s, cpu_s = time.perf_counter(), time.process_time()
                count = fill(writer, given.days, 1000 * given.every_s)
                wall_s, cpu_s = time.perf_counter() - began_s, time.process_time() - cpu_s
                print(f"{count:,} readings written in {wall_s:.0f} s: {1e6 * cpu_s / count:.1f} us CPU each")
                plain = PlainScript(gate.url, site.name)
                end_ms = NOON_MS - DAY_MS // 2  # whole local days
                last = to_datetime(end_ms).date()
                tell("latest of all", costs(reader.latest), costs(plain.latest))
                tell(
                    "24 h to 300 points",
                    costs(lambda: reader.series(QUANTITY, end_ms - DAY_MS, end_ms, 300)),
                    costs(lambda: plain.buckets(end_ms - DAY_MS, end_ms, DAY_MS // 300)),
                )
                tell(
                    "24 h to 288 points", costs(lambda: reader.series(QUANTITY, end_ms - DAY_MS, end_ms, 288))
                )
                tell(
                    "7 days to 300 points",
                    costs(lambda: reader.series(QUANTITY, end_ms - 7 * DAY_MS, end_ms, 300)),
                )
                for days in (30, given.days):
                    tell(
                        f"{days} days by day",
                        costs(partial(reader.series, QUANTITY, end_ms - days * DAY_MS, end_ms, days)),
                        costs(partial(plain.buckets, end_ms - days * DAY_MS, end_ms, DAY_MS), 3),
                        1.0 if days == 30 else 0.1,
                    )
                tell("30 days of all quantities", costs(lambda: reader.days(last - timedelta(30), last)))
                tell("commit of a minute", commits(writer, 30))


if __name__ == "__main__":
    main()
