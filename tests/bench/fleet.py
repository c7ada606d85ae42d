"""What a thousand sites cost a server: its CPU, memory and disk, and the CPU and memory of what loads it.

    python -m tests.bench.fleet [--sites 1000] [--every 5] [--send-every 600] [--server victoria]

`nightbank fleet simulate` sends a simulated day of so many sites, each polled every so many seconds, one of
five offline for hours, to influxdb 1.6.7 behind nginx, or to victoria-metrics. Then the count and the sum of
every quantity of every site are read back and compared with what went in. Target: nothing lost. It takes ten
minutes and a gigabyte of disk; with `--send-every 60`, the pace of real mirrors, far longer, as each request
costs more than its lines: 200 sites are enough there. What forwarding costs a site: `tests.bench.forwarders`.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
import urllib.parse
import urllib.request
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from simulator.fleet.check import ROUNDING, lacking_of, sent
from simulator.fleet.courses import courses_of
from simulator.fleet.link import Questions, Target
from simulator.fleet.plan import DAY_MS, QUANTITIES, Plan
from simulator.fleet.site import FleetSite
from tests.bench.figures import cost, hand_over
from tests.bench.process import cpu_s, memory_MB
from tests.interop.series_servers import Gate, Influx, Process, Victoria

COMMAND = "from simulator.fleet.cli import fleet; fleet()"
BUCKET = "trial"


def pid_of(server: Process) -> int:
    assert server.process is not None
    return server.process.pid


def run_loader(plan: Plan, url: str) -> tuple[dict[str, Any], float]:
    """What the command said, and its peak of memory in MB."""
    start = time.strftime("%Y-%m-%d", time.gmtime(plan.start_ms / 1000))
    asked = (
        "--sites", plan.sites, "--every", plan.every_ms // 1000, "--seed", plan.seed, "--json",
        "--send-every", plan.send_every_ms // 1000, "--start", start,
        "--days", plan.span_ms / DAY_MS, "--url", url, "--bucket", BUCKET,
    )  # fmt: skip
    command = [sys.executable, "-c", COMMAND, "simulate", *map(str, asked)]
    peak = 0.0
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        while process.poll() is None:
            with suppress(OSError, StopIteration):  # it has just ended
                peak = memory_MB(process.pid, "VmHWM")
            time.sleep(0.1)
        assert process.stdout is not None
        said = process.stdout.read()
    if process.returncode != 0:
        sys.exit(f"the fleet's command failed: {said}")
    return json.loads(said), peak


def lacking_in_victoria(plan: Plan, sites: Sequence[FleetSite], server: Victoria) -> dict[str, str]:
    """What is not as it was sent, by the site's name, asked in one question for each quantity and figure."""
    urllib.request.urlopen(f"{server.url}/internal/force_flush", timeout=60).close()
    there = {
        (figure, quantity): by_site(server, f"{figure}_over_time(nightbank_{quantity}[25h])", plan.end_ms)
        for quantity in QUANTITIES
        for figure in ("count", "sum")
    }
    found = {}
    for site in sites:
        for quantity, (count, total, size) in sent(plan, site).items():
            has = there["count", quantity].get(site.name, 0)
            adds_up_to = there["sum", quantity].get(site.name, 0)
            if has != count or abs(adds_up_to - total) > ROUNDING * size:
                found[site.name] = f"{quantity}: {has:g} of {count}, {adds_up_to:g} for {total:g}"
    return found


def by_site(server: Victoria, what: str, end_ms: int) -> dict[str, float]:
    asked = urllib.parse.urlencode({"query": f"sum({what}) by (site)", "time": end_ms / 1000 + 60})
    with urllib.request.urlopen(f"{server.url}/api/v1/query?{asked}", timeout=300) as answer:
        results = json.load(answer)["data"]["result"]
    return {each["metric"]["site"]: float(each["value"][1]) for each in results}


def lines_in(influx: Influx) -> int:
    """All lines that the server has, asked without regard to sites."""
    asked = 'SELECT count("battery_voltage_V"), count("charge_stage") FROM "nightbank"'
    return sum(influx.ask(asked, db=BUCKET)["series"][0]["values"][0][1:])


def report(plan: Plan, said: dict[str, Any], loader_MB: float, server: Process, folder: Path) -> float:
    """Print what sending cost; the server's CPU till now."""
    spent_s = cpu_s(pid_of(server))
    disk_MB = sum(file.stat().st_size for file in folder.rglob("*") if file.is_file()) / 1e6
    print(
        f"{plan.sites} sites, polled every {plan.every_ms / 1000:g} s for a day: "
        f"{said['lines']} lines with "
        f"{said['values']} values,\n"
        f"  {said['text_bytes'] / 1e6:.0f} MB of text in {said['requests']} requests; "
        f"{said['sites_offline']} sites offline, {said['requests_sent_again']} requests sent again"
    )
    print(f"  sending took   {said['wall_s']:.0f} s, {said['lines'] / said['wall_s']:.0f} lines/s")
    print(
        f"  server         {spent_s:.1f} s CPU, {1e6 * spent_s / said['lines']:.1f} ms per 1,000 lines; "
        f"spread over the day {100 * spent_s / (plan.span_ms / 1000):.2f} % of a core; "
        f"peak {memory_MB(pid_of(server), 'VmHWM'):.0f} MB, {disk_MB:.0f} MB on disk"
    )
    print(f"  loader         {said['cpu_s']:.1f} s CPU, peak {loader_MB:.0f} MB", flush=True)
    of = f"{plan.sites} sites' day into one server"
    hand_over(
        cost(f"{of}: CPU of the server", spent_s, "s"),
        cost(f"{of}: its largest memory", memory_MB(pid_of(server), "VmHWM"), "MB"),
        cost(f"{of}: on disk", disk_MB, "MB"),
    )
    return spent_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--every", type=int, default=5, help="seconds between two polls of a site")
    parser.add_argument("--send-every", type=int, default=600, help="seconds between two requests of a site")
    parser.add_argument("--server", choices=("influxdb", "victoria"), default="influxdb")
    asked = parser.parse_args()
    midnight_ms = int(time.time() * 1000) // DAY_MS * DAY_MS
    send_every_ms = 1000 * asked.send_every
    plan = Plan(asked.sites, midnight_ms - DAY_MS, DAY_MS, 1000 * asked.every, send_every_ms, seed=1)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if asked.server == "victoria":
            with Victoria(folder) as victoria:
                report(plan, *run_loader(plan, victoria.url), victoria, folder)
                lacking, there = read_back(plan, victoria), None
        else:
            with Influx(folder) as influx, Gate(folder, influx.port) as gate:
                influx.ask(f"CREATE DATABASE {BUCKET}")
                spent_s = report(plan, *run_loader(plan, gate.url), influx, folder)
                print(f"  nginx          {cpu_s(pid_of(gate)):.1f} s CPU")
                lacking, there = read_back(plan, influx, gate), lines_in(influx)
                print(f"  reading back   {cpu_s(pid_of(influx)) - spent_s:.1f} s CPU of the server")
    if there is not None:
        print(f"  lines there    {there} of {plan.lines}")
    print(f"  sites whose counts or sums differ from what went in: {len(lacking)} of {plan.sites}")
    hand_over(cost("sites whose counts or sums differ from what went in", len(lacking), "", at_most=0))
    sys.exit(int(bool(lacking) or there not in (None, plan.lines)))


def read_back(plan: Plan, server: Influx | Victoria, gate: Gate | None = None) -> dict[str, str]:
    """What is not as it was sent, by the site's name."""
    courses = courses_of(plan)
    sites = [FleetSite(plan, number, courses) for number in range(plan.sites)]
    began_s = time.monotonic()
    if isinstance(server, Victoria):
        lacking = lacking_in_victoria(plan, sites, server)
    else:
        assert gate is not None
        lacking = lacking_of(plan, sites, Questions(Target(gate.url, BUCKET)))
    took_s, peak = time.monotonic() - began_s, memory_MB(pid_of(server), "VmHWM")
    print(f"  reading back   {took_s:.0f} s, with a peak of {peak:.0f} MB in the server")
    for name, words in list(lacking.items())[:10]:
        print(f"    {name}: {words}")
    return lacking


if __name__ == "__main__":
    main()
