"""Weeks at speed, or a real day's polls within the hour, with faults on the line:

    python -m tests.bench.soak [--days 30] [--speed 2400] [--seed S]
    python -m tests.bench.soak --days 1.5 --speed 24 --every-s 0.1 --baud 115200 --page

The real daemon process reads the simulator's two devices over their pseudo-terminals, the charger at 9600
baud, while simulated time runs so many times as fast as life. Faults of every kind that the simulator knows
come and go, ports are unplugged and plugged, devices start anew. What is simulated: time (a paced clock, as
the demo's), so that a poll each 0.2 s lies minutes apart in the record; sun's tables, days' book, outlook,
estimator, alarms and store then do in each simulated day what they do in a real one, and the polls of a day
are fewer. So growth is told by the day and by the poll, since a real day has 34,560 of them at 5 s with two
devices. At 24 times with a poll each 0.1 s a simulated day has about as many as a real one.

Printed are the slope of the resident memory (least squares, without the first fifth), its mean in each fifth
of the time, by which one sees whether it levels off, what it is made of, descriptors and threads, what became
of the polls, and what the log has of errors. --page has the page beside it, which a phone renews each five
seconds and leafs through. It ends with 1 where a target is missed.
"""

from __future__ import annotations

import argparse
import os
import random
import re
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

import numpy as np

from monitor.demo import site_text
from monitor.errors import StoreError
from monitor.simulated import DemoError, SimulatorProcess
from monitor.store.embedded import open_reader
from monitor.store.upkeep import size_of, troubles
from simulator.faults import FOR_REGISTERS, FOR_TEXT
from tests.bench.daemon import AS_THE_UNIT
from tests.bench.figures import cost, hand_over
from tests.bench.page_cost import wait_for_port
from tests.bench.page_crowd import Crowd, Phone
from tests.bench.process import Parts, cpu_s, memory_MB, parts_MB
from tests.bench.soak_daemon import START_MS, Inside, insides
from tests.ports import free_port

REAL_EVERY_S, REAL_COMMIT_S = 0.2, 1.0
USUAL_BAUD = 9600
POLLS_A_DAY = 2 * 17_280
"""Two devices each 5 s, as the site file has them in life."""

MB_A_DAY = 1.0
LOOK_S = 1.0
COUNT_S = 20.0
"""How often the polls so far are asked of the store."""

T = TypeVar("T")

FIFTHS = 5
SPELL_S, CALM_S = (0.5, 3.0), (2.0, 8.0)
"""How long a fault lasts and how long it is calm between two (our choice: a quarter of the time fails)."""


@dataclass(slots=True)
class Trouble:
    """What goes wrong on the lines, drawn from a seed: one thing at a time."""

    simulator: SimulatorProcess
    rng: random.Random
    done: Counter[str] = field(default_factory=Counter)
    _until_s: float = 0.0
    _mend: dict[str, object] | None = None

    def follow(self, now_s: float) -> None:
        if now_s < self._until_s:
            return
        if self._mend is not None:
            self.simulator.ask(**self._mend)
            self._mend, self._until_s = None, now_s + self.rng.uniform(*CALM_S)
            return
        device = self.rng.choice(("charger", "shunt"))
        kinds = FOR_REGISTERS if device == "charger" else FOR_TEXT
        kind = self.rng.choice([*kinds[1:], "unplug", "restart"])
        self._until_s = now_s + self.rng.uniform(*SPELL_S)
        self.done[kind] += 1
        if kind == "unplug":
            self.simulator.ask(do="unplug", device=device)
            self._mend = {"do": "plug", "device": device}
        elif kind == "restart":
            self.simulator.ask(do="restart", device=device, silent_s=1.0)
        else:
            self.simulator.ask(do="fault", device=device, kind=kind, rate=self.rng.choice([0.2, 0.6, 1.0]))
            self._mend = {"do": "fault", "device": device, "kind": "none"}


@dataclass(frozen=True, slots=True)
class Look:
    """The daemon at one moment of simulated days."""

    day: float
    memory_MB: float
    descriptors: int
    threads: int
    polls: int
    page_MB: float | None
    parts: Parts | None


def look(pid: int, day: float, polls: int, page: int | None, *, closely: bool) -> Look:
    folder = Path(f"/proc/{pid}")
    files, threads = len(os.listdir(folder / "fd")), len(os.listdir(folder / "task"))
    page_MB = None if page is None else memory_MB(page)
    return Look(day, memory_MB(pid), files, threads, polls, page_MB, parts_MB(pid) if closely else None)


def polls_in(store: Path) -> int:
    """Of all devices together; 0 while there is no store."""
    if not store.exists():
        return 0
    with open_reader(store) as reader:
        return sum(health.polls for health in reader.health())


def has_begun(store: Path) -> bool:
    """Whether a poll is in the store; one that is just being made cannot be read yet."""
    with suppress(StoreError):
        return polls_in(store) > 0
    return False


@contextmanager
def page_beside(site_file: Path, crowd: Crowd, seconds: float) -> Iterator[int]:
    """The page's process, and a phone that looks at it for so long."""
    port = free_port()
    command = [sys.executable, "-m", "monitor.cli", "page", str(site_file), "--host", "127.0.0.1"]
    page = subprocess.Popen([*command, "--port", str(port)])
    try:
        wait_for_port(port, time.monotonic() + 60)
        phone = Phone(1, port, time.monotonic() + seconds, crowd)
        threading.Thread(target=phone.run, daemon=True).start()
        yield page.pid
    finally:
        page.terminate()
        page.wait(60)


def slope_MB_a_day(looks: Sequence[Look], days: float) -> float:
    """Least squares over what follows the first fifth of the time."""
    late = [each for each in looks if each.day >= days / 5]
    return float(np.polyfit([each.day for each in late], [each.memory_MB for each in late], 1)[0])


@dataclass(frozen=True, slots=True)
class Asked:
    """What the run is to be."""

    days: float
    speed: float
    seed: int
    every_s: float
    baud: int
    page: bool


def soak(folder: Path, asked: Asked) -> bool:
    """Run it; whether all targets were met."""
    looks: list[Look] = []
    scenario, site_file, store = folder / "scenario.toml", folder / "site.toml", folder / "nightbank.db"
    told_file = folder / "inside"
    scenario.write_text(f"[charger]\nbaud = {asked.baud}\n")
    with SimulatorProcess(folder / "ports", START_MS, scenario=scenario, seed=asked.seed) as simulator:
        text = site_text(simulator).replace("\nevery_s = 5", f"\nevery_s = {REAL_EVERY_S}")
        text = text.replace(f"baud = {USUAL_BAUD}\nunit", f"baud = {asked.baud}\nunit")
        site_file.write_text(text.replace("commit_every_s = 5", f"commit_every_s = {REAL_COMMIT_S}"))
        simulator.ask(do="run", speed=asked.speed)
        command = [sys.executable, "-m", "tests.bench.soak_daemon", str(site_file)]
        command += [str(asked.speed), str(asked.every_s), str(told_file)]
        with (folder / "log").open("wb") as log:
            daemon = subprocess.Popen(command, stderr=log, env=os.environ | AS_THE_UNIT)
        while not has_begun(store) and daemon.poll() is None:
            time.sleep(LOOK_S)
        trouble, crowd = Trouble(simulator, random.Random(asked.seed)), Crowd()
        begin_s, end_s = time.monotonic(), asked.days * 86_400 / asked.speed
        with page_beside(site_file, crowd, end_s) if asked.page else nullcontext() as page:
            told, polls, counted_s = 0, 0, 0.0
            while (now_s := time.monotonic() - begin_s) < end_s and daemon.poll() is None:
                with suppress(DemoError):
                    trouble.follow(now_s)
                counts = now_s - counted_s >= COUNT_S
                if counts:
                    polls, counted_s = polls_in(store), now_s
                day = now_s * asked.speed / 86_400
                looks.append(look(daemon.pid, day, polls, page, closely=counts))
                if int(20 * now_s / end_s) > told:
                    told = int(20 * now_s / end_s)
                    print(f"  {looks[-1]}", file=sys.stderr, flush=True)
                time.sleep(LOOK_S)
        spent_s = cpu_s(daemon.pid) if daemon.poll() is None else 0.0
        daemon.send_signal(signal.SIGTERM)
        status = daemon.wait(60)
        if not looks:
            sys.exit((folder / "log").read_text(encoding="utf-8"))
    if asked.page:
        opened = sum(map(len, crowd.took_s.values()))
        print(f"the phone had {opened} answers, {len(crowd.failures)} failures {crowd.failures[:3]}")
    tell_parts([each.parts for each in looks if each.parts is not None], insides(told_file))
    return tell(folder, looks, asked.days, trouble.done, status, spent_s)


def fifths(looks: Sequence[T]) -> Iterator[Sequence[T]]:
    """What was seen in each fifth of the time."""
    for part in range(FIFTHS):
        yield looks[len(looks) * part // FIFTHS : len(looks) * (part + 1) // FIFTHS]


def mean(numbers: Sequence[float]) -> float:
    return sum(numbers) / len(numbers)


def tell_parts(parts: Sequence[Parts], told: Sequence[Inside]) -> None:
    """Print what the daemon's memory was made of: by it one sees whether growth is objects or holes."""
    rows: tuple[tuple[str, Sequence[float]], ...] = (
        ("the C library's heap, resident, MB", [each.heap_MB for each in parts]),
        ("  of it in use, MB", [each.heap_used_MB for each in told]),
        ("what else is its own, MB", [each.own_MB for each in parts]),
        ("  Python's blocks in use, thousands", [each.blocks / 1000 for each in told]),
        ("pages of files, MB", [each.files_MB for each in parts]),
    )
    print("what the daemon's memory is made of, in each fifth:")
    for name, numbers in rows:
        if len(numbers) >= FIFTHS:
            print(f"  {name:36} {', '.join(f'{mean(part):.2f}' for part in fifths(numbers))}")


def growth_MB(looks: Sequence[Look]) -> float:
    """By how much the memory grows with the polls of a real day, by least squares over these looks."""
    polls = [float(each.polls) for each in looks]
    return float(np.polyfit(polls, [each.memory_MB for each in looks], 1)[0]) * POLLS_A_DAY


def tell(
    folder: Path, looks: Sequence[Look], days: float, done: Counter[str], status: int, spent_s: float
) -> bool:
    """Print what was found; whether all targets were met."""
    said = (folder / "log").read_text(encoding="utf-8")
    unforeseen = len(re.findall(r"Traceback|unforeseen", said))
    store = folder / "nightbank.db"
    with open_reader(store) as reader:
        healths = reader.health()
    polls = sum(health.polls for health in healths)
    errors = sum((Counter(health.errors) for health in healths), Counter[str]())
    found = list(troubles(store, lambda so_far, of: None))
    slope, reached = slope_MB_a_day(looks, days), looks[-1].day
    per_poll = slope * reached / polls
    late = [each for each in looks if each.day >= days / 5]
    fds = [each.descriptors for each in late]
    middle_fds = [sorted(part)[len(part) // 2] for part in (fds[: len(fds) // 2], fds[len(fds) // 2 :])]
    spells = sum(done.values())
    print(f"{reached:.1f} simulated days, {polls} polls, {spent_s:.0f} s CPU, {spells} spells of trouble")
    print(f"  trouble {dict(sorted(done.items()))}")
    print(f"  what the daemon counted {dict(errors)}")
    print(
        f"  memory {late[0].memory_MB:.1f} MB after the first fifth, {looks[-1].memory_MB:.1f} at the end:"
        f" {slope:+.3f} MB a simulated day (target below {MB_A_DAY:g}),"
        f" {per_poll * POLLS_A_DAY:+.2f} MB for the polls of a real day"
    )
    in_fifths = [f"{mean([each.memory_MB for each in part]):.2f}" for part in fifths(looks)]
    counts = [str(part[-1].polls) for part in fifths(looks)]
    print(f"  memory in each fifth {', '.join(in_fifths)} MB, polls until its end {', '.join(counts)}")
    halves = looks[len(looks) // 2 :], looks[len(looks) * 4 // 5 :]
    for name, part in zip(("second half", "last fifth"), halves, strict=True):
        print(f"  in the {name} {growth_MB(part):+.2f} MB for the polls of a real day")
    pages = [[each.page_MB for each in part if each.page_MB is not None] for part in fifths(looks)]
    if all(pages):
        print(f"  the page in each fifth {', '.join(f'{mean(part):.2f}' for part in pages)} MB")
    print(
        f"  descriptors {min(fds)} to {max(fds)}, in the middle {middle_fds[0]} in the first half and"
        f" {middle_fds[1]} in the second; threads at most {max(each.threads for each in late)}"
    )
    print(f"  log {len(said.splitlines())} lines, {unforeseen} unforeseen errors; ended with {status}")
    print(f"  store {found or 'sound'}, {size_of(store).readings} readings")
    hand_over(
        cost("the daemon's memory, more each simulated day", slope, "MB", at_most=MB_A_DAY),
        cost("unforeseen errors in its log", unforeseen, "", at_most=0),
    )
    met = slope < MB_A_DAY and middle_fds[1] <= middle_fds[0] and not unforeseen and not found and status == 0
    return met and reached >= 0.99 * days


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--speed", type=float, default=2400.0)
    parser.add_argument("--seed", type=int, default=1125)
    parser.add_argument("--every-s", type=float, default=REAL_EVERY_S, help="a poll's period, in real time")
    parser.add_argument("--baud", type=int, default=USUAL_BAUD, help="of the charger's line")
    parser.add_argument("--page", action="store_true", help="with the page and a phone beside it")
    options = parser.parse_args()
    print(f"seed {options.seed}, {options.speed:g} times as fast as life", flush=True)
    with TemporaryDirectory() as name:
        asked = Asked(options.days, options.speed, options.seed, options.every_s, options.baud, options.page)
        if not soak(Path(name), asked):
            sys.exit(1)


if __name__ == "__main__":
    main()
