"""The current is cut while the store is written: each commit that had returned is on the card.

The card is an ext4 in a file. While the writer stands still and the kernel writes nothing, the file is
copied: the copy is what the card would hold, without all that was still in the kernel's memory. It is
mounted, which goes through the file system's journal as after a cut, and its store is looked at. The card is
mounted with `commit=60`, which leaves most to the cut.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from monitor.store.embedded import open_reader
from monitor.store.upkeep import troubles
from tests.bench.card_bytes import MOUNTS, Card, card, mounted
from tests.faults.kill_child import BATCH, NAMES
from tests.faults.kill_world import Victims, count

CUTS = 6
CARD_BYTES = 48 * 1024 * 1024
TOOLS = ("mkfs.ext4", "losetup", "mount")


def test_a_power_cut_costs_nothing_that_was_committed(tmp_path: Path, seed: int) -> None:
    if os.geteuid() != 0 or not all(map(shutil.which, TOOLS)):
        pytest.skip("mounting a card needs root, mkfs.ext4 and losetup")
    rng = random.Random(seed)
    with ExitStack() as stack:
        try:
            one = stack.enter_context(card(tmp_path, "card", MOUNTS["commit=60"], CARD_BYTES))
        except subprocess.CalledProcessError:
            pytest.skip("no card may be mounted here")
        store = one.folder / "store.db"
        victims = Victims(tmp_path / "log")
        stack.callback(victims.close)
        pid = victims.start(do="import", store=str(store), first=0, most=10**9)
        stack.callback(lambda: victims.ends(pid, kill=True))
        confirmed = 0
        for cut in range(CUTS):
            time.sleep(rng.uniform(0.0, 0.4))
            os.kill(pid, signal.SIGSTOP)
            copy_at_rest(one, tmp_path / "card.img", tmp_path / "cut.img")
            confirmed = max(confirmed, victims.confirmed())
            os.kill(pid, signal.SIGCONT)
            with mounted(tmp_path / "cut.img", tmp_path / "cut", "defaults") as left:
                check(left.folder / "store.db", confirmed, f"seed {seed}, cut {cut}")
        assert confirmed > CUTS


def copy_at_rest(one: Card, image: Path, copy: Path) -> None:
    """Copy a card's file at a moment at which the kernel writes nothing to it."""
    while True:
        before = one.sectors()
        subprocess.run(["cp", "--sparse=always", image, copy], check=True)
        if one.sectors() == before:
            return


def check(store: Path, confirmed: int, where: str) -> None:
    if confirmed == 0:
        return
    assert list(troubles(store, lambda done, of: None)) == [], where
    with open_reader(store) as reader:
        there = {count(reader, "import", name) for name in NAMES}
    assert there <= {confirmed, confirmed + BATCH}, f"{where}: {confirmed} were confirmed"
