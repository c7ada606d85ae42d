"""`nightbank log` as a person types it, with the daemon's keeper answering beside it."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from monitor.care.keeper import LogKeeper
from monitor.cli import main
from monitor.clock import SystemClock
from monitor.site.load import load_site
from monitor.store.embedded import open_writer
from tests.unit.site_files import MARSH_HIDE


class Hide:
    """A site, and a thread that does what the daemon does once a second."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "site.toml"
        self.file.write_text(MARSH_HIDE, encoding="utf-8")
        self._store = open_writer(folder / "nightbank.db", "Europe/London")
        self._keeper = LogKeeper(load_site(self.file), self._store, SystemClock())
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._follow)
        self._thread.start()

    def _follow(self) -> None:
        while not self._stop.is_set():
            if self._keeper.follow():
                self._store.commit()
            time.sleep(0.05)

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        self._store.close()

    def say(self, *words: str) -> Result:
        return CliRunner().invoke(main, ["log", str(self.file), *words])


@pytest.fixture
def hide(tmp_path: Path) -> Iterator[Hide]:
    made = Hide(tmp_path)
    yield made
    made.stop()


def test_what_is_added_is_listed_newest_first(hide: Hide) -> None:
    assert hide.say("list").output == "Nothing has been written down yet.\n"
    added = hide.say("add", "note", "Fuse changed", "--by", "Ada", "--at", "2026-07-01T06:30")
    assert (added.exit_code, added.output) == (0, "Written: note, 1 Jul 06:30.\n")
    gravities = ["--gravity", "1250", "--gravity", "1.215", "--temperature", "15.56"]
    added = hide.say("add", "hydrometer", *gravities, "--at", "2026-07-02T10:00")
    assert "1.207 to 1.242" in added.output  # 0.008 less than read at 60 °F (a maker's 0.004 for 10 °F)
    assert hide.say("list").output.splitlines() == [
        "2026-07-02 10:00  hydrometer, by the command line",
        f"  {added.output[added.output.index('2 cells') :].strip()}",
        "    string 1, battery 1, cell 1: 1.250, corrected 1.242, 82 to 86 % charged",  # as in test_care_log
        "    string 1, battery 1, cell 2: 1.215, corrected 1.207, 62 to 65 % charged",
        "2026-07-01 06:30  note, by Ada",
        "  Fuse changed",
    ]
    newest, oldest = json.loads(hide.say("list", "--json").output)
    assert newest["details"] == {"gravity_1": 1.25, "gravity_2": 1.215, "electrolyte_temperature_C": 15.56}
    assert (oldest["time"], oldest["former"]) == ("2026-07-01T05:30:00Z", [])


def test_voltages_and_a_capacity_are_written_down_and_judged(hide: Hide) -> None:
    volts = [word for each in ("6.30", "6.31", "6.10", "6.30") for word in ("--voltage", each)]
    assert "Out of step is string 2, battery 1" in hide.say("add", "voltages", *volts).output
    tested = hide.say("add", "capacity", "By a workshop", "--capacity", "430", "--band", "40")
    assert "430 ± 40 Ah at the 20-hour rate, 96 % of the rated 450 Ah" in tested.output


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (["add", "note"], "without text"),
        (["add", "water", "--water", "500"], "at most 100"),
        (["add", "x"], "kind"),
    ],
)
def test_what_cannot_be_is_refused_with_status_1(hide: Hide, words: list[str], reason: str) -> None:
    refused = hide.say(*words)
    assert refused.exit_code == 1
    assert reason in refused.output
    assert hide.say("list", "--json").output == "[]\n"


def test_a_time_that_is_none_is_wrong_use(hide: Hide) -> None:
    assert hide.say("add", "note", "x", "--at", "yesterday").exit_code == 2
