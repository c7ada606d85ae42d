"""How many bytes reach the memory card in a day: counted below a real file system, in real time.

    sudo python -m tests.bench.card_bytes [--minutes N] [--late]

Each writer gets a card of its own: an ext4 in a file behind a loop device, whose written sectors the kernel
counts (/sys/block/*/stat), the file system's journal among them. All run side by side in real time, since it
goes by the clock when the kernel writes back and when ext4 closes its journal:

- the store alone, a year old, 18 channels each 5 s, a commit a minute;
- the whole daemon on the simulator's two devices, with estimates, alarms and notes, a commit a minute;
- the same with the page process beside it, which nobody asks, and with a phone that shows the page all day;
- the plain script: text times and names, an index, SQLite's usual settings; a commit a row, as it is mostly
  written, and a commit a poll.

All but the script with ext4's usual journal (closed each 5 s) and with `commit=60` at mount. A stretch of
minutes is counted and scaled to a day. What comes seldom (packing, the log written back into the store, a
day's statistics) does not fall into such a stretch, so it is measured in a second way: a whole day of that
store's commits as fast as they go, each followed by a sync. What that day has more than its own first half
hour, scaled, is added to the stretch in real time, and is told by itself.

Daemon and page run under another user's number than root's, as the units have them: SQLite sets the owner of
its log anew with each connection that root opens, which is a write of its own.

--late has the kernel write back after ten minutes what nobody has synced (vm.dirty_expire_centisecs, for the
whole computer, put back at the end), as systemd/README.md tells for a card that is to last.

Not counted: the system's own log, the daemon's note on each past day (once a night, a few KB) and what it
does at its start. Needs root, since it mounts; elsewhere it says so and ends.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager, nullcontext
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from urllib.request import urlopen

import numpy as np

from monitor.demo import site_text
from monitor.records import Reading, iso_utc, to_ms
from monitor.simulated import SimulatorProcess
from monitor.store.connect import WAL_KEPT_BYTES
from monitor.store.embedded import open_reader, open_writer
from monitor.store.writer import EmbeddedWriter
from tests.bench.figures import cost, hand_over, ratio
from tests.bench.page_cost import wait_for_port
from tests.bench.store_speed import (
    CHANNELS,
    EVERY_MS,
    POLLS_A_COMMIT,
    POLLS_A_DAY,
    START_MS,
    hundredths,
    repeat_backwards,
)
from tests.ports import free_port

CARD_BYTES = 512 * 1024 * 1024
SECTOR_BYTES = 512
"""What the kernel counts in, whatever the device (its documentation: block/stat)."""

AS_MADE = ("-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0")
"""mkfs.ext4 writes all at once: left for later, it would be counted as the writer's."""

MOUNTS = {"usual": "defaults", "commit=60": "commit=60"}
STORE, DAEMON, PAGE, PHONE = "store alone", "whole daemon", "daemon, page", "daemon, page, phone"
SCRIPT_A_ROW, SCRIPT_A_POLL = "plain script, a row", "plain script, a poll"
COMMITS_A_DAY = POLLS_A_DAY // POLLS_A_COMMIT
FULL = 9 * POLLS_A_DAY + POLLS_A_DAY // 24
"""Polls that are written before: nine days and an hour, so that seven are packed and can be repeated."""

WEEKS_BEFORE = 51
SCRIPT_FULL = POLLS_A_DAY
"""Polls that the plain script's table has before (our choice: more would favour us and take minutes)."""

FEW_COMMITS = 30
"""Half an hour of commits in which nothing is packed or written back (our choice)."""

SETTLE_S = 90.0
"""Before counting: the daemon's start, the sun's tables and the first outlook are written (our choice)."""

REFRESH_S = 5.0
"""How often an open page asks for what has changed (dashboard/assets/fresh.js)."""

AS_THE_UNITS = (
    "setpriv", "--reuid=65534", "--regid=65534", "--clear-groups",
    "--inh-caps=+dac_override", "--ambient-caps=+dac_override",
)  # fmt: skip
"""Nobody's number; the right to open every file stays, since Python may lie in root's own folder."""

WRITE_BACK_AFTER = Path("/proc/sys/vm/dirty_expire_centisecs")
LATE_CENTISECS = 60_000
"""Ten minutes: seldom beside a commit a minute (our choice)."""

NOON_MS = to_ms(datetime(2026, 6, 21, 12, tzinfo=UTC))


@dataclass(frozen=True, slots=True)
class Card:
    """A mounted file system and the loop device below it."""

    folder: Path
    device: str

    def written(self) -> int:
        """Bytes written to the device so far, all that waits being written first."""
        subprocess.run(["sync", "--file-system", self.folder], check=True)
        return self.sectors() * SECTOR_BYTES

    def sectors(self) -> int:
        """Sectors written to the device so far."""
        return int(Path(f"/sys/block/{self.device}/stat").read_text(encoding="ascii").split()[6])


@contextmanager
def card(under: Path, name: str, options: str, size: int = CARD_BYTES) -> Iterator[Card]:
    """A fresh ext4 in a sparse file, mounted; unmounted and its device released at the end."""
    image = under / f"{name}.img"
    with image.open("wb") as file:
        file.truncate(size)
    subprocess.run(["mkfs.ext4", *AS_MADE, image], check=True)
    try:
        with mounted(image, under / name, options) as made:
            yield made
    finally:
        image.unlink()


@contextmanager
def mounted(image: Path, folder: Path, options: str) -> Iterator[Card]:
    """A file system in a file, mounted; unmounted and its device released at the end."""
    folder.mkdir(exist_ok=True)
    shown = subprocess.run(
        ["losetup", "--find", "--show", image], check=True, stdout=subprocess.PIPE, text=True
    )
    device = shown.stdout.strip()
    try:
        subprocess.run(["mount", "-o", options, device, folder], check=True)
        try:
            yield Card(folder, Path(device).name)
        finally:
            subprocess.run(["umount", folder], check=True)
    finally:
        subprocess.run(["losetup", "--detach", device], check=True)


# --- who writes ------------------------------------------------------------------------------------------


def put(writer: EmbeddedWriter, number: int, row: np.ndarray) -> None:
    """One poll into the store, a commit with each twelfth."""
    time_ms = START_MS + number * EVERY_MS
    values = (row / 100).tolist()
    writer.append(Reading(time_ms, "charger", name, v) for name, v in zip(CHANNELS, values, strict=True))
    if (number + 1) % POLLS_A_COMMIT == 0:
        writer.commit()


def in_real_time(stop: threading.Event) -> Iterator[int]:
    """0, 1, 2 ... each 5 s until stop."""
    begin_s = time.monotonic()
    number = 0
    while not stop.wait(max(0.0, begin_s + number * EVERY_MS / 1000 - time.monotonic())):
        yield number
        number += 1


def prepare(path: Path, data: np.ndarray) -> None:
    """A store that is a year old."""
    with open_writer(path, "UTC") as writer:
        for number in range(FULL):
            put(writer, number, data[number])
    repeat_backwards(path, WEEKS_BEFORE)


def store_alone(path: Path, data: np.ndarray, stop: threading.Event) -> None:
    """A store that is a year old, live."""
    with grown_log(path, "UTC"), open_writer(path, "UTC") as writer:
        for number in in_real_time(stop):
            put(writer, FULL + number, data[FULL + number])


def plain_script(path: Path, data: np.ndarray, stop: threading.Event, *, each_row: bool) -> None:
    """The plain script, whose table has a day already."""
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE readings (time TEXT, quantity TEXT, value REAL)")
        db.execute("CREATE INDEX by_quantity ON readings (quantity, time)")
        for number in range(SCRIPT_FULL):
            db.executemany("INSERT INTO readings VALUES (?, ?, ?)", texts(number, data[number]))
        db.commit()
        for number in in_real_time(stop):
            for text in texts(SCRIPT_FULL + number, data[SCRIPT_FULL + number]):
                db.execute("INSERT INTO readings VALUES (?, ?, ?)", text)
                if each_row:
                    db.commit()
            db.commit()


def texts(number: int, row: np.ndarray) -> list[tuple[str, str, float]]:
    at = iso_utc(START_MS + number * EVERY_MS)
    return [(at, name, value) for name, value in zip(CHANNELS, (row / 100).tolist(), strict=True)]


@contextmanager
def grown_log(path: Path, zone: str) -> Iterator[None]:
    """A store whose log is as long as it gets: a fresh one grows for hours, and each growth costs."""
    with open_writer(path, zone):
        other = sqlite3.connect(path)
    with closing(other):
        other.execute("PRAGMA wal_autocheckpoint = 0")
        other.execute("INSERT INTO note VALUES ('grown', ?)", ("x" * (WAL_KEPT_BYTES - 64 * 4096),))
        other.commit()
        other.execute("DELETE FROM note")
        other.commit()
        other.execute("PRAGMA wal_checkpoint(RESTART)")
        yield


@contextmanager
def daemon(folder: Path, ports: Path) -> Iterator[None]:
    """The daemon with site file and store in a folder, on a simulator of its own with its ports elsewhere."""
    with SimulatorProcess(ports, NOON_MS) as simulator:
        simulator.ask(do="run", speed=1.0)
        text = site_text(simulator)
        if text.count("\nevery_s = 5") != 2 or "commit_every_s = 5" not in text:
            sys.exit("the demo's site file is another than this benchmark knows: look at its intervals")
        site = folder / "site.toml"
        site.write_text(text.replace("commit_every_s = 5", "commit_every_s = 60"), encoding="utf-8")
        log = ports.with_suffix(".log")
        with log.open("wb") as told, grown_log(folder / "nightbank.db", "Europe/London"):
            process = subprocess.Popen(
                [*AS_THE_UNITS, sys.executable, "-m", "monitor.cli", "monitor", str(site)],
                stderr=told,
                env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
            )
            try:
                yield
                if process.poll() is not None:
                    sys.exit(log.read_text(encoding="utf-8"))
            finally:
                process.send_signal(signal.SIGTERM)
                process.wait(30)


@contextmanager
def page(folder: Path, stop: threading.Event, *, phone: bool) -> Iterator[None]:
    """The page process of a daemon's site, and perhaps a phone on which the page lies open."""
    port = free_port()
    command = [*AS_THE_UNITS, sys.executable, "-m", "monitor.cli", "page", str(folder / "site.toml")]
    process = subprocess.Popen(
        [*command, "--host", "127.0.0.1", "--port", str(port)], stderr=subprocess.DEVNULL
    )
    looking = threading.Thread(target=look, args=(f"http://127.0.0.1:{port}/fresh?of=now", stop))
    try:
        wait_for_port(port, time.monotonic() + 60)
        if phone:
            looking.start()
        yield
    finally:
        stop.set()
        if phone:
            looking.join()
        process.terminate()
        process.wait(30)


@contextmanager
def late_write_back() -> Iterator[None]:
    """Have the kernel keep what nobody has synced for ten minutes."""
    before = WRITE_BACK_AFTER.read_text(encoding="ascii")
    WRITE_BACK_AFTER.write_text(str(LATE_CENTISECS), encoding="ascii")
    try:
        yield
    finally:
        WRITE_BACK_AFTER.write_text(before, encoding="ascii")


def look(address: str, stop: threading.Event) -> None:
    """Ask as an open page does, until stop."""
    while not stop.wait(REFRESH_S):
        with urlopen(address, timeout=30) as answer:
            answer.read()


# --- what is measured ------------------------------------------------------------------------------------


def fast_days(under: Path, year: Path, data: np.ndarray) -> tuple[float, float]:
    """MB a day of the store's commits as fast as they go, each synced: of FEW_COMMITS, and of a whole day."""
    with ExitStack() as stack:
        fast = stack.enter_context(card(under, "fast", MOUNTS["usual"]))
        path = Path(shutil.copy(year, fast.folder / "store.db"))
        stack.enter_context(grown_log(path, "UTC"))
        writer = stack.enter_context(open_writer(path, "UTC"))
        before = few = whole = fast.written()
        for number in range(FULL, FULL + POLLS_A_DAY):
            put(writer, number, data[number])
            commits, rest = divmod(number + 1 - FULL, POLLS_A_COMMIT)
            if rest == 0:
                whole = fast.written()
                if commits == FEW_COMMITS:
                    few = whole
    return (few - before) * COMMITS_A_DAY / FEW_COMMITS / 1e6, (whole - before) / 1e6


def live_days(
    under: Path, year: Path, data: np.ndarray, minutes: int
) -> tuple[dict[tuple[str, str], float], int]:
    """MB a day of each writer and mount in real time, scaled; and how many channels the daemon keeps."""
    stop, running = threading.Event(), list[Future[None]]()
    wanted = [(what, mount) for what in (STORE, DAEMON, PAGE, PHONE) for mount in MOUNTS]
    wanted += [(SCRIPT_A_ROW, "usual"), (SCRIPT_A_POLL, "usual")]
    with ExitStack() as stack:
        cards = {
            key: stack.enter_context(card(under, f"card-{place}", MOUNTS[key[1]]))
            for place, key in enumerate(wanted)
        }
        pool = stack.enter_context(ThreadPoolExecutor(len(cards)))
        stack.callback(stop.set)
        for (what, _), each in cards.items():
            path = each.folder / "store.db"
            if what in (DAEMON, PAGE, PHONE):
                stack.enter_context(daemon(each.folder, under / f"ports-{each.folder.name}"))
                if what != DAEMON:
                    stack.enter_context(page(each.folder, stop, phone=what == PHONE))
            elif what == STORE:
                shutil.copy(year, path)
                running.append(pool.submit(store_alone, path, data, stop))
            else:
                a_row = what == SCRIPT_A_ROW
                running.append(pool.submit(plain_script, path, data, stop, each_row=a_row))
        time.sleep(SETTLE_S)
        before = {key: each.written() for key, each in cards.items()}
        begin_s = time.monotonic()
        time.sleep(60.0 * minutes)
        after = {key: each.written() for key, each in cards.items()}
        scale = 86_400 / (time.monotonic() - begin_s) / 1e6
        stop.set()
        for writer in running:
            writer.result()
        with open_reader(cards[DAEMON, "usual"].folder / "nightbank.db") as reader:
            channels = len(reader.latest())
    return {key: (after[key] - before[key]) * scale for key in cards}, channels


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--minutes", type=int, default=5, help="minutes in real time (default 5)")
    parser.add_argument("--late", action="store_true", help="write back after ten minutes")
    given = parser.parse_args()
    minutes = given.minutes
    if minutes < 1:
        parser.error("--minutes must be at least 1")
    if os.geteuid() != 0 or not all(map(shutil.which, ("mkfs.ext4", "losetup", "mount", "setpriv"))):
        print("not measured: this mounts file systems, so it needs root, mkfs.ext4, losetup and setpriv")
        return
    data = hundredths(11)
    with TemporaryDirectory() as name, late_write_back() if given.late else nullcontext():
        Path(name).chmod(0o755)  # the folder is root's own otherwise
        year = Path(name) / "year.db"
        prepare(year, data)
        few, whole = fast_days(Path(name), year, data)
        live, channels = live_days(Path(name), year, data, minutes)
    seldom = whole - few
    print(f"MB a day on ext4, {len(CHANNELS)} channels each 5 s; {minutes} minutes in real time, scaled")
    if given.late:
        print("  what nobody has synced is written back after ten minutes")
    print(f"  a whole day as fast as it goes, synced {whole:8.1f}   its first half hour, scaled {few:.1f}")
    print(f"  so what comes seldom                   {seldom:8.1f}   packing, writing the log back")
    for (what, mount), each in live.items():
        ours = what not in (SCRIPT_A_ROW, SCRIPT_A_POLL)
        note = f"   of it in real time {each:.1f}" if ours else "   in real time"
        note += f", {channels} channels" if what == DAEMON else ""
        print(f"  {what:26} {mount:11} {each + (seldom if ours else 0):8.1f}{note}")
        limit = {} if mount != "usual" or not ours else {"at_most": 55.0}
        hand_over(
            cost(f"to the card in a day: {what}, {mount}", each + (seldom if ours else 0), "MB", **limit)
        )
    store = live[STORE, "usual"] + seldom
    for what in (SCRIPT_A_ROW, SCRIPT_A_POLL):
        print(f"  ratio {what + ' / ' + STORE:44} {live[what, 'usual'] / store:8.1f}")
        hand_over(ratio("bytes to the card: the store alone", store / live[what, "usual"], what))


if __name__ == "__main__":
    main()
