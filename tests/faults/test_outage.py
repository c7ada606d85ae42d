"""Three days without a network, with kills at random moments: what must arrive arrives, and nothing lies.

The store and the HTTP server are real and the noticer is a process that is killed without warning; only time
is driven, in steps of five minutes. The alarms are drawn anew in every run; the seed is printed.
"""

from __future__ import annotations

import json
import random
import re
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.records import Notice, parse_iso
from monitor.store.embedded import open_reader
from tests.faults.notice_server import Arrival, NoticeServer
from tests.unit.site_files import MARSH_HIDE

START_MS = parse_iso("2026-11-22T06:00:00Z")
HOUR_MS, STEP_MS = 3_600_000, 300_000
BEFORE_H, OUTAGE_H, AFTER_H = 3, 72, 5
OUTAGE_MS = START_MS + BEFORE_H * HOUR_MS
BACK_MS = OUTAGE_MS + OUTAGE_H * HOUR_MS
END_MS = BACK_MS + AFTER_H * HOUR_MS
KILLS, WAITING_KILLS = 16, 6
ALARMS = 60
RANK = {"medium": 1, "high": 2, "urgent": 3}
SITE = (
    MARSH_HIDE
    + """
[notices]
repeat_every_min = 60

[[channels]]
name = "far"
kind = "hook"
url = "http://127.0.0.1:{port}/"
"""
)


class Story:
    """What happens: alarms by step, the server's modes by step, and at which steps the noticer is killed."""

    def __init__(self, seed: int) -> None:
        rng = random.Random(seed)
        self.steps = range(START_MS + STEP_MS, END_MS + 1, STEP_MS)
        self.alarms: dict[int, list[list]] = {}
        self.raised: dict[str, tuple[int, str, int | None]] = {}
        self.returned: dict[str, int] = {}
        self.acknowledged: dict[str, int] = {}
        last_ms = BACK_MS + HOUR_MS
        for number in range(ALARMS):
            name = f"Sign {number:02d}"
            at_ms = rng.choice([each for each in self.steps if each <= last_ms])
            priority = rng.choice(["medium", "high", "high", "urgent"])
            worthless_ms = at_ms + rng.randint(1, 9) * HOUR_MS if rng.random() < 0.25 else None
            self.raised[name] = (at_ms, priority, worthless_ms)
            self._add(at_ms, name, "raised", priority, worthless_ms)
            end = rng.random()
            later_ms = at_ms + STEP_MS * rng.randint(1, 200)
            if end < 0.4 and later_ms <= END_MS:
                self.returned[name] = later_ms
                self._add(later_ms, name, "returned", priority, None)
            elif end < 0.5 and later_ms <= END_MS:
                self.acknowledged[name] = later_ms
                self._add(later_ms, name, "acknowledged", priority, None)
        self.modes = self._modes(rng)
        failing = [at_ms for at_ms, mode in self.modes.items() if mode in ("down", "fail")]
        self.waiting_kills = set(rng.sample(failing, WAITING_KILLS))
        self.kills = self.waiting_kills | set(rng.sample(list(self.steps), KILLS - WAITING_KILLS))
        self.rng = rng

    def _add(self, at_ms: int, *alarm: object) -> None:
        self.alarms.setdefault(at_ms, []).append(list(alarm))

    def _modes(self, rng: random.Random) -> dict[int, str]:
        modes, until_ms, mode = {}, 0, "ok"
        for at_ms in self.steps:
            if not OUTAGE_MS <= at_ms < BACK_MS:
                mode = "ok"
            elif at_ms >= until_ms:
                until_ms = at_ms + rng.randint(1, 8) * HOUR_MS
                mode = rng.choice(["down", "down", "fail"])
            modes[at_ms] = mode
        for at_ms in rng.sample([each for each in self.steps if OUTAGE_MS <= each < BACK_MS], 12):
            modes[at_ms] = "break"
        return modes


class Child:
    """The noticer's process; started again after every kill."""

    def __init__(self, site_file: Path) -> None:
        self.site_file = site_file
        self.process: subprocess.Popen[str] | None = None

    def start(self, now_ms: int) -> None:
        command = [sys.executable, "-m", "tests.faults.noticer_child", str(self.site_file), str(now_ms)]
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )

    def send(self, to_ms: int, alarms: list[list]) -> None:
        self.process.stdin.write(json.dumps({"to": to_ms, "alarms": alarms}) + "\n")
        self.process.stdin.flush()

    def step(self, to_ms: int, alarms: list[list]) -> None:
        self.send(to_ms, alarms)
        assert self.process.stdout.readline() == f"{to_ms}\n", "the noticer ended by itself"

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        self.process.stdin.close()
        self.process.stdout.close()


@pytest.fixture
def server() -> Iterator[NoticeServer]:
    server = NoticeServer()
    yield server
    server.close()


def live_through(story: Story, server: NoticeServer, site_file: Path) -> None:
    child = Child(site_file)
    child.start(START_MS)
    for at_ms in story.steps:
        server.now_ms = at_ms
        server.set(story.modes[at_ms])
        alarms = story.alarms.get(at_ms, [])
        if at_ms in story.kills:
            child.send(at_ms, alarms)
            time.sleep(story.rng.uniform(0, 0.05))
            child.kill()
            child.start(at_ms)
            if at_ms in story.waiting_kills:
                kill_while_it_waits(child, server, at_ms, alarms)
        child.step(at_ms, alarms)
    child.process.stdin.close()
    assert child.process.wait(60) == 0
    child.process.stdout.close()


def kill_while_it_waits(child: Child, server: NoticeServer, at_ms: int, alarms: list[list]) -> None:
    """A kill between the other end taking a notice and answering; a fresh noticer tries at once."""
    mode = server.mode
    server.set("hang")
    before = server.requests
    child.send(at_ms, alarms)
    end_s = time.monotonic() + 2
    while server.requests == before and time.monotonic() < end_s:
        time.sleep(0.002)
    child.kill()
    server.set(mode)
    child.start(at_ms)


def test_after_three_days_of_outage_and_kills_everything_arrives_once_or_marked(
    tmp_path: Path, server: NoticeServer, seed: int
) -> None:
    story = Story(seed)
    site_file = tmp_path / "hide.toml"
    site_file.write_text(SITE.format(port=server.port), encoding="utf-8")
    live_through(story, server, site_file)
    with open_reader(tmp_path / "nightbank.db") as reader:
        rows = reader.notices(limit=10_000)
        assert reader.open_notices() == [] or all(n.next_ms > END_MS for n in reader.open_notices())
    states = Counter(row.state for row in rows)
    tries = sum(row.attempts for row in rows)
    print(
        f"{len(rows)} notices {dict(states)}, {tries} tries, {len(server.arrivals)} arrivals, {KILLS} kills"
    )
    assert states["delivered"] > 10
    assert tries > states["delivered"] + KILLS
    check_rows(rows, server.arrivals)
    check_copies(server.arrivals)
    check_order(server.arrivals)
    check_told_before_over(server.arrivals)
    check_story(story, server.arrivals)


def named(arrivals: list[Arrival], alarm: str) -> list[Arrival]:
    """What came that tells of an alarm, by itself or in a digest."""
    return [each for each in arrivals if alarm in each.document["title"] + each.document["text"]]


def check_rows(rows: list[Notice], arrivals: list[Arrival]) -> None:
    """The store says of every notice what the other end saw of it."""
    by_id: dict[str, list[Arrival]] = {}
    for arrival in arrivals:
        by_id.setdefault(arrival.document["id"], []).append(arrival)
    for row in rows:
        came = by_id.get(f"{row.created_ms}-{row.id}", [])
        if row.state == "delivered":
            assert [each for each in came if each.answered], row
        elif row.state == "withdrawn" and "digest" in row.last_error:
            digests = [each for each in arrivals if each.document["kind"] == "digest"]
            assert named(digests, row.about), row
        else:
            assert not [each for each in came if each.answered], row
        if row.expires_ms is not None:
            assert all(each.at_ms < row.expires_ms for each in came), row


def check_copies(arrivals: list[Arrival]) -> None:
    """Whatever came before in any form comes again only marked, and says so in words."""
    seen: set[str] = set()
    for arrival in arrivals:
        document = arrival.document
        keys = {document["id"]}
        if document["kind"] in ("alarm", "returned", "came and went"):
            keys.add(f"{document['kind']} {document['about']}")
        if document["kind"] == "digest":
            for entry in document["text"].split(";"):
                kind = (
                    "came and went"
                    if "came and went" in entry
                    else "returned"
                    if " over " in entry
                    else "alarm"
                )
                keys.add(f"{kind} {re.search(r'Sign [0-9][0-9]', entry).group()}")
        if keys & seen:
            assert document["maybe_twice"], document
            assert "may have reached you already" in document["text"]
        seen |= keys


def check_order(arrivals: list[Arrival]) -> None:
    """When the network is back, what had waited comes with the highest priority first."""
    flushed = [each for each in arrivals if each.answered and each.at_ms >= BACK_MS]
    first_ms = flushed[0].at_ms
    ranks = [RANK[each.document["priority"]] for each in flushed if each.at_ms == first_ms]
    assert len(ranks) > 3
    assert ranks == sorted(ranks, reverse=True)


def check_told_before_over(arrivals: list[Arrival]) -> None:
    """That an alarm is over is told only to who was told of it."""
    for place, arrival in enumerate(arrivals):
        if arrival.document["kind"] in ("returned", "all clear"):
            earlier = named(arrivals[:place], arrival.document["about"])
            assert [each for each in earlier if each.document["kind"] in ("alarm", "digest")], arrival


def check_story(story: Story, arrivals: list[Arrival]) -> None:
    """Judged by the story alone, not by what the store says."""
    for name, (raised_ms, priority, worthless_ms) in story.raised.items():
        told = named(arrivals, name)
        if worthless_ms is not None:
            late = [each for each in told if each.document["kind"] == "alarm" and each.at_ms >= worthless_ms]
            assert not late, (name, late)
            continue
        known_ms = story.acknowledged.get(name, END_MS)
        over_ms = story.returned.get(name, END_MS)
        if priority == "medium" and min(over_ms, END_MS) - raised_ms < 2 * HOUR_MS:
            continue  # may be over before a digest was due
        if priority == "medium" and over_ms < BACK_MS:
            continue  # over in the outage: withdrawn
        if known_ms > BACK_MS + HOUR_MS or known_ms < raised_ms:
            assert told, (name, raised_ms, priority)
