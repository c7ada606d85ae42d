"""The mirror on real servers: what went in is read back, refusals and outages lose nothing.

The servers are Debian's influxdb 1.6.7 behind nginx, and victoria-metrics; each reads and answers by itself.
"""

from __future__ import annotations

import json
import signal
import subprocess
from collections import Counter
from datetime import UTC, date, datetime, time
from pathlib import Path

import pytest

from monitor.errors import ServerError, Trouble
from monitor.mirror.book import book_path, look_up
from monitor.notices.secrets import Secrets
from monitor.records import Reading, to_ms
from monitor.served.lines import Lines
from monitor.served.reader import open_served_reader
from monitor.served.server import Server
from monitor.site.server_table import ServerKeys
from monitor.store.embedded import open_reader, open_writer
from monitor.store.mirrored_place import Point
from monitor.store.mirrored_records import record
from tests.interop.mirror_world import (
    BUCKET,
    NOON_MS,
    SITE,
    entry,
    mirroring,
    put,
    some_readings,
    stored,
)
from tests.interop.series_servers import BUSY, FEW, Gate, Influx, Relay, Victoria


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "nightbank.db"
    put(path, some_readings(200))
    return path


def events(store: Path) -> list[str]:
    with open_reader(store) as reader:
        return [event.text for event in reader.events(0, 2**50) if event.kind == "mirror"]


# --- read back -------------------------------------------------------------------------------------------


def test_influxdb_gives_back_what_went_in(influx: Influx, gate: Gate, store: Path) -> None:
    with mirroring(store, gate.url) as mirror:
        mirror.catch_up()
    assert influx.values(BUCKET) == stored(store)
    tags = influx.ask('SHOW TAG VALUES WITH KEY = "site"', db=BUCKET)["series"][0]["values"]
    assert tags == [["site", SITE]]


def test_victoria_metrics_gives_back_what_went_in_once(tmp_path: Path, store: Path) -> None:
    folder = tmp_path / "series"
    folder.mkdir()
    with Victoria(folder) as server, mirroring(store, server.url) as mirror:
        mirror.catch_up()
        put(store, [Reading(NOON_MS + 7, "shunt", "battery_voltage_V", 11.5)])  # late
        put(store, some_readings(10, NOON_MS + 2_000_000))
        mirror.catch_up()
        there = server.values()
    # it keeps duplicates (without -dedup.minScrapeInterval): each is there once because it was sent once
    expected = Counter(
        (time_ms, device, name, value) for (time_ms, device, name), value in stored(store).items()
    )
    assert Counter(there) == expected


def test_a_tag_is_read_back_whatever_the_sites_name(influx: Influx, gate: Gate) -> None:
    name = "Hut, no. 2 = \"Élan\"  'x'\n\\"
    server = Server(entry(gate.url), Secrets(Path("none")))
    server.write(Lines(name).of([Point(NOON_MS, "shunt", {"battery_voltage_V": 12.5})]))
    tags = influx.ask('SHOW TAG VALUES WITH KEY = "site"', db=BUCKET)["series"][0]["values"]
    assert tags == [["site", "Hut, no. 2 = \"Élan\" 'x'"]]


# --- what the server refuses -----------------------------------------------------------------------------


def test_one_refused_value_is_set_aside_and_told_and_all_others_go_on(
    influx: Influx, gate: Gate, store: Path
) -> None:
    # somebody wrote whole numbers into this hour's array_power_W before: its type is fixed by that
    influx.write(BUCKET, f"nightbank,site=x,device=x array_power_W=3i {NOON_MS}")
    with mirroring(store, gate.url) as mirror:
        mirror.catch_up()
    expected = {key: value for key, value in stored(store).items() if key[2] != "array_power_W"}
    there = {key: value for key, value in influx.values(BUCKET).items() if key[1] != "x"}
    assert there == expected
    _, state, refused = look_up(book_path(store), "hub", 1000)
    assert state.refused == len(refused) == 200
    assert {(each.point.time_ms, *each.point.values) for each in refused} == {
        (time_ms, name) for time_ms, _, name in stored(store) if name == "array_power_W"
    }
    assert all("field type conflict" in each.words for each in refused)
    (told,) = events(store)
    assert "array_power_W of charger" in told
    assert "field type conflict" in told


def test_a_channel_in_doubt_costs_one_request_a_batch_and_is_taken_again_when_it_can_be(
    influx: Influx, gate: Gate, store: Path
) -> None:
    influx.write(BUCKET, f"nightbank,site=x,device=x array_power_W=3i {NOON_MS}")
    with mirroring(store, gate.url) as mirror:
        mirror.catch_up()
        before, known = mirror.requests, len(events(store))
        put(store, some_readings(20, NOON_MS + 2_000_000))
        mirror.catch_up()
        assert mirror.requests - before == 2, "the others together, and one trial"
        assert len(events(store)) == known, "told once"
        influx.ask(f"DROP DATABASE {BUCKET}")
        influx.ask(f"CREATE DATABASE {BUCKET}")
        new = some_readings(20, NOON_MS + 4_000_000)
        put(store, new)
        mirror.catch_up()
    assert len(influx.values(BUCKET)) == sum(not reading.reason for reading in new)


def test_times_beyond_what_the_server_keeps_are_set_aside_not_tried_for_ever(
    influx: Influx, gate: Gate, tmp_path: Path
) -> None:
    store = tmp_path / "nightbank.db"
    long_ago = some_readings(300, NOON_MS - 20 * 365 * 86_400_000)
    now = some_readings(50)
    put(store, long_ago + now)
    influx.ask(f"CREATE RETENTION POLICY short ON {BUCKET} DURATION 520w REPLICATION 1 DEFAULT")
    with mirroring(store, gate.url) as mirror:
        mirror.catch_up()
        assert len(mirror.written) < 120, "not sent value by value"
    assert influx.values(BUCKET) == {key: v for key, v in stored(store).items() if key[0] >= NOON_MS}
    _, state, _ = look_up(book_path(store), "hub", 1)
    assert state.refused == sum(not reading.reason for reading in long_ago)


def test_a_server_that_refuses_everything_is_no_reason_to_set_anything_aside(
    influx: Influx, gate: Gate, store: Path
) -> None:
    for name in ("array_power_W", "battery_voltage_V", "battery_current_A"):
        influx.write(BUCKET, f"nightbank,site=x,device=x {name}=3i {NOON_MS}")
    influx.write(BUCKET, f"nightbank,site=x,device=x charge_stage=3.5 {NOON_MS}")
    with mirroring(store, gate.url) as mirror:
        mirror.sender.step()
        assert "refuses everything" in mirror.sender.error
        mirror.sender.step()
        influx.ask(f"DROP DATABASE {BUCKET}")
        influx.ask(f"CREATE DATABASE {BUCKET}")
        mirror.sender.step()
        mirror.catch_up()
    assert influx.values(BUCKET) == stored(store)
    assert look_up(book_path(store), "hub", 1)[2] == []
    back, nothing = events(store)
    assert nothing.startswith("The server takes nothing: refuses everything")
    assert back == "The server takes readings again, after less than a minute."


# --- what keeps the server from taking anything ----------------------------------------------------------


@pytest.mark.parametrize(
    ("extra", "trouble", "wait_s", "words"),
    [
        (BUSY, Trouble.BUSY, 7.0, "asks to come back later (503"),
        ("return 401;", Trouble.DENIED, None, "look at the mirror's secret"),
        ("return 404;", Trouble.DENIED, None, "url, bucket and org"),
        ("return 500;", Trouble.UNREACHABLE, None, "is in trouble itself (500"),
        ("return 502;", Trouble.UNREACHABLE, None, "is in trouble itself (502"),
        ("client_max_body_size 10;", Trouble.CONTENT, None, "Entity Too Large"),
    ],
    ids=["busy", "unauthorized", "not found", "its own error", "bad gateway", "too large"],
)
def test_each_answer_is_understood(
    gate: Gate, extra: str, trouble: Trouble, wait_s: float | None, words: str
) -> None:
    server = Server(entry(gate.url), Secrets(Path("none")))
    gate.open_with(extra)
    try:
        with pytest.raises(ServerError) as caught:
            server.write(["nightbank,site=x,device=y battery_voltage_V=12.5 1764028800000"])
    finally:
        gate.open_with()
    assert (caught.value.trouble, caught.value.wait_s) == (trouble, wait_s)
    assert words in str(caught.value)


def test_too_many_requests_are_answered_with_the_wait_that_is_asked_for(gate: Gate) -> None:
    server = Server(entry(gate.url), Secrets(Path("none")))

    def write_many() -> None:
        for _ in range(50):
            server.write(["nightbank,site=x,device=y battery_voltage_V=12.5 1764028800000"])

    gate.open_with(FEW)
    try:
        with pytest.raises(ServerError) as caught:
            write_many()
    finally:
        gate.open_with()
    assert (caught.value.trouble, caught.value.wait_s) == (Trouble.BUSY, 1.0)


def test_a_database_that_is_not_there_is_told_as_an_event_once(
    influx: Influx, gate: Gate, store: Path
) -> None:
    influx.ask(f"DROP DATABASE {BUCKET}")
    with mirroring(store, gate.url) as mirror:
        waits = [mirror.sender.step() for _ in range(3)]
        assert "database not found" in mirror.sender.error
        # first wait 5 s, then twice as long each time, up to half of it off (retry.py, our choice)
        assert all(2.5 * 2**n <= wait <= 5 * 2**n for n, wait in enumerate(waits)), waits
        (told,) = events(store)
        assert told.startswith("The server takes nothing: ")
        influx.ask(f"CREATE DATABASE {BUCKET}")
        mirror.sender.step()
        mirror.catch_up()
    assert influx.values(BUCKET) == stored(store)


def test_the_token_is_sent_and_stands_in_no_error_and_no_log(
    tmp_path: Path, store: Path, caplog: pytest.LogCaptureFixture
) -> None:
    secrets = tmp_path / "secrets.toml"
    secrets.touch(mode=0o600)
    secrets.write_text('hub = "mirror:wrong-and-secret"\n')
    folder = tmp_path / "guarded"
    folder.mkdir()
    with Influx(folder, auth=True) as influx, Gate(folder, influx.port) as gate:
        influx.ask("CREATE USER mirror WITH PASSWORD 'right' WITH ALL PRIVILEGES")
        influx.ask(f"CREATE DATABASE {BUCKET}", u="mirror", p="right")
        with mirroring(store, gate.url, secrets=Secrets(secrets), secret="hub") as mirror:
            mirror.sender.step()
            said = mirror.sender.error
            assert "401" in said
            assert "authorization failed" in said
            secrets.write_text('hub = "mirror:right"\n')  # read again without a new start
            mirror.sender.step()
            mirror.catch_up()
        answer = influx.ask(
            'SELECT count(battery_voltage_V) FROM "nightbank"', db=BUCKET, u="mirror", p="right"
        )
    assert answer["series"][0]["values"][0][1] == 200
    everything = said + caplog.text + "".join(events(store))
    assert "wrong-and-secret" not in everything
    assert "mirror:right" not in everything
    assert b"wrong-and-secret" not in book_path(store).read_bytes()


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL], ids=["stopped", "killed"])
def test_nothing_is_lost_while_the_server_is_away(how: int, tmp_path: Path, store: Path) -> None:
    folder = tmp_path / "own"
    folder.mkdir()
    with Influx(folder) as influx, Gate(folder, influx.port) as gate, mirroring(store, gate.url) as mirror:
        influx.ask(f"CREATE DATABASE {BUCKET}")
        mirror.catch_up()
        influx.stop(how)
        put(store, some_readings(50, NOON_MS + 2_000_000))
        mirror.sender.step()
        assert "502" in mirror.sender.error
        gate.stop()
        put(store, some_readings(50, NOON_MS + 3_000_000))
        mirror.sender.step()
        assert "cannot be reached" in mirror.sender.error
        gate.start()
        influx.start()
        mirror.sender.step()
        mirror.catch_up()
        assert influx.values(BUCKET) == stored(store)


def test_a_server_that_hangs_gets_all_when_it_answers(influx: Influx, gate: Gate, tmp_path: Path) -> None:
    store = tmp_path / "nightbank.db"
    put(store, some_readings(1000))
    with mirroring(store, gate.url, timeout_s=0.3) as mirror:
        influx.signal(signal.SIGSTOP)
        try:
            mirror.sender.step()
            assert "no answer within 0.3 s" in mirror.sender.error
        finally:
            influx.signal(signal.SIGCONT)
    with mirroring(store, gate.url) as mirror:
        mirror.catch_up()
    assert influx.values(BUCKET) == stored(store)


def test_a_lost_answer_makes_a_doubt_and_the_same_again_changes_nothing(
    influx: Influx, gate: Gate, store: Path
) -> None:
    relay = Relay(gate.port)
    try:
        with mirroring(store, relay.url) as mirror:
            relay.mode = "cut"
            mirror.sender.step()
            assert "broke off" in mirror.sender.error
            assert influx.values(BUCKET) == stored(store), "it had arrived"
            relay.mode = "carry"
            mirror.catch_up()
    finally:
        relay.close()
    assert influx.values(BUCKET) == stored(store)


# --- days' statistics ------------------------------------------------------------------------------------


def test_finished_days_are_read_back_as_the_store_has_them(
    influx: Influx, gate: Gate, tmp_path: Path
) -> None:
    store = tmp_path / "nightbank.db"
    put(store, some_readings(800, every_ms=300_000))
    with mirroring(store, gate.url, send=["days"]) as mirror:
        mirror.catch_up()
    with open_reader(store) as reader:
        stats = reader.days(date(2026, 11, 24), date(2026, 11, 26))  # the 27th goes on
    assert len(stats) == 3 * 4
    expected = {
        (to_ms(datetime.combine(stat.day, time(), UTC)), stat.quantity, name): getattr(stat, name)
        for stat in stats
        for name in ("count", "minimum", "mean", "maximum", "integral_h", "covered_s")
    }
    there = influx.days(BUCKET)
    assert {key: there.get(key) for key in expected} == expected
    assert influx.values(BUCKET) == {}, "only days were wanted"


def test_days_of_a_former_time_zone_are_no_answer(influx: Influx, gate: Gate, tmp_path: Path) -> None:
    """They stay on the server, where a mirror deletes nothing, under midnights that are none any more."""
    store = tmp_path / "nightbank.db"
    put(store, some_readings(800, every_ms=300_000))
    keys = ServerKeys.model_validate({"url": gate.url, "bucket": BUCKET})
    for zone in ("UTC", "Asia/Kathmandu"):
        about = record("site", "", json.dumps({"time_zone": zone, "origin": "mirror", "file": ""}))
        with open_writer(store, zone) as writer:
            writer.commit()
        with mirroring(store, gate.url, site=about, send=["all"]) as mirror:
            mirror.catch_up()
        span = date(2026, 11, 20), date(2026, 11, 30)
        month_ms = 30 * 86_400_000
        with open_reader(store) as reader, open_served_reader(keys, SITE, Secrets(store), tmp_path) as copy:
            assert copy.days(*span) == reader.days(*span)
            series = ("battery_voltage_V", NOON_MS - month_ms, NOON_MS + month_ms, 40)
            assert copy.series(*series) == reader.series(*series)


# --- what the line does to it ----------------------------------------------------------------------------


def test_a_slow_server_takes_each_line_once(influx: Influx, gate: Gate, tmp_path: Path) -> None:
    store = tmp_path / "nightbank.db"
    put(store, some_readings(1200))
    relay = Relay(gate.port)
    relay.mode = "slow"
    try:
        with mirroring(store, relay.url) as mirror:
            mirror.catch_up()
            assert len(mirror.written) == len(set(mirror.written)) == 2400
    finally:
        relay.close()
    assert influx.values(BUCKET) == stored(store)


def test_a_secure_line_is_one_to_a_server_that_is_trusted(
    influx: Influx, gate: Gate, tmp_path: Path, store: Path
) -> None:
    own = tmp_path / "own.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=hub",
         "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", own, "-out", tmp_path / "hub.pem"],
        check=True, capture_output=True,
    )  # fmt: skip
    both = tmp_path / "both.pem"
    both.write_text(own.read_text() + (tmp_path / "hub.pem").read_text())
    with Gate(tmp_path, influx.port, certificate=both) as secure:
        with mirroring(store, secure.url) as mirror:
            mirror.sender.step()
            assert "no secure connection" in mirror.sender.error
            assert "certificate" in mirror.sender.error
        assert influx.values(BUCKET) == {}
        with mirroring(store, secure.url, ca="hub.pem") as mirror:
            mirror.catch_up()
    assert influx.values(BUCKET) == stored(store)


# --- the store behind it ---------------------------------------------------------------------------------


def test_a_new_store_in_the_place_of_the_old_one_is_sent_from_its_beginning(
    influx: Influx, gate: Gate, store: Path
) -> None:
    with mirroring(store, gate.url) as mirror:
        mirror.catch_up()
        for file in store.parent.glob("nightbank.db*"):
            if ".mirrors" not in file.name:
                file.unlink()
        put(store, some_readings(50, NOON_MS + 100_000))
        mirror.catch_up()
        influx.ask(f"DROP DATABASE {BUCKET}")
        influx.ask(f"CREATE DATABASE {BUCKET}")
        put(store, [Reading(NOON_MS - 7, "shunt", "battery_voltage_V", 11.5)])
        mirror.catch_up()
        assert influx.values(BUCKET) == {(NOON_MS - 7, "shunt", "battery_voltage_V"): 11.5}
        assert len(mirror.written) == 400 + 100 + 1


def test_without_a_store_it_waits_and_says_so(gate: Gate, tmp_path: Path) -> None:
    with mirroring(tmp_path / "nightbank.db", gate.url) as mirror:
        assert mirror.sender.step() == 60
        assert "there is no store yet" in mirror.sender.error
