"""What the page costs its computer and the phone: bytes, CPU and memory of the page process.

    python -m tests.bench.page_cost

A day of readings each 5 s is stored, `nightbank page` is started over it, and everything that a phone asks
for is asked many times; then another one over a year, of which every page there is is opened ten times
(`page_year`). CPU is user and system time of the page process, in ticks of 10 ms over all times.
"""

from __future__ import annotations

import argparse
import gzip
import json
import re
import socket
import subprocess
import sys
import time
from contextlib import closing
from importlib.resources import files
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any
from urllib.request import Request, urlopen

from monitor.records import Reading, iso_utc
from monitor.store.embedded import open_writer
from tests.bench import page_year
from tests.bench.figures import cost, hand_over
from tests.bench.process import cpu_s, memory_MB
from tests.ports import free_port

DAY_S = 24 * 3600
EVERY_S = 5
COMMIT_EVERY_S = 300
MOST_MB = 64.0
"""The project's target for the page process on a small computer."""

TIMES = 100
VALUES = {
    "battery_voltage_V": 12.6,
    "battery_current_A": -4.0,
    "charge_current_A": 1.0,
    "load_current_A": 5.0,
    "array_power_W": 14.0,
    "load_power_W": 63.0,
    "battery_temperature_C": 8.4,
    "charge_stage": 1,
}


CALLBACKS = {"history-chart-place": "chart on a tap"}
"""Names of the page's callbacks by an output of each."""

STEPS = 40
"""So many looks of an open page at a plant in which every value moves."""


def for_programs() -> tuple[tuple[str, str], ...]:
    """What other programs ask for; of the range as much as one answer holds."""
    now_ms = time.time_ns() // 1_000_000
    span = f"from={iso_utc(now_ms - DAY_S * 1000)}&to={iso_utc(now_ms)}"
    return (
        ("metrics for programs", "/metrics"),
        ("latest for programs", "/api/v1/latest"),
        ("a day in 2000 points", f"/api/v1/range?quantity=battery_voltage_V&{span}&points=2000"),
    )


def fill(store: Path) -> None:
    """A day until now, with a little movement so that nothing compresses to a line, committed step by step
    as the daemon does, so that the store has packed what has ended."""
    now_ms = time.time_ns() // 1_000_000
    with closing(open_writer(store, "Europe/London")) as writer:
        for back_s in range(DAY_S, 0, -EVERY_S):
            shift = (back_s // EVERY_S * 7 % 11) / 100
            time_ms = now_ms - back_s * 1000
            writer.append(Reading(time_ms, "charger", name, value + shift) for name, value in VALUES.items())
            if back_s % COMMIT_EVERY_S == 0:
                writer.commit()
        writer.commit()


def live(store: Path, step: int) -> None:
    """One more poll of all channels, each a little other than before."""
    now_ms = time.time_ns() // 1_000_000
    with closing(open_writer(store, "Europe/London")) as writer:
        writer.append(
            Reading(now_ms, "charger", name, value if name == "charge_stage" else value + step % 7 / 10)
            for name, value in VALUES.items()
        )
        writer.commit()


def wait_for_port(port: int, deadline_s: float) -> None:
    """Wait until something listens on a port; deadline_s is of time.monotonic()."""
    while time.monotonic() < deadline_s:
        with closing(socket.socket()) as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.05)
    raise SystemExit("the page did not come up")


class PageProcess:
    """The page as a process of its own."""

    def __init__(self, site_file: Path) -> None:
        self.port, self.asked = free_port(), 0
        command = [sys.executable, "-m", "monitor.cli", "page", str(site_file)]
        self.process = subprocess.Popen(
            [*command, "--host", "127.0.0.1", "--port", str(self.port)], stderr=subprocess.DEVNULL
        )
        wait_for_port(self.port, time.monotonic() + 20)

    def ask(self, path: str, body: Any = None) -> bytes:
        self.asked += 1
        data = None if body is None else json.dumps(body).encode()
        headers = {"Content-Type": "application/json"}
        answer: bytes = urlopen(
            Request(f"http://127.0.0.1:{self.port}{path}", data, headers), timeout=20
        ).read()
        return answer

    def ask_packed(self, path: str) -> tuple[int, bytes]:
        """The answer's size on the wire, and the answer."""
        self.asked += 1
        request = Request(f"http://127.0.0.1:{self.port}{path}", headers={"Accept-Encoding": "gzip"})
        with urlopen(request, timeout=20) as answer:
            sent = answer.read()
            packed = answer.headers["Content-Encoding"] == "gzip"
        return len(sent), gzip.decompress(sent) if packed else sent

    def cpu_s(self) -> float:
        return cpu_s(self.process.pid)

    def rss_MB(self) -> float:
        return memory_MB(self.process.pid)


def callback_body(dependency: dict[str, Any], count: int) -> dict[str, Any]:
    """What the browser sends for one of Dash's callbacks with a single input."""
    outputs = [
        {"id": part.rsplit(".", 1)[0], "property": part.rsplit(".", 1)[1]}
        for part in dependency["output"].strip(".").split("...")
    ]
    source = dependency["inputs"][0]
    return {
        "output": dependency["output"],
        "outputs": outputs,
        "inputs": [{**source, "value": count}],
        "changedPropIds": [f"{source['id']}.{source['property']}"],
        "parsedChangedPropsIds": [f"{source['id']}.{source['property']}"],
    }


def measure(page: PageProcess, name: str, path: str, body: Any = None) -> None:
    """Print bytes, CPU and the slowest answers of one request."""
    size = len(page.ask(path, body))
    took_ms = []
    cpu_before_s = page.cpu_s()
    for _ in range(TIMES):
        started = time.perf_counter()
        page.ask(path, body)
        took_ms.append((time.perf_counter() - started) * 1000)
    cpu_ms = (page.cpu_s() - cpu_before_s) * 1000 / TIMES
    took_ms.sort()
    p95_ms = took_ms[round(0.95 * TIMES) - 1]
    print(
        f"{name:32} {size:9,} bytes   CPU {cpu_ms:5.1f} ms   "
        f"p50 {took_ms[TIMES // 2]:5.1f} ms   p95 {p95_ms:5.1f} ms"
    )
    hand_over(cost(f"the page's CPU for: {name}", cpu_ms, "ms"))


def measure_open_page(page: PageProcess, store: Path) -> None:
    """Print what an open page costs while it renews itself and every value moves."""
    seen, sizes, spent_s = "none", [], []
    for step in range(STEPS):
        live(store, step)
        before_s = page.cpu_s()
        size, answer = page.ask_packed(f"/fresh?of=now&seen={seen}")
        spent_s.append(page.cpu_s() - before_s)
        seen = json.loads(answer)["seen"]
        sizes.append(size)
    print(
        f"{'an open page, every value moves':32} {median(sizes[1:]):9,.0f} bytes on the wire a refresh"
        f" (the first {sizes[0]:,})   CPU {sum(spent_s) / STEPS * 1000:5.1f} ms"
    )
    hand_over(cost("a renewal of an open page, every value moved", median(sizes[1:]), "bytes", at_most=500))


def measure_every_page(folder: Path) -> None:
    """Print what each page costs with a year behind it, and what stays in the process after all of them."""
    page = PageProcess(page_year.year_behind(folder))
    try:
        held_MB = {0: page.rss_MB()}

        def look(round_number: int) -> None:
            held_MB[round_number] = page.rss_MB()

        seen = page_year.walk(page.port, page.cpu_s, look)
    finally:
        page.process.terminate()
        page.process.wait(10)
    print("with a year behind it:")
    for each in seen:
        print(f"{each.what:32} {each.most_bytes:9,} bytes on the wire at most   CPU {each.cpu_ms:5.1f} ms")
        hand_over(cost(f"the page's CPU with a year behind it for: {each.what}", each.cpu_ms, "ms"))
    told = ", ".join(f"{number}: {held_MB[number]:.1f}" for number in sorted(held_MB))
    print(f"page process after so many times every page, MB: {told}")
    what = f"the page process's memory after every page {page_year.ROUNDS} times"
    hand_over(cost(what, held_MB[page_year.ROUNDS], "MB", at_most=MOST_MB))


def main() -> None:
    argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter).parse_args()
    with TemporaryDirectory() as folder:
        site_file = Path(folder) / "site.toml"
        site_file.write_bytes(files("monitor").joinpath("demo_site.toml").read_bytes())
        store = Path(folder) / "nightbank.db"
        fill(store)
        page = PageProcess(site_file)
        try:
            print(f"page process at start: {page.rss_MB():.1f} MB")
            hand_over(cost("the page process's memory at its start", page.rss_MB(), "MB"))
            measure(page, "first HTML", "/")
            measure(page, "layout with chart", "/_dash-layout")
            for dependency in json.loads(page.ask("/_dash-dependencies")):
                name = next(text for mark, text in CALLBACKS.items() if mark in dependency["output"])
                measure(page, name, "/_dash-update-component", callback_body(dependency, 1))
            measure(page, "refresh of the values, 5 s", "/fresh?of=now")
            measure(page, "refresh of the last day, 2 min", "/fresh?of=day")
            measure_open_page(page, store)
            for name, path in for_programs():
                measure(page, name, path)
            scripts = re.findall(r'data-src="([^"]+)"', page.ask("/").decode())
            print(
                f"{'scripts before the chart':32} {sum(len(page.ask(script)) for script in scripts):9,} bytes"
            )
            print(f"page process after {page.asked} requests: {page.rss_MB():.1f} MB")
            hand_over(
                cost(
                    f"the page process's memory after {page.asked} requests",
                    page.rss_MB(),
                    "MB",
                    at_most=MOST_MB,
                )
            )
        finally:
            page.process.terminate()
            page.process.wait(10)
        measure_every_page(Path(folder) / "year")


if __name__ == "__main__":
    main()
