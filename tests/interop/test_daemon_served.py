"""A whole site on a server that asks for passwords: the daemon with simulated devices keeps its store there,
the page answers from there and leaves its requests there; and the server goes away for a while."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from click.testing import CliRunner

from dashboard.notices import SERVER_AWAY
from monitor.cli import main
from monitor.pin import pin_path, set_pin
from monitor.records import parse_iso
from monitor.simulated import SimulatorProcess
from monitor.site.load import load_site
from monitor.store.base import StoreReader
from monitor.stores import open_reader
from tests.faults.door_client import Visitor
from tests.interop.mirror_world import BUCKET
from tests.interop.series_servers import Gate, Influx
from tests.ports import free_port
from tests.waiting import wait_for

NOON = parse_iso("2026-06-21T12:00:00Z")
PIN = "739204"
SERVER = '\n[store.server]\nurl = "{}"\nbucket = "{}"\nsecret = "hub"\n'
KEEPER, LOOKER = "keeper:may-do-all", "looker:may-only-read"
PATIENCE_S = 60
NOTE = {"kind": "note", "when": "2026-01-01T10:00"}


class Hut:
    """The site file, the daemon and its pages, all on one server behind a gate."""

    def __init__(self, folder: Path, text: str, influx: Influx, gate: Gate) -> None:
        self.folder, self.influx, self.gate = folder, influx, gate
        self.site_file = folder / "hut.toml"
        self.site_file.write_text(
            text.replace("commit_every_s = 5", "commit_every_s = 1") + SERVER.format(gate.url, BUCKET)
        )
        secrets = folder / "secrets.toml"
        secrets.touch(mode=0o600)
        secrets.write_text(f'hub = "{KEEPER}"\n')
        set_pin(pin_path(folder / "nightbank.db"), PIN)
        self.log = folder / "log"
        self._started: list[subprocess.Popen[bytes]] = []

    def start(self, *command: str, **environment: str) -> subprocess.Popen[bytes]:
        with self.log.open("ab") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "monitor.cli", *command], stderr=log, env=os.environ | environment
            )
        self._started.append(process)
        return process

    def page(self, token: str = "") -> Visitor:
        """A page of its own, with a token that systemd hands it, if one is given; and a visitor to it."""
        port, environment = free_port(), {}
        if token:
            credentials = self.folder / "credentials"
            credentials.mkdir()
            (credentials / "hub").write_text(token)
            environment["CREDENTIALS_DIRECTORY"] = str(credentials)
        self.start("page", str(self.site_file), "--host", "127.0.0.1", "--port", str(port), **environment)
        visitor = Visitor(port)
        wait_for(lambda: answers(visitor))
        return visitor

    def reader(self) -> StoreReader:
        return open_reader(load_site(self.site_file), self.site_file)

    def end(self) -> None:
        for process in self._started:
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
        for process in self._started:
            process.wait(30)


def answers(visitor: Visitor) -> bool:
    try:
        return visitor.get("/api/v1/openapi.json").status == 200
    except OSError:
        return False


@pytest.fixture(scope="module")
def hut(tmp_path_factory: pytest.TempPathFactory, site_text: Callable[..., str]) -> Iterator[Hut]:
    folder = tmp_path_factory.mktemp("hut")
    with (
        Influx(folder, auth=True) as influx,
        Gate(folder, influx.port) as gate,
        SimulatorProcess(folder / "ports", NOON) as simulator,
    ):
        keeper, word = KEEPER.split(":")
        looker, other = LOOKER.split(":")
        who = {"u": keeper, "p": word}
        influx.ask(f"CREATE USER {keeper} WITH PASSWORD '{word}' WITH ALL PRIVILEGES")
        influx.ask(f"CREATE DATABASE {BUCKET}", **who)
        influx.ask(f"CREATE USER {looker} WITH PASSWORD '{other}'", **who)
        influx.ask(f"GRANT READ ON {BUCKET} TO {looker}", **who)
        simulator.ask(do="run", speed=1.0)
        made = Hut(folder, site_text(simulator, every_s=1), influx, gate)
        made.daemon = made.start("monitor", str(made.site_file))
        try:
            yield made
            assert made.daemon.poll() is None, made.log.read_text(encoding="utf-8")
        finally:
            made.end()
        assert made.daemon.returncode == 0
        assert "may-do-all" not in made.log.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def visitor(hut: Hut) -> Visitor:
    """Somebody at the page, once the daemon's first readings are there."""
    visitor = hut.page()
    wait_for(lambda: voltage(visitor) is not None)
    return visitor


def voltage(visitor: Visitor) -> float | None:
    """The live bank voltage as the page tells programs."""
    answer = visitor.get("/api/v1/latest")
    known = json.loads(answer.text)["quantities"] if answer.status == 200 else {}
    row = known.get("battery_voltage_V")
    return row["value"] if row and row["quality"] == "good" else None


def test_the_page_shows_what_the_daemon_keeps_on_the_server(hut: Hut, visitor: Visitor) -> None:
    assert 10 < voltage(visitor) < 16
    text = visitor.get("/").text
    assert SERVER_AWAY not in text
    assert "The monitor has" not in text
    assert 'data-quantity="battery_voltage_V"' in text
    assert not (hut.folder / "nightbank.db").exists()


def test_a_request_left_by_the_page_is_done_by_the_daemon(hut: Hut, visitor: Visitor) -> None:
    assert visitor.unlock(PIN).status == 303
    fields = NOTE | {"text": "Looked at the fuses.", "form_token": visitor.token("/care")}
    sent = visitor.send("/care/write", fields)
    assert sent.status == 303
    number = parse_qs(urlsplit(sent.headers["Location"]).query)["done"][0]
    wait_for(lambda: hut.reader().request(int(number)).done_ms is not None)
    outcome = hut.reader().request(int(number)).outcome
    assert outcome.split(",")[0] in visitor.get(f"/care?done={number}").text
    assert "Looked at the fuses." in visitor.get("/care").text
    (entry,) = hut.reader().log(0, 2**45)
    assert (entry.text, entry.by) == ("Looked at the fuses.", "the page")


def test_a_request_from_the_command_line_is_done_as_well(hut: Hut, visitor: Visitor) -> None:
    done = CliRunner().invoke(main, ["log", str(hut.site_file), "add", "note", "Topped up."])
    assert done.exit_code == 0, done.output
    wait_for(lambda: any(e.text == "Topped up." for e in hut.reader().log(0, 2**45)))


def test_a_page_whose_token_may_only_read_shows_all_and_changes_nothing(hut: Hut, visitor: Visitor) -> None:
    looker = hut.page(LOOKER)
    assert voltage(looker) is not None
    assert looker.unlock(PIN).status == 303
    fields = NOTE | {"text": "By the looker.", "form_token": looker.token("/care")}
    sent = looker.send("/care/write", fields)
    assert sent.status == 503
    assert "Nothing was done." in sent.text
    assert "By the looker." in sent.text  # what was typed is not lost
    assert not [entry for entry in hut.reader().log(0, 2**45) if entry.text == "By the looker."]


def test_while_the_server_is_away_the_page_says_so_and_nothing_is_lost(hut: Hut, visitor: Visitor) -> None:
    last_ms = max(reading.time_ms for reading in hut.reader().latest())
    hut.gate.stop()
    began_s = time.monotonic()
    assert SERVER_AWAY in visitor.get("/").text
    assert visitor.get("/api/v1/latest").status == 503
    assert time.monotonic() - began_s < PATIENCE_S
    time.sleep(4)
    back_ms = time.time_ns() // 1_000_000
    hut.gate.start()
    wait_for(lambda: voltage(visitor) is not None)
    wait_for(lambda: len(polled(hut, last_ms, back_ms)) >= 2)
    assert SERVER_AWAY not in visitor.get("/").text
    assert hut.daemon.poll() is None


def polled(hut: Hut, start_ms: int, end_ms: int) -> list[int]:
    """The times of the bank's voltage in a span."""
    return [time_ms for time_ms, _ in hut.reader().rows(["battery_voltage_V"], start_ms, end_ms)]
