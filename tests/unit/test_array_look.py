"""The daemon's look at the array: once a week, by a process, kept in the store; and due with the care."""

from __future__ import annotations

import json
import logging
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from monitor.array_look import NOTE, ArrayLook, Found, Look, last_look
from monitor.care_report import care_report
from monitor.clock import SteppedClock
from monitor.records import Reading, parse_iso
from monitor.site.load import load_site, with_defaults
from monitor.store.base import StoreWriter
from monitor.store.embedded import open_writer
from monitor.sun.findings.finding import Finding, Kind
from tests.unit.site_files import MARSH_HIDE, write
from tests.waiting import wait_for

NIGHT = parse_iso("2026-06-23T02:30:00+01:00")
DAY_MS = 86_400_000
DIRT = Finding(Kind.SOILING, NIGHT - 10 * DAY_MS, None, 0.12, 0.8, "evidence", "the glass")
PRINTED = json.dumps({"findings": [DIRT.document()]})


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as writer:
        yield writer


class Daemon:
    """The look with a command that prints a text, or ends with a complaint where there is none."""

    def __init__(self, folder: Path, store: StoreWriter, printed: str | None) -> None:
        said = "raise SystemExit('no sun yet')" if printed is None else f"print({printed!r})"
        self.clock = SteppedClock(NIGHT)
        self.site = with_defaults(load_site(write(folder, MARSH_HIDE)))[0]
        command = (sys.executable, "-c", said)
        self.look = ArrayLook(self.site, folder / "site.toml", store, self.clock, command, rest_s=0.0)

    def follow(self) -> bool:
        """One look, where it is due; whether it was."""
        self.look.follow()
        is_due = self.look.at_work
        wait_for(self._has_ended)
        return is_due

    def _has_ended(self) -> bool:
        self.look.follow()
        return not self.look.at_work


def test_what_it_finds_stands_in_the_store_and_is_looked_for_again_after_a_week(
    tmp_path: Path, store: StoreWriter
) -> None:
    daemon = Daemon(tmp_path, store, PRINTED)
    assert daemon.follow()
    kept = Found("soiling", DIRT.start_ms, None, 0.12, 0.8)
    assert last_look(store) == Look(date(2026, 6, 23), (kept,))
    again, due = Daemon(tmp_path, store, PRINTED), []
    for days in range(9):
        again.clock.set(NIGHT + days * DAY_MS)
        due += [days] if again.follow() else []
    assert due == [7]


def test_dirt_in_the_store_makes_cleaning_due(tmp_path: Path, store: StoreWriter) -> None:
    daemon = Daemon(tmp_path, store, PRINTED)
    store.append([Reading(NIGHT - DAY_MS, "charger", "battery_voltage_V", 12.5)])
    store.commit()

    def cleaning() -> dict[str, object]:
        return next(t for t in care_report(daemon.site, store)["tasks"] if t["kind"] == "cleaning")

    assert "dirt takes" not in str(cleaning()["why"])
    daemon.follow()
    assert cleaning()["is_due"]
    assert "dirt takes about 12 % of the light (80 % sure)" in str(cleaning()["why"])
    assert care_report(daemon.site, store)["looked"] == "2026-06-23"


def test_what_fails_is_told_once_and_leaves_the_last_look(
    tmp_path: Path, store: StoreWriter, caplog: pytest.LogCaptureFixture
) -> None:
    Daemon(tmp_path, store, PRINTED).follow()
    before = store.note(NOTE)
    with caplog.at_level(logging.WARNING, "nightbank"):
        for printed in (None, "nonsense", '{"findings": [{"kind": "soiling"}]}'):
            daemon = Daemon(tmp_path, store, printed)
            for days in (7, 8):
                daemon.clock.set(NIGHT + days * DAY_MS)
                assert daemon.follow()
    assert store.note(NOTE) == before
    assert len([each for each in caplog.records if "was not looked at" in each.message]) == 3


@pytest.mark.parametrize("note", ["", "nonsense", "[]", "{}", '{"day": "x", "findings": []}'])
def test_a_spoilt_note_is_no_look(store: StoreWriter, note: str) -> None:
    store.put_note(NOTE, note)
    assert last_look(store) is None
