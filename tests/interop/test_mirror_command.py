"""`nightbank mirror` as people and systemd use it, on a real server: run, status, once, again."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from monitor.cli import main
from monitor.pin import pin_path, set_pin
from monitor.records import LogEntry, Reading
from monitor.store.embedded import open_reader, open_writer
from tests.interop.mirror_world import BUCKET, NOON_MS, put, some_readings, stored
from tests.interop.series_servers import Gate, Influx
from tests.unit.site_files import MARSH_HIDE
from tests.waiting import wait_for

MIRROR = """
[store]
commit_every_s = 1

[[mirrors]]
name = "hub"
url = "{url}"
bucket = "hide"
every_s = 1
"""


@pytest.fixture
def site(tmp_path: Path, gate: Gate) -> Path:
    """A site file with a mirror, and two hundred polls in its store."""
    file = tmp_path / "hide.toml"
    file.write_text(MARSH_HIDE + MIRROR.format(url=gate.url))
    put(tmp_path / "nightbank.db", some_readings(200))
    return file


def nightbank(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["mirror", *map(str, arguments)])


def test_the_process_sends_what_there_is_and_what_comes_and_ends_when_told(
    site: Path, influx: Influx
) -> None:
    store = site.with_name("nightbank.db")
    command = [sys.executable, "-m", "monitor.cli", "mirror", str(site), "run"]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    try:
        wait_for(lambda: influx.values(BUCKET) == stored(store))
        put(store, [Reading(NOON_MS + 7, "shunt", "battery_voltage_V", 11.5)])
        wait_for(lambda: influx.values(BUCKET) == stored(store))
        beside = nightbank(site, "once")
        assert beside.exit_code == 1
        assert f"(process {process.pid}) has this store open" in beside.output
    finally:
        process.send_signal(signal.SIGTERM)
        assert process.stderr is not None
        said = process.stderr.read()
        assert process.wait(timeout=60) == 0
    assert "ERROR" not in said
    (document,) = json.loads(nightbank(site, "status", "--json").output)
    assert (document["state"], document["waiting_since"], document["lines_taken"]) == (
        "up to date",
        None,
        401,
    )
    assert document["sent_to"] == "2026-11-24T12:16:36.500Z"


def test_once_sends_all_and_says_so(site: Path, influx: Influx) -> None:
    before = nightbank(site, "status")
    assert "never sent" in before.output
    sent = nightbank(site, "once")
    assert (sent.exit_code, sent.output) == (0, "hub: up to date\n")
    assert influx.values(BUCKET) == stored(site.with_name("nightbank.db"))
    after = nightbank(site, "status")
    assert "up to date" in after.output
    assert "It took 400 lines in all" in after.output


def test_what_a_server_has_lost_is_sent_again_when_asked_for(site: Path, influx: Influx) -> None:
    store = site.with_name("nightbank.db")
    nightbank(site, "once")
    influx.ask(f"DROP DATABASE {BUCKET}")
    influx.ask(f"CREATE DATABASE {BUCKET}")
    nightbank(site, "once")
    assert influx.values(BUCKET) == {}, "the mirror cannot know"
    asked = nightbank(site, "again", "--from", "2026-11-24T12:10", "--mirror", "hub")
    assert asked.exit_code == 0, asked.output
    nightbank(site, "once")
    from_ms = NOON_MS + 600_000
    assert influx.values(BUCKET) == {key: v for key, v in stored(store).items() if key[0] >= from_ms}


def test_trouble_is_told_with_what_to_do_and_without_losing_a_reading(
    site: Path, gate: Gate, influx: Influx
) -> None:
    gate.open_with("return 401;")
    try:
        sent = nightbank(site, "once")
    finally:
        gate.open_with()
    assert sent.exit_code == 1
    assert "look at the mirror's secret" in sent.output
    said = nightbank(site, "status").output
    assert "hub (http://127.0.0.1" in said
    assert ": waiting" in said
    assert re.search(r"Since [\d: -]+ it takes nothing: .*401", said)
    with open_reader(site.with_name("nightbank.db")) as reader:
        assert [event.subject for event in reader.events(0, 2**50) if event.kind == "mirror"] == ["hub"]
    assert nightbank(site, "once").exit_code == 0
    assert influx.values(BUCKET) == stored(site.with_name("nightbank.db"))


def test_a_missing_secret_is_told_with_where_to_write_it(site: Path) -> None:
    site.write_text(site.read_text() + 'secret = "hub"\n')
    sent = nightbank(site, "once")
    assert sent.exit_code == 1
    assert "there is no secret 'hub'" in sent.output


def test_refused_values_are_shown_with_the_servers_words(site: Path, influx: Influx) -> None:
    influx.write(BUCKET, f"nightbank,site=x,device=x array_power_W=3i {NOON_MS}")
    assert nightbank(site, "once").exit_code == 0
    said = nightbank(site, "status").output
    assert "It refused 200 values" in said
    assert "charger: array_power_W 19" in said
    assert "field type conflict" in said


def test_all_that_pages_need_goes_and_nothing_secret(site: Path, influx: Influx) -> None:
    site.write_text(site.read_text() + 'send = ["all"]\nsecret = "hub"\n')
    secrets = site.with_name("secrets.toml")
    secrets.touch(mode=0o600)
    secrets.write_text('hub = "me:lamp-and-moss"\nphone = "json://lantern-and-reed@192.0.2.9"\n')
    file = pin_path(site.with_name("nightbank.db"))
    set_pin(file, "reed-48-lantern")
    with open_writer(site.with_name("nightbank.db"), "Europe/London") as writer:
        writer.put_note("basis", "A note.")
        writer.add_log_entry(LogEntry(NOON_MS, "water", "topped up", {"water_L": 0.5}, "me", NOON_MS))
        writer.commit()
    sent = nightbank(site, "once")
    assert (sent.exit_code, sent.output) == (0, "hub: up to date\n")
    everything = json.dumps(influx.ask("SELECT * FROM /.*/ GROUP BY *", db=BUCKET))
    for kept in ("A note.", "topped up", "nightbank_hour", "nightbank_flawed", 'bucket = \\\\\\"hide'):
        assert kept in everything, kept
    for word in ("lamp-and-moss", "lantern-and-reed", "reed-48-lantern"):
        assert word not in everything
    kept_of_pin = re.findall(r'"([^"]{16,})"', file.read_text())
    assert len(kept_of_pin) >= 2, "hash and salt"
    assert not any(part in everything for part in kept_of_pin)
    said = nightbank(site, "status").output
    assert re.search(r"Alarms, notes, the log .* are there as of \d{4}-", said)


def test_a_mirror_that_is_not_there_is_told(site: Path) -> None:
    refused = nightbank(site, "once", "--mirror", "hubb")
    assert refused.exit_code == 2
    assert "known: hub" in refused.output


def test_a_site_without_mirrors_says_so(tmp_path: Path) -> None:
    file = tmp_path / "hide.toml"
    file.write_text(MARSH_HIDE)
    put(tmp_path / "nightbank.db", some_readings(1))
    assert "has no [[mirrors]] yet" in nightbank(file, "status").output
    assert nightbank(file, "once").exit_code == 1
    assert nightbank(file, "run").exit_code == 0


def test_a_server_that_is_away_holds_no_other_up(site: Path, influx: Influx, gate: Gate) -> None:
    away = MIRROR.split("[[mirrors]]")[1].format(url="http://127.0.0.1:1").replace('"hub"', '"away"')
    site.write_text(site.read_text().replace("[[mirrors]]", f"[[mirrors]]{away}\n[[mirrors]]"))
    sent = nightbank(site, "once")
    assert sent.exit_code == 1
    assert sent.output.splitlines()[0] == "away: 127.0.0.1:1: cannot be reached (no connection)"
    assert sent.output.splitlines()[1] == "hub: up to date"
    states = [each["state"] for each in json.loads(nightbank(site, "status", "--json").output)]
    assert states == ["waiting", "up to date"]
    assert influx.values(BUCKET) == stored(site.with_name("nightbank.db"))
