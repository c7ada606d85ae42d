"""What a first and a second visit cost a phone, beside a plain Dash page with the same chart.

    python -m tests.bench.page_load

Chromium as a phone of 390 x 844, its processor slowed to a quarter, 10 Mbit/s with 20 ms of delay. Both pages
show the same day; the plain one is Dash as its introduction has it, one Graph, with answers in gzip; first
content is the page's own heading. Targets: first content in 0.25 of the plain page's time, a chart after a
tap in 0.3 of it; cold at most 225 KB in at most 5 requests before a chart is asked for, warm at most 10 KB.
Medians of VISITS visits.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

from tests.bench.figures import cost, hand_over, ratio
from tests.bench.page_cost import PageProcess, fill, wait_for_port
from tests.ports import free_port

VISITS = 7
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SLOWED = 4
BYTES_PER_S = 10_000_000 / 8
DELAY_MS = 20

PLAIN = """
import sys
from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo
from dash import Dash, dcc, html
from flask import request
from waitress import serve
from dashboard.figures import day_figure
from dashboard.packed import pack_answer
from dashboard.snapshot import take_history
from monitor.site.load import load_site
from monitor.store.embedded import open_reader

site = load_site(Path(sys.argv[1]))
with closing(open_reader(Path(sys.argv[1]).with_name("nightbank.db"))) as reader:
    figure = day_figure(take_history(reader, site), site.site.zone)
app = Dash("plain")
app.layout = html.Div([html.H1("The last day"), dcc.Graph(figure=figure)])
app.server.after_request(lambda response: pack_answer(request, response))
serve(app.server, host="127.0.0.1", port=int(sys.argv[2]))
"""


@dataclass(frozen=True, slots=True)
class Visit:
    """One opening of a page: what was sent, in how many answers, and after how long what was seen."""

    sent_bytes: int
    requests: int
    first_content_ms: float
    chart_ms: float
    shift: float


def visit(page: Page, url: str, to_chart: Callable[[Page], float]) -> Visit:
    """Open a page and wait until it stands still, then go on to its chart."""
    link = page.context.new_cdp_session(page)
    link.send("Network.enable")
    conditions = {"offline": False, "latency": DELAY_MS, "downloadThroughput": BYTES_PER_S}
    link.send("Network.emulateNetworkConditions", {**conditions, "uploadThroughput": BYTES_PER_S})
    link.send("Emulation.setCPUThrottlingRate", {"rate": SLOWED})
    sent: list[float] = []
    link.on("Network.loadingFinished", lambda event: sent.append(event["encodedDataLength"]))
    page.goto(url)
    page.wait_for_load_state("networkidle")
    page.wait_for_function("performance.getEntriesByType('paint').length > 1 && window.headingAt")
    painted_ms = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
    first_ms = max(painted_ms, page.evaluate("window.headingAt"))
    shift = page.evaluate(
        "new Promise(done => { let sum = 0; new PerformanceObserver(list => {"
        " for (const entry of list.getEntries()) sum += entry.value; })"
        ".observe({type: 'layout-shift', buffered: true}); setTimeout(() => done(sum), 300); })"
    )
    before = (int(sum(sent)), sum(1 for size in sent if size > 0))
    chart_ms = to_chart(page)
    link.detach()
    return Visit(*before, first_ms, chart_ms, shift)


def chart_of_plain(page: Page) -> float:
    """When the plain page's chart was drawn, from the start of the visit."""
    page.wait_for_selector(".main-svg", timeout=60_000)
    drawn_ms: float = page.evaluate("window.chartAt")
    return drawn_ms


def chart_after_tap(page: Page) -> float:
    """How long our chart takes from the tap."""
    started: float = page.evaluate("performance.now()")
    page.evaluate("document.getElementById('history-closer').click()")
    page.wait_for_selector("#history-chart .main-svg", timeout=60_000)
    ended: float = page.evaluate("window.chartAt")
    return ended - started


WATCH = """
new MutationObserver(() => {
  if (!window.headingAt && document.querySelector('h1')) window.headingAt = performance.now();
  if (!window.chartAt && document.querySelector('.main-svg')) window.chartAt = performance.now();
}).observe(document, { childList: true, subtree: true });
"""
"""Notes when the page's own heading and its chart come: a library's 'Loading...' is no content."""


@dataclass(frozen=True, slots=True)
class Visited:
    """A page that is visited: its address, how it comes to its chart, and the visits so far."""

    url: str
    to_chart: Callable[[Page], float]
    cold: list[Visit] = field(default_factory=list)
    warm: list[Visit] = field(default_factory=list)


def visit_in_turn(browser: Browser, pages: Sequence[Visited]) -> None:
    """Cold and warm visits: a new phone each time, that opens the page twice. The pages take turns, so that
    what else the computer does holds all of them up alike."""
    for each in [each for _ in range(VISITS) for each in pages]:
        context = browser.new_context(viewport={"width": 390, "height": 844})
        context.add_init_script(WATCH)
        for found in (each.cold, each.warm):
            page = context.new_page()
            found.append(visit(page, each.url, each.to_chart))
            page.close()
        context.close()


def row(name: str, found: list[Visit]) -> dict[str, float]:
    """Print the medians of some visits."""
    middle: dict[str, Any] = {
        what: median(getattr(each, what) for each in found)
        for what in ("sent_bytes", "requests", "first_content_ms", "chart_ms")
    }
    shift = max(each.shift for each in found)
    print(
        f"{name:18} {middle['sent_bytes'] / 1000:8.1f} KB {middle['requests']:4.0f} requests"
        f"   first content {middle['first_content_ms'] / 1000:5.2f} s"
        f"   chart {middle['chart_ms'] / 1000:5.2f} s   layout shift {shift:.3f}"
    )
    return middle | {"shift": shift}


def main() -> None:
    argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter).parse_args()
    with TemporaryDirectory() as folder:
        site_file = Path(folder) / "site.toml"
        site_file.write_bytes(files("monitor").joinpath("demo_site.toml").read_bytes())
        fill(Path(folder) / "nightbank.db")
        ours = PageProcess(site_file)
        port = free_port()
        plain = subprocess.Popen([sys.executable, "-c", PLAIN, str(site_file), str(port)])
        try:
            wait_for_port(port, time.monotonic() + 30)
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
                plain_page = Visited(f"http://127.0.0.1:{port}/", chart_of_plain)
                our_page = Visited(f"http://127.0.0.1:{ours.port}/", chart_after_tap)
                visit_in_turn(browser, (plain_page, our_page))
                browser.close()
            base = row("plain Dash, cold", plain_page.cold)
            base_warm = row("plain Dash, warm", plain_page.warm)
            cold = row("Nightbank, cold", our_page.cold)
            warm = row("Nightbank, warm", our_page.warm)
            for name, found, against in (("cold", cold, base), ("warm", warm, base_warm)):
                print(
                    f"{name}: bytes {found['sent_bytes'] / against['sent_bytes']:.3f} of plain,"
                    f" first content {found['first_content_ms'] / against['first_content_ms']:.2f},"
                    f" chart after a tap {found['chart_ms'] / against['chart_ms']:.2f}"
                )
            baseline = "a plain Dash page with the same chart"
            hand_over(
                ratio(
                    "first content on a new phone",
                    cold["first_content_ms"] / base["first_content_ms"],
                    baseline,
                    at_most=0.25,
                ),
                ratio(
                    "chart after a tap on a new phone",
                    cold["chart_ms"] / base["chart_ms"],
                    baseline,
                    at_most=0.3,
                ),
                ratio("bytes on a new phone", cold["sent_bytes"] / base["sent_bytes"], baseline),
                cost("a visit of a new phone", cold["sent_bytes"] / 1000, "KB", at_most=225),
                cost("a visit of a phone that knows the page", warm["sent_bytes"] / 1000, "KB", at_most=10),
                cost("layout shift", max(cold["shift"], warm["shift"]), "", at_most=0),
            )
        finally:
            for process in (ours.process, plain):
                process.terminate()
                process.wait(10)


if __name__ == "__main__":
    main()
