"""What a look at a thousand sites on one server costs, beside asking for each site by itself.

    python -m tests.bench.sites_list [--sites 1000]

Every site has what a mirror with send = ["all"] keeps of its present on a real influxdb 1.6.7: the site file,
the ends of 30 channels of five devices, 26 alarms (of every tenth site one stands), heartbeat and outlook.
Measured are the first look at all of them (questions, list in order, words of all for the terminal), a look
again while nothing is due, one when readings, alarms and heartbeats are due, and the page's answer; CPU of
ours and the server's apart. The baseline asks for the same present state site by site over the same
connection, a question each.
Targets (our choice): the first list of 1,000 sites within 10 s, a page of it within 0.3 s while nothing is
due, at most a third of the baseline's time where readings, alarms and heartbeats are due.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from dashboard.many.app import make_sites_app
from dashboard.many.lines import in_words
from dashboard.many.rows import Standing, standings
from monitor.alarms.rules import rules_of
from monitor.notices.secrets import Secrets
from monitor.quantities import QUANTITIES
from monitor.records import AlarmState, Reading, iso_utc
from monitor.served.lines import Lines, Record
from monitor.served.many import PRESENT_S, Sites
from monitor.served.query import Asker, Rows
from monitor.served.reader import LentReader
from monitor.site.load import site_of, with_defaults
from monitor.site.sites_file import SitesFile
from monitor.store.documents import ChannelEnds, channels_document, document_of
from tests.bench.figures import cost, hand_over, ratio
from tests.bench.process import cpu_s, memory_MB
from tests.interop.mirror_world import BUCKET
from tests.interop.series_servers import Influx
from tests.unit.site_files import MARSH_HIDE

DEVICES = ("shunt", "charger", "loads", "derived", "estimate")
CHANNELS_EACH = 6
MIRROR = '\n[[mirrors]]\nname = "hub"\nurl = "https://hub.example"\nbucket = "hide"\nsend = ["all"]\n'
MINUTE_MS = 60_000
RULES = rules_of(with_defaults(site_of(MARSH_HIDE, "the hide"))[0])


def records_of(number: int, now_ms: int) -> Iterator[Record]:
    """The present of one invented site."""
    name = name_of(number)
    file = MARSH_HIDE.replace("Marsh hide", name) + MIRROR
    about = {"name": name, "time_zone": "Europe/London", "file": file, "origin": "mirror"}
    yield Record("site", "", 0, json.dumps(about))
    yield Record("rank", "", 0, json.dumps(["charger", "shunt", "loads"]))
    names = [*QUANTITIES]
    for place, device in enumerate(DEVICES):
        first = place * CHANNELS_EACH % (len(names) - CHANNELS_EACH)
        own = ["state_of_charge", "state_of_charge_sd", "bank_capacity_Ah", "bank_capacity_sd_Ah"]
        some = own if device == "estimate" else names[first : first + CHANNELS_EACH]
        if device == "charger" and "battery_voltage_V" not in some:
            some = ["battery_voltage_V", *some[1:]]
        yield Record("channel", device, 0, channels_document(ends(device, some, number, now_ms)))
    for place, rule in enumerate(RULES):
        stands = number % 10 == 0 and place == 0
        state = AlarmState(
            rule.name,
            "unacknowledged" if stands else "normal",
            now_ms - 600_000,
            rule.priority,
            11.9,
            f"{rule.name}: 11.9 V",
            now_ms - 600_000 if stands else None,
        )
        yield Record("alarm", rule.name, 0, document_of(state))
    beat = json.dumps({"time_ms": now_ms, "started_ms": now_ms - 10**7, "stopped_ms": None})
    yield Record("note", "heartbeat", 0, json.dumps(beat))
    yield Record("note", "outlook", 0, json.dumps(json.dumps(outlook(number, now_ms))))


def name_of(number: int) -> str:
    return f"Site {number:04} at the weir"


def ends(device: str, names: list[str], number: int, now_ms: int) -> list[ChannelEnds]:
    found = []
    for name in names:
        value = 0.7 if name == "state_of_charge" else 0.04 if name.endswith("_sd") else 12.5
        last = Reading(now_ms - 5000 - number, device, name, value)
        found.append(ChannelEnds(device, name, now_ms - 10**9, last, now_ms - 10**9, last))
    return found


def outlook(number: int, now_ms: int) -> dict[str, object]:
    """As long as a daemon's: 26 points with charge and voltage, four days, reasons."""

    def band(middle: float) -> dict[str, float]:
        return {"p10": round(middle - 0.0512, 4), "p50": round(middle, 4), "p90": round(middle + 0.0488, 4)}

    hour = 60 * MINUTE_MS
    course = [
        {"time": iso_utc(now_ms + n * hour), "soc": band(0.7 - n / 100), "battery_voltage_V": band(12.4)}
        for n in range(26)
    ]
    day = {"from": iso_utc(now_ms), "soc_min": band(0.5), "soc_end": band(0.6), "array_gives_Wh": band(900.0)}
    return {
        "at": iso_utc(now_ms - 5 * MINUTE_MS),
        "sunset": iso_utc(now_ms - 4 * hour),
        "sunrise": iso_utc(now_ms + 11 * hour),
        "array_helps_from": iso_utc(now_ms + 12 * hour),
        "reserve_soc": 0.5,
        "soc_min": band(0.54),
        "battery_voltage_min_V": band(12.1),
        "low_at": iso_utc(now_ms + 12 * hour),
        "hours_left": 14.0,
        "wet_days_left": 2,
        "sentence": f"Lasts until morning: lowest about {40 + number % 40} % at 08:00.",
        "basis": ["loads as on the last 12 nights of this site", "the sun of this site's own record"],
        "switch_off": [],
        "course": course,
        "days": [day] * 4,
    }


class Measured:
    """Times steps: wall, our CPU, the server's CPU, questions."""

    def __init__(self, influx: Influx, asker: Counting) -> None:
        assert influx.process is not None
        self._pid = influx.process.pid
        self._asker = asker

    def step(self, name: str, do: Callable[[], object]) -> float:
        asked, server_s = self._asker.count, cpu_s(self._pid)
        wall_s, own_s = time.monotonic(), time.process_time()
        do()
        wall_s, own_s = time.monotonic() - wall_s, time.process_time() - own_s
        print(
            f"{name:50} {wall_s:7.2f} s, our CPU {own_s:6.2f} s,"
            f" server's {cpu_s(self._pid) - server_s:6.2f} s, {self._asker.count - asked:5} questions"
        )
        return wall_s


class Counting(Asker):
    """An asker that counts its questions."""

    count = 0

    def ask(self, statement: str, *more: int) -> Iterator[Rows]:
        self.count += 1
        return super().ask(statement, *more)


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--sites", type=int, default=1000)
    count = options.parse_args().sites
    with tempfile.TemporaryDirectory() as folder, Influx(Path(folder)) as influx:
        influx.ask(f"CREATE DATABASE {BUCKET}")
        print(f"{count} sites, {write(influx, count) / 1e6:.1f} MB of records")
        described = SitesFile.model_validate(
            {"server": {"url": f"http://127.0.0.1:{influx.port}", "bucket": BUCKET}}
        )
        asker = Counting(described.server, Secrets(Path("none")), Path(folder), timeout_s=60.0)
        passed = [0.0]
        sites = Sites(asker, lambda: time.monotonic() + passed[0])
        measured = Measured(influx, asker)
        first = measured.step("first look, in order, words of all", lambda: in_words(look(sites)))
        again = measured.step("look again, nothing due", lambda: look(sites))
        passed[0] += PRESENT_S + 1
        due = measured.step("readings, alarms, heartbeats due, nothing new", lambda: look(sites))
        page = make_sites_app(described, asker, sites, Path(folder) / "sites").test_client()
        answer = measured.step("the page, nothing due", lambda: page.get("/", base_url="http://127.0.0.1"))
        size = len(page.get("/", base_url="http://127.0.0.1").data)
        alone = measured.step("baseline: each site by itself", lambda: each_alone(asker, count))
        print(
            f"page {size / 1000:.1f} kB; due / baseline {due / alone:.3f};"
            f" first / baseline {first / alone:.2f}"
        )
        print(f"peak of this process, which also wrote all records: {memory_MB('self', 'VmHWM'):.0f} MB")
        hand_over(
            ratio(f"{count} sites, where readings are due", due / alone, "asking each site", at_most=1 / 3),
            ratio(f"{count} sites, first look", first / alone, "asking each site"),
            cost(f"first list of {count} sites", first, "s", at_most=10),
            cost("a page of it while nothing is due", answer, "s", at_most=0.3),
        )
        met = first < 10 and answer < 0.3 and due < alone / 3
        print("targets met" if met else f"TARGETS MISSED (a look with nothing due took {again:.2f} s)")


def write(influx: Influx, count: int) -> int:
    """Write all sites' records; their size."""
    now_ms, size = time.time_ns() // 1_000_000, 0
    for first in range(0, count, 20):
        some = range(first, min(first + 20, count))
        text = "\n".join(
            line for number in some for line in Lines(name_of(number)).records(records_of(number, now_ms))
        )
        influx.write(BUCKET, text)
        size += len(text)
    return size


def look(sites: Sites) -> list[Standing]:
    return standings(sites.look().values())


def each_alone(asker: Asker, count: int) -> None:
    """The present state site by site, as a reader of one site asks for it."""
    for number in range(count):
        reader = LentReader(asker, name_of(number), 60.0)
        assert reader.latest()
        reader.alarms()
        reader.note("outlook")


if __name__ == "__main__":
    main()
