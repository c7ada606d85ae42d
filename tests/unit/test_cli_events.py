"""`nightbank events` as a person types it: what is in the store, newest first, and nothing else."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.clock import SystemClock
from monitor.records import Event
from monitor.store.embedded import open_writer
from tests.unit.site_files import MARSH_HIDE, write

HOUR_MS = 3_600_000
REFUSED = "The server takes nothing: wrong token. Nothing is lost; it is tried again."


@pytest.fixture
def site(tmp_path: Path) -> Path:
    file = write(tmp_path, MARSH_HIDE)
    now_ms = SystemClock().now_ms()
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as store:
        store.add_event(Event(now_ms - 3 * HOUR_MS, "start", "", "The monitor has started."))
        store.add_event(Event(now_ms - 2 * HOUR_MS, "mirror", "hub", REFUSED))
        answering = "answering on /dev/serial/by-id/usb-adapter-of-the-charger"
        store.add_event(Event(now_ms - HOUR_MS, "device", "charger", answering))
        store.commit()
    return file


def events(site: Path, *words: str) -> str:
    done = CliRunner().invoke(main, ["events", str(site), *words])
    assert done.exit_code == 0, done.output
    return done.stdout


def test_what_has_happened_is_told_newest_first(site: Path) -> None:
    newest, mirror, oldest = events(site).splitlines()
    assert newest.endswith("device  charger: answering on /dev/serial/by-id/usb-adapter-of-the-charger")
    assert mirror.endswith(f"mirror  hub: {REFUSED}")
    assert oldest.endswith("start   The monitor has started.")


def test_one_kind_alone_and_no_more_than_asked_for(site: Path) -> None:
    (told,) = json.loads(events(site, "--kind", "mirror", "--json"))
    assert (told["kind"], told["subject"], told["text"]) == ("mirror", "hub", REFUSED)
    assert len(events(site, "--limit", "2").splitlines()) == 2


def test_a_kind_of_which_there_is_nothing_names_those_that_there_are(site: Path) -> None:
    assert "there is: device, mirror, start." in events(site, "--kind", "miror")
    assert (
        events(site, "--from", "2001-01-01", "--to", "2001-01-02") == "Nothing has happened in this time.\n"
    )


def test_what_an_event_is_about_is_named_once(site: Path) -> None:
    raised = "Raised. Low voltage: 11.80 V is below 12.00 V (since 16:49)."
    with open_writer(site.parent / "nightbank.db", "Europe/London") as store:
        store.add_event(Event(SystemClock().now_ms() - 1000, "alarm", "Low voltage", raised))
        store.commit()
    assert events(site).splitlines()[0].endswith(f"alarm   {raised}")
