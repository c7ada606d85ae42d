"""The daemon stopped for seconds at the worst moments, as a computer that swaps or a slow card holds it up.

    python -m tests.faults.held_up [--stops 1 5 30]

The real daemon of one site at three lines, Modbus RTU, Modbus TCP and text, with a channel for notices; a
second site's daemon beside it. It gets SIGSTOP while a device has its request and the answer is still to
come, in the middle of a line of text, as soon as a commit begins to write, and when a notice has arrived
whose sender has no answer yet; SIGCONT so many seconds later. The judge is what was sent: each answer and
line holds the moment at which it was made, as the current: a reading tells how far its stamp is from it.
"""

from __future__ import annotations

import argparse
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, Self

from monitor.errors import StoreError
from monitor.poll import HELD_UP_S
from monitor.present import present
from monitor.records import Quality, Reading
from monitor.site.load import load_site
from monitor.store.embedded import open_reader
from monitor.store.upkeep import troubles
from tests.faults.notice_server import Arrival, NoticeServer
from tests.unit.far_ends import PtyFarEnd, RtuFarEnd, TcpFarEnd, charger_registers, shunt_line
from tests.unit.site_files import changed
from tests.waiting import PATIENCE_S, wait_for

MOMENTS = ("an RTU answer", "a TCP answer", "a line of text", "a commit", "a notice")
DEVICES = {"rtu", "tcp", "text"}
PERIOD_S = 1.0
HEARD_S = 0.3
MOST_LAG_S = HELD_UP_S + 1.5
"""A stamp may lie so far behind what it tells: what `poll_once` allows, a line's interval and the way of a
slow test."""

COLD_C, WARMER_C = 10.0, 5.0
STEP_S = 0.1
"""The charge current counts these since the world began: 0.01 A each, 32 A in five minutes."""

SITE = """
[store]
path = "{folder}/store.db"
commit_every_s = 1

[[channels]]
name = "far"
kind = "hook"
url = "http://127.0.0.1:{port}/"

[[devices]]
name = "rtu"
profile = "marsh-charger"
connection = "serial"
port = "{rtu}"
every_s = 1
timeout_s = 1.0

[[devices]]
name = "tcp"
profile = "marsh-charger"
connection = "tcp"
host = "127.0.0.1"
tcp_port = {tcp}
every_s = 1
timeout_s = 1.0

[[devices]]
name = "text"
profile = "marsh-shunt"
connection = "serial"
port = "{text}"
every_s = 1
timeout_s = 1.0
"""

BESIDE = """
[store]
path = "{folder}/beside.db"
commit_every_s = 1

[[devices]]
name = "beside"
profile = "marsh-shunt"
connection = "serial"
port = "{text}"
every_s = 1
timeout_s = 1.0
"""

ALARM = """
[[alarms]]
name = "Warm {number}"
quantity = "battery_temperature_C"
condition = "above"
set_point = {above}
deadband = 0.5
on_delay_s = 0
off_delay_s = 0
priority = "urgent"
"""


class Telling(dict[tuple[int, int], int]):
    """A charger's registers, of which one tells when it was asked for; `then` is called before, once."""

    def __init__(self, world: World) -> None:
        super().__init__(charger_registers())
        self._world = world
        self.then: Callable[[], None] | None = None

    def __getitem__(self, key: tuple[int, int]) -> int:
        if key == (4, 701):
            then, self.then = self.then, None
            if then is not None:
                then()
            return self._world.steps()
        return round(10 * self._world.degrees_C) if key == (4, 707) else super().__getitem__(key)


class Talker:
    """Sends a line each second that tells when it was made; `then` is called in the middle of one, once."""

    def __init__(self, world: World, link: Path) -> None:
        self.far_end = PtyFarEnd(link)
        self.then: Callable[[], None] | None = None
        self._world, self._ended = world, threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while not self._ended.wait(PERIOD_S):
            line = shunt_line(12.64, self._world.steps() / 100, self._world.degrees_C)
            then, self.then = self.then, None
            half = len(line) // 2
            self.far_end.say(line[:half])
            if then is not None:
                then()
            self.far_end.say(line[half:])

    def close(self) -> None:
        self._ended.set()
        self._thread.join()
        self.far_end.close()


class Arrivals(list[Arrival]):
    """What has come to the channel's far end; `then` is called before that answers, once."""

    then: Callable[[], None] | None = None

    def append(self, arrival: Arrival) -> None:
        super().append(arrival)
        then, self.then = self.then, None
        if then is not None:
            then()


@dataclass
class Stop:
    """One stop of the daemon: at which moment, from when to when, how old the present was told to be at its
    end, and what the watchdog had heard meanwhile."""

    moment: str
    lasted_s: float
    from_ms: int = 0
    to_ms: int = 0
    told_age_s: float = 0.0
    fed: int = 0


@dataclass
class Found:
    """What the store holds in the end, and what was heard."""

    stops: list[Stop]
    readings: dict[str, list[Reading]]
    lags_s: dict[str, list[float]]
    beside_ms: list[int]
    device_events: list[str]
    troubles: list[str]
    notices: list[tuple[str, bool]]
    errors: dict[str, dict[str, int]]
    lost: list[Reading] = field(default_factory=list)

    def longest_gap_s(self, device: str) -> float:
        """The longest time between two readings, less that of the stop in it."""
        times = sorted({reading.time_ms for reading in self.readings[device]})
        return max(
            (later - earlier - self._stopped_ms(earlier, later)) / 1000 for earlier, later in pairwise(times)
        )

    def _stopped_ms(self, from_ms: int, to_ms: int) -> int:
        return sum(max(0, min(to_ms, stop.to_ms) - max(from_ms, stop.from_ms)) for stop in self.stops)


class World:
    """Both sites with their far ends and daemons; what is started in it ends with it."""

    def __init__(self, folder: Path, stops: int) -> None:
        """stops: how many stops at a notice there will be at most."""
        self._folder, self._began_s = folder, time.monotonic()
        self._began_ms = time.time_ns() // 1_000_000
        self.degrees_C = COLD_C
        self.rtu, self.tcp = Telling(self), Telling(self)
        self._rtu = RtuFarEnd(folder / "rtu", {1: self.rtu}, baud=9600)
        self._tcp = TcpFarEnd({1: self.tcp})
        self.text, self._other = Talker(self, folder / "text"), Talker(self, folder / "beside")
        self.server = NoticeServer()
        self.server.arrivals = self.arrivals = Arrivals()
        self.file = folder / "site.toml"
        places = {
            "folder": folder,
            "port": self.server.port,
            "rtu": self._rtu.link,
            "tcp": self._tcp.port,
            "text": folder / "text",
        }
        alarms = (ALARM.format(number=n, above=COLD_C + WARMER_C * (n + 0.5)) for n in range(stops))
        more = SITE.format(**places) + "".join(alarms)
        self.file.write_text(changed(without=("devices",), more=more), encoding="utf-8")
        beside = changed(without=("devices",), more=BESIDE.format(folder=folder, text=folder / "beside"))
        (folder / "beside.toml").write_text(beside, encoding="utf-8")
        self._supervisor = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._supervisor.bind(str(folder / "notify"))
        self.fed = 0
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()
        self.daemon = self._start("site.toml", NOTIFY_SOCKET=str(folder / "notify"))
        self.beside = self._start("beside.toml")
        self.settle(self._began_ms)

    def _start(self, file: str, **environment: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "monitor.cli", "monitor", str(self._folder / file)]
        with (self._folder / f"{file}.log").open("wb") as log:
            return subprocess.Popen(command, stderr=log, env=os.environ | environment)

    def _listen(self) -> None:
        """Count how often the watchdog is fed."""
        while message := self._supervisor.recv(4096):
            self.fed += b"WATCHDOG=1" in message.split(b"\n")

    def steps(self) -> int:
        """The moment, as the charge current tells it in hundredths."""
        return int((time.monotonic() - self._began_s) / STEP_S)

    def made_ms(self, reading: Reading) -> int:
        """When what a reading holds was made."""
        assert reading.value is not None
        return self._began_ms + round(100 * reading.value * STEP_S * 1000)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for process in (self.daemon, self.beside):
            process.kill()
            process.send_signal(signal.SIGCONT)
            process.wait(PATIENCE_S)
        for each in (self.text, self._other, self._rtu, self._tcp, self.server):
            each.close()
        self._supervisor.shutdown(socket.SHUT_RDWR)
        self._listener.join(PATIENCE_S)
        self._supervisor.close()

    # --- stops --------------------------------------------------------------------------------------------

    def stop(self, moment: str, seconds: float) -> Stop:
        """Stop the daemon at such a moment, let it go on, and wait until all lines have been read again."""
        done = Stop(moment, seconds)
        reached = threading.Event()

        def now() -> None:
            os.kill(self.daemon.pid, signal.SIGSTOP)
            done.from_ms = time.time_ns() // 1_000_000
            reached.set()

        self._at(moment, now)
        assert reached.wait(PATIENCE_S), f"{moment} never came; {self.log()}"
        time.sleep(HEARD_S)  # what the watchdog was told before has been heard by then
        done.fed = -self.fed
        time.sleep(seconds - HEARD_S)
        done.told_age_s = self._told_age_s()
        done.fed += self.fed
        done.to_ms = time.time_ns() // 1_000_000
        os.kill(self.daemon.pid, signal.SIGCONT)
        self.settle(done.to_ms)
        return done

    def _at(self, moment: str, now: Callable[[], None]) -> None:
        """Have `now` called once at a moment of MOMENTS."""
        if moment == "an RTU answer":
            self.rtu.then = now
        elif moment == "a TCP answer":
            self.tcp.then = now
        elif moment == "a line of text":
            self.text.then = now
        elif moment == "a notice":
            self.arrivals.then = now
            self.degrees_C += WARMER_C
        else:
            self._await_write()
            now()

    def _await_write(self) -> None:
        """Return as soon as the store's log is written to."""
        log = self._folder / "store.db-wal"
        before = log.stat().st_mtime_ns
        while log.stat().st_mtime_ns == before:
            time.sleep(0.0005)

    def _told_age_s(self) -> float:
        """How old `nightbank now` tells the charge current to be."""
        with open_reader(self._folder / "store.db") as reader:
            age_s: float = present(load_site(self.file), reader)["quantities"]["charge_current_A"]["age_s"]
        return age_s

    def settle(self, after_ms: int) -> None:
        """Wait until each line has been read, and stored, after a moment."""
        wait_for(lambda: self.daemon.poll() is not None or self._heard(after_ms) == DEVICES, self.log)
        assert self.daemon.poll() is None, self.log()

    def _heard(self, after_ms: int) -> set[str]:
        """The devices with a value after a moment."""
        with suppress(StoreError), open_reader(self._folder / "store.db") as reader:  # not there yet
            found = reader.readings(after_ms, 2**50, DEVICES)
            return {each.device for each in found if each.value is not None}
        return set()

    def log(self) -> str:
        """What the daemon has logged."""
        return (self._folder / "site.toml.log").read_text(encoding="utf-8")

    # --- what there is in the end ---------------------------------------------------------------------------

    def end(self, stops: list[Stop]) -> Found:
        """Stop both daemons and look at what they leave."""
        store = self._folder / "store.db"
        with open_reader(store) as reader:
            before = list(self._currents(reader))
        for process in (self.daemon, self.beside):
            process.send_signal(signal.SIGTERM)
            assert process.wait(PATIENCE_S) == 0, self.log()
        with open_reader(store) as reader:
            readings = list(self._currents(reader))
            events = [each.text for each in reader.events(0, 2**50) if each.kind == "device"]
            errors = {health.device: dict(health.errors) for health in reader.health()}
        with open_reader(self._folder / "beside.db") as reader:
            beside = sorted({each.time_ms for each in reader.readings(0, 2**50, ("beside",))})
        of = {name: [each for each in readings if each.device == name] for name in sorted(DEVICES)}
        lags_s = {
            name: [(each.time_ms - self.made_ms(each)) / 1000 for each in found if each.value is not None]
            for name, found in of.items()
        }
        notices = [
            (str(each.document["about"]), bool(each.document["maybe_twice"]))
            for each in self.arrivals
            if str(each.document["about"]).startswith("Warm ")
        ]
        lost = sorted(set(before) - set(readings), key=lambda each: each.time_ms)
        wrong = list(troubles(store, lambda done, of: None))
        return Found(stops, of, lags_s, beside, events, wrong, notices, errors, lost)

    @staticmethod
    def _currents(reader: Any) -> Iterator[Reading]:
        wanted = {"rtu": "charge_current_A", "tcp": "charge_current_A", "text": "battery_current_A"}
        for reading in reader.readings(0, 2**50, tuple(wanted)):
            if reading.quantity == wanted[reading.device]:
                yield reading


def live_through(folder: Path, plan: list[tuple[str, float]]) -> Found:
    """Both daemons, stopped as planned; what is left in the end."""
    with World(folder, [moment for moment, _ in plan].count("a notice")) as world:
        return world.end([world.stop(moment, seconds) for moment, seconds in plan])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--stops", type=float, nargs="+", default=[1.0, 5.0, 30.0], help="seconds")
    chosen = parser.parse_args()
    plan = [(moment, seconds) for seconds in chosen.stops for moment in MOMENTS]
    with tempfile.TemporaryDirectory() as folder:
        found = live_through(Path(folder), plan)
    for stop in found.stops:
        print(f"{stop.lasted_s:4.0f} s at {stop.moment:16} then told to be {stop.told_age_s:.1f} s old")
    for device, readings in found.readings.items():
        missing = sum(each.quality is Quality.MISSING for each in readings)
        print(
            f"{device:5} readings {len(readings)}  missing {missing}  stamped later than made by at most"
            f" {max(found.lags_s[device]):.2f} s  longest gap beside the stops"
            f" {found.longest_gap_s(device):.2f} s  errors {found.errors[device]}"
        )
    silent = [text for text in found.device_events if "silent" in text]
    print(f"told as silent {len(silent)}  lost {len(found.lost)}  store's troubles {len(found.troubles)}")
    print(
        f"notices {len(found.notices)}, of them told to come twice {sum(twice for _, twice in found.notices)}"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
