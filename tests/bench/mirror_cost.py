"""What copying readings to a server costs: CPU a thousand lines, memory, how fast it catches up, a quiet day.

    python -m tests.bench.mirror_cost [--hours 24]

A store with 18 channels of three devices every 5 s is sent to influxdb 1.6.7 behind nginx, each way in a
process of its own: by the mirror's sender without its polite pace, and by a plain script that reads the same
rows and gives them, a Point each, to influxdb-client's own batching writer (which keeps no place, sets
nothing aside, and drops what it cannot send). Both are read back and counted. Then the sender goes through
minutes of new readings as in ordinary life, once sending readings alone and once all that pages need; the
daemon's notes come with them, as long and as often as the demo has them. And the daemon's side is measured:
what notes of late readings cost a commit. CPU is the process's own, the server's is not in it.
Targets (our choice): no dearer than the plain script; at least 2,000 lines a second, four times the polite
pace; under 80 MB.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import subprocess
import sys
import tempfile
import time
from base64 import b64encode
from pathlib import Path

from monitor.records import DeviceHealth, Event, Reading
from monitor.store.embedded import open_writer
from monitor.store.mirrors import enrol
from monitor.store.writer import EmbeddedWriter
from tests.bench.figures import cost, hand_over, ratio
from tests.interop.mirror_world import BUCKET, NOON_MS
from tests.interop.series_servers import Gate, Influx

EVERY_MS = 5000
DEVICES = {
    "shunt": ("battery_voltage_V", "battery_current_A", "midpoint_voltage_V", "battery_temperature_C"),
    "charger": (
        "charge_current_A", "array_voltage_V", "array_current_A", "array_power_W", "charge_power_W",
        "controller_temperature_C", "charge_stage", "fault_bits",
    ),
    "loads": (
        "load_current_A", "load_power_W", "battery_voltage_V", "battery_current_A", "battery_temperature_C",
        "controller_temperature_C",
    ),
}  # fmt: skip
MINUTES = 60
WHOLE = "whole"

SENDER = r"""
import gzip, json, sys, time
from pathlib import Path
from monitor.clock import SystemClock
from monitor.memory import keep_small
from monitor.mirror.book import Book, book_path
from monitor.served.hand_over import writer
from monitor.mirror.sender import Sender
from monitor.served.server import Server
from monitor.notices.secrets import Secrets
from monitor.site.mirror_table import MirrorEntry
from monitor.store.mirrored_records import record
keep_small()
store, url, bucket, send = Path(sys.argv[1]), *sys.argv[2:]
entry = MirrorEntry.model_validate({"name": "hub", "url": url, "bucket": bucket, "send": [send]})
class Minutes(SystemClock):
    passed_s = 0.0
    def elapsed_s(self):
        return self.passed_s
clock, server, sent = Minutes(), Server(entry, Secrets(Path("none"))), []
write = server.write
def counted(lines, **more):
    sent.append("\n".join(lines))
    write(lines, **more)
with Book(book_path(store)) as book:
    about = record("site", "", '{"file": "' + "x" * 2000 + '"}')
    sender = Sender(entry, ["hub"], store, book, writer(server, "hide"), clock, site=about)
    began_s, cpu_s = time.monotonic(), time.process_time()
    while not sender.is_current:
        sender.step()
        assert not sender.error, sender.error
    sender.save()
    sent_s, sent_cpu_s = time.monotonic(), time.process_time()
    server.write = counted
    print(json.dumps({"wall_s": sent_s - began_s, "cpu_s": sent_cpu_s - cpu_s}), flush=True)
    for line in sys.stdin:
        clock.passed_s += 60
        sender.step()
        assert sender.is_current
        print("stepped", flush=True)
    quiet_cpu_s = time.process_time() - sent_cpu_s
status = Path("/proc/self/status").read_text().splitlines()
peak = next(int(line.split()[1]) for line in status if line.startswith("VmHWM")) / 1024
quiet = {
    "quiet_cpu_s": quiet_cpu_s,
    "lines": sum(1 + text.count("\n") for text in sent),
    "bytes": sum(map(len, sent)),
    "packed": sum(len(gzip.compress(text.encode())) for text in sent),
}
print(json.dumps(quiet | {"peak_MB": peak}))
"""
PLAIN = """
import json, sys, time
from pathlib import Path
from influxdb_client import InfluxDBClient, Point, WritePrecision
from influxdb_client.client.write_api import WriteOptions
from monitor.store.embedded import open_reader
store, url = sys.argv[1], sys.argv[2]
began_s, cpu_s = time.monotonic(), time.process_time()
with open_reader(Path(store)) as reader, InfluxDBClient(url, "", org="", enable_gzip=True) as client:
    with client.write_api(write_options=WriteOptions(batch_size=1000, flush_interval=1000)) as api:
        first, last = reader.span()
        point, key = None, None
        for each in reader.readings(first, last + 1):
            if (each.time_ms, each.device) != key:
                if point is not None:
                    api.write("plain", record=point, write_precision=WritePrecision.MS)
                key = (each.time_ms, each.device)
                point = Point("nightbank").tag("site", "hide").tag("device", each.device)
                point.time(each.time_ms, WritePrecision.MS)
            point.field(each.quantity, each.value)
        api.write("plain", record=point, write_precision=WritePrecision.MS)
status = Path("/proc/self/status").read_text().splitlines()
peak = next(int(line.split()[1]) for line in status if line.startswith("VmHWM")) / 1024
figures = {"wall_s": time.monotonic() - began_s, "cpu_s": time.process_time() - cpu_s, "peak_MB": peak}
print(json.dumps(figures))
"""


def readings(rng: random.Random, start_ms: int, count: int) -> list[Reading]:
    found = []
    for number in range(count):
        for place, (device, quantities) in enumerate(DEVICES.items()):
            time_ms = start_ms + number * EVERY_MS + place * 100
            for quantity in quantities:
                is_code = quantity in ("charge_stage", "fault_bits")
                value = float(number // 1000 % 4) if is_code else round(12 + rng.gauss(0, 0.05), 2)
                found.append(Reading(time_ms, device, quantity, value))
    return found


def late_commit_ms(store: Path, rng: random.Random, start_ms: int) -> float:
    """CPU of a commit of a minute's readings that all come late, in ms; the least of five."""
    took = []
    with open_writer(store, "UTC") as writer:
        writer.append(
            [Reading(start_ms + 10**8, device, q, 1.0) for device, qs in DEVICES.items() for q in qs]
        )
        writer.commit()
        for number in range(5):
            writer.append(readings(rng, start_ms + number * 60_000, 12))
            began_s = time.process_time()
            writer.commit()
            took.append(time.process_time() - began_s)
    return 1000 * min(took)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--hours", type=int, default=24)
    hours = parser.parse_args().hours
    rng = random.Random(7)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        store = folder / "nightbank.db"
        with open_writer(store, "UTC") as writer:
            for hour in range(hours):
                writer.append(readings(rng, NOON_MS + hour * 3_600_000, 720))
                writer.commit()
        lines = hours * 720 * len(DEVICES)
        (folder / "far").mkdir()
        with Influx(folder / "far") as influx, Gate(folder / "far", influx.port) as gate:
            for database in (BUCKET, "plain", WHOLE):
                influx.ask(f"CREATE DATABASE {database}")
            done = subprocess.run(
                [sys.executable, "-c", PLAIN, str(store), gate.url],
                capture_output=True,
                text=True,
                check=True,
            )
            plain = json.loads(done.stdout.splitlines()[-1])
            copy = folder / "all.db"
            shutil.copy(store, copy)
            ours = send(store, gate.url, rng, hours)
            whole = send(copy, gate.url, rng, hours, "all")
            counts = {each: count_of(influx, each) for each in (BUCKET, "plain")}
        before_ms = late_commit_ms(folder / "late.db", rng, NOON_MS)
        late = folder / "noted.db"
        with open_writer(late, "UTC") as writer:
            writer.commit()
        enrol(late, ["hub"])
        noted_ms = late_commit_ms(late, rng, NOON_MS)
    print(f"{lines} lines of {len(DEVICES)} devices, {hours} h at 5 s; read back {counts}")
    for what, each in (("mirror", ours), ("plain script", plain)):
        print(
            f"{what:14} {1000 * each['cpu_s'] / (lines / 1000):6.0f} ms CPU per 1,000 lines"
            f" {lines / each['wall_s']:7.0f} lines/s, peak {each['peak_MB']:.0f} MB"
        )
    print(f"ratio of CPU   {ours['cpu_s'] / plain['cpu_s']:6.2f}")
    hand_over(
        ratio("copying readings to a server, CPU", ours["cpu_s"] / plain["cpu_s"], "a plain script's"),
        cost("the mirrors' process, largest memory", ours["peak_MB"], "MB"),
    )
    for what, each in (("readings", ours), ("all", whole)):
        cpu_s, day_lines, size, packed = (
            each[name] / MINUTES * 1440 for name in ("quiet_cpu_s", "lines", "bytes", "packed")
        )
        print(
            f"a quiet day of {what:9} {cpu_s:6.1f} s CPU (a step a minute) {day_lines:8.0f} lines"
            f" {size / 1e6:6.1f} MB, packed {packed / 1e6:5.2f} MB, peak {each['peak_MB']:.0f} MB"
        )
        hand_over(
            cost(f"a quiet day of {what} to a mirror, CPU", cpu_s, "s"),
            cost(f"a quiet day of {what} to a mirror, packed", packed / 1e6, "MB"),
        )
    print(f"a minute late  {before_ms:6.1f} ms CPU of the daemon's commit, with notes {noted_ms:.1f} ms")


def happen(writer: EmbeddedWriter, minute: int) -> None:
    """What a daemon keeps besides readings in an ordinary minute: lengths and paces of a week's demo."""
    for device in DEVICES:
        writer.put_health(
            DeviceHealth(device, "/dev/serial0", "answering", NOON_MS, NOON_MS + minute, 31.5, minute)
        )
    writer.put_note("heartbeat", f"{minute:075d}")
    if minute % 15 == 0:
        writer.put_note("outlook", f"{minute} " + "x" * 2700)
    if minute % 60 == 0:
        state = random.Random(minute).randbytes(17_000)
        writer.put_note("estimator", b64encode(state).decode())
        writer.add_event(Event(NOON_MS + minute, "full", "", "The bank has met the signs of a full charge."))


def send(store: Path, url: str, rng: random.Random, hours: int, what: str = "measured") -> dict[str, float]:
    """Catch up, then a minute's readings at a time."""
    bucket = BUCKET if what == "measured" else WHOLE
    process = subprocess.Popen(
        [sys.executable, "-c", SENDER, str(store), url, bucket, what],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    figures: dict[str, float] = json.loads(process.stdout.readline())
    with open_writer(store, "UTC") as writer:
        for minute in range(MINUTES):
            writer.append(readings(rng, NOON_MS + hours * 3_600_000 + minute * 60_000, 12))
            happen(writer, minute)
            writer.commit()
            process.stdin.write("go\n")
            process.stdin.flush()
            assert process.stdout.readline() == "stepped\n"
    process.stdin.close()
    figures |= json.loads(process.stdout.readline())
    process.wait()
    return figures


def count_of(influx: Influx, database: str) -> int:
    """Values of one field of each device, added up: as many as lines."""
    names = ("battery_voltage_V", "charge_stage")
    answer = influx.ask(
        f'SELECT {", ".join(f"count({name})" for name in names)} FROM "nightbank" GROUP BY device',
        db=database,
    )
    return sum(max(each or 0 for each in series["values"][0][1:]) for series in answer["series"])


if __name__ == "__main__":
    main()
