"""Snapshots of all readable registers of a unit, for `nightbank scan` and `nightbank match`.

    for step in scan(link, unit=1, file=Path("dump.csv"), clock=SystemClock()):
        ...                             # step.done of step.total; the last one carries the snapshot

The first time the registers are looked for (`search.py`), which takes minutes on a slow line; where they are
is kept beside the dump, and from then on a snapshot takes a few requests. An open port is locked, so that
nobody can scan a line while the monitor polls it.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from monitor.clock import Clock
from monitor.devices.asking import PAUSE_S, Asker, Nothing
from monitor.devices.dump import Row, append_snapshot, last_time
from monitor.devices.link import RegisterLink
from monitor.devices.places import Places, Run, load_places, save_places
from monitor.devices.search import Reach, Search
from monitor.errors import NoAnswer


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What one snapshot holds: its time as in the dump, rows, and how it was got."""

    time: str
    rows: tuple[Row, ...]
    places: Places
    requests: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Step:
    """How far a scan is. phase is 'looking' while places are searched, then 'reading'."""

    phase: str
    done: int
    total: int
    registers: int
    snapshot: Snapshot | None = None


def places_file(dump: Path) -> Path:
    """Where the places of a dump's device are kept: beside it."""
    return dump.with_name(f"{dump.stem}.places.json")


def scan(
    link: RegisterLink,
    unit: int,
    file: Path,
    clock: Clock,
    reach: Reach = Reach.USUAL,
    largest: int | None = None,
    pause_s: float = PAUSE_S,
) -> Iterator[Step]:
    """Append one snapshot of the unit's registers to the dump `file`.

    largest is the most registers in one read where that is known; else it is learnt. Raises DumpError and
    PlacesError for files that cannot be used, DeviceError where the device does not answer. A search that is
    broken off begins anew the next time; a snapshot is in the file whole or not at all.
    """
    last = last_time(file)
    device = f"{link.name}, unit {unit}"
    places = load_places(places_file(file), device)
    asker = Asker(link, unit, pause_s)
    if places is None:
        search = Search(asker, reach, largest)
        for _ in search.steps():
            yield Step("looking", search.done, search.total, search.registers)
        places = search.found()
        if not places.runs:
            raise NoAnswer(" ".join(places.remarks) or "The device answers, but has no register to be read.")
        save_places(places, places_file(file), device)
    if last is not None:  # two snapshots of one second would be one
        after_ms = round(datetime.fromisoformat(last).timestamp() * 1000) + 1000
        while clock.now_ms() < after_ms <= clock.now_ms() + 2000:
            time.sleep(0.05)
    yield from _snapshot(asker, places, file, clock)


def _snapshot(asker: Asker, places: Places, file: Path, clock: Clock) -> Iterator[Step]:
    started_s, started_ms, before = clock.elapsed_s(), clock.now_ms(), asker.requests
    rows: list[Row] = []
    waiting = list(reversed(_blocks(places)))
    total = places.registers
    gone: set[tuple[int, int]] = set()
    while waiting:
        block = waiting.pop()
        got = asker.ask(block.function, block.first, block.count)
        if isinstance(got, Nothing) and got is not Nothing.SILENCE and block.count > 1:
            half = block.count // 2
            waiting += [
                Run(block.function, block.first + half, block.count - half),
                Run(block.function, block.first, half),
            ]
        elif isinstance(got, Nothing):
            got = asker.ask(block.function, block.first, block.count)  # a single silence may be chance
        if isinstance(got, tuple):
            rows += [(block.function, block.first + at, word) for at, word in enumerate(got)]
        elif block.count == 1 or got is Nothing.SILENCE:
            gone |= {(block.function, block.first + at) for at in range(block.count)}
        yield Step("reading", len(rows), total, len(rows))
    if not rows:
        raise NoAnswer("none of the registers that this scan remembers answers; is it the same device?")
    rows.sort()
    remarks = places.remarks
    if gone:
        count = "1 register" if len(gone) == 1 else f"{len(gone)} registers"
        remarks = (*remarks, f"{count} that answered before did not this time; not in this snapshot.")
    moment = append_snapshot(file, started_ms, rows)
    seconds, requests = clock.elapsed_s() - started_s, asker.requests - before
    told = Places(places.runs, places.largest, remarks)
    yield Step("reading", total, total, len(rows), Snapshot(moment, tuple(rows), told, requests, seconds))


def _blocks(places: Places) -> list[Run]:
    """The requests of one snapshot: each run in as few and as equal parts as the unit's limit allows."""
    blocks: list[Run] = []
    for run in places.runs:
        parts = -(-run.count // places.largest)
        edges = [run.first + run.count * part // parts for part in range(parts + 1)]
        blocks += [Run(run.function, first, end - first) for first, end in pairwise(edges)]
    return blocks
