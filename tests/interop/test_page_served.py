"""Commands and page of a site whose readings are on a server: over a copy all can be looked at and nothing
asked for; a server that is away is told calmly everywhere."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from flask.testing import FlaskClient

from dashboard.api import ADDRESSES
from dashboard.app import make_app
from dashboard.csv_files import TABLES
from dashboard.forms import IS_COPY
from dashboard.notices import SERVER_AWAY
from dashboard.pages import PAGES
from monitor.cli import main
from monitor.pin import pin_path, set_pin
from monitor.site.load import load_site
from monitor.stores import leave_request, open_writer, reader_factory
from tests.interop.mirror_world import BUCKET
from tests.interop.series_servers import Gate, Influx, Relay
from tests.interop.sites_world import LOW, SENTENCE, a_site, low_voltage
from tests.unit.site_files import MARSH_HIDE

HERE = "http://127.0.0.1:8480"
SERVER = '\n[store.server]\nurl = "{}"\nbucket = "{}"\n'
PIN = "629514"


def served(folder: Path, url: str) -> Path:
    """The site's file on another computer, with the server as its store."""
    folder.mkdir(exist_ok=True)
    file = folder / "hide.toml"
    file.write_text(MARSH_HIDE + SERVER.format(url, BUCKET), encoding="utf-8")
    return file


def page_of(file: Path) -> FlaskClient:
    """The page of a site file, as a browser asks it."""
    site = load_site(file)
    app = make_app(
        reader_factory(site, file),
        site,
        file.with_name("nightbank.db"),
        lambda asked: leave_request(site, file, asked),
    )
    return app.server.test_client()


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory, influx: Influx, opened_gate: Gate) -> Path:
    """The site's own file, beside its own store, which has been copied."""
    influx.ask(f"CREATE DATABASE {BUCKET}")
    alarms = (low_voltage(),)
    return a_site(tmp_path_factory.mktemp("own"), "Marsh hide", opened_gate.url, alarms=alarms)


@pytest.fixture(scope="module")
def copy(own: Path, tmp_path_factory: pytest.TempPathFactory, opened_gate: Gate) -> Path:
    return served(tmp_path_factory.mktemp("away") / "hide", opened_gate.url)


@pytest.fixture(scope="module")
def page(copy: Path) -> FlaskClient:
    set_pin(pin_path(copy.with_name("nightbank.db")), PIN)
    return page_of(copy)


def nightbank(*arguments: object) -> Any:
    return CliRunner().invoke(main, [*map(str, arguments)])


def text_of(page: FlaskClient, path: str) -> str:
    answer = page.get(path, base_url=HERE)
    assert answer.status_code == 200, path
    return answer.get_data(as_text=True).replace("\N{NO-BREAK SPACE}", " ")


# Commands


@pytest.mark.parametrize(
    "command",
    [
        ("days", "--json"),
        ("alarms", "list"),
        ("alarms", "history"),
        ("log", "list"),
        ("notify",),
        ("bank", "--json"),
        ("export", "--from", "2020-01-01", "--to", "2100-01-01"),
        ("export", "--from", "2020-01-01", "--to", "2100-01-01", "--with-quality"),
    ],
    ids=lambda command: " ".join(command[:1]),
)
def test_a_command_says_of_the_copy_what_it_says_of_the_store(
    own: Path, copy: Path, command: tuple[str, ...]
) -> None:
    name, *rest = command
    there, here = (nightbank(name, file, *rest) for file in (own, copy))
    assert there.exit_code == here.exit_code, here.output
    assert ages_out(here.stdout) == ages_out(there.stdout)


def ages_out(text: str) -> str:
    """Without what goes on with the clock."""
    return "\n".join(line for line in text.splitlines() if '"time"' not in line and "ago" not in line)


def test_now_tells_the_present_of_the_copy(copy: Path) -> None:
    found = json.loads(nightbank("now", copy, "--json").output)
    assert (found["soc"], found["quantities"]["battery_voltage_V"]["value"]) == (0.72, 12.47)
    assert [alarm["text"] for alarm in found["alarms"] if alarm["stands"]] == [LOW]


@pytest.mark.parametrize(
    "command", [("store", "size"), ("store", "check"), ("mirror", "status"), ("mirror", "once")]
)
def test_what_only_a_file_has_is_refused_with_what_to_do(copy: Path, command: tuple[str, str]) -> None:
    name, what = command
    done = nightbank(name, copy, what)
    assert done.exit_code == 1
    assert "are kept on http://127.0.0.1" in done.output
    words = {"store": "look after it there", "mirror": "there is nothing to mirror"}
    assert words[name] in done.output


def test_nothing_can_be_asked_of_a_copy_from_the_command_line(copy: Path) -> None:
    done = nightbank("alarms", copy, "acknowledge", "Low voltage")
    assert done.exit_code == 1
    assert "copy" in done.output


# The page


@pytest.mark.parametrize("path", [page.path for page in PAGES])
def test_every_page_is_there_without_a_form_that_leaves_anything(page: FlaskClient, path: str) -> None:
    text = text_of(page, path)
    assert 'method="post"' not in text
    assert SERVER_AWAY not in text
    if path in ("/alarms", "/care"):
        assert IS_COPY in text
        assert "Unlock with the PIN" not in text


def test_tonight_is_told_as_at_the_site(page: FlaskClient) -> None:
    text = text_of(page, "/")
    assert SENTENCE in text
    assert "72 % charged" in text
    assert LOW in text


@pytest.mark.parametrize("path", [*ADDRESSES, *TABLES])
def test_programs_and_files_get_their_answers(page: FlaskClient, path: str) -> None:
    query = "?quantity=battery_voltage_V&from=2026-11-25T18:00:00Z&to=2026-11-26T08:00:00Z"
    more = query if path.endswith("range") else "?from=2026-11-24&to=2026-11-25" if "days" in path else ""
    assert page.get(path + more, base_url=HERE).status_code in (200, 404)  # 404: nothing to tell yet


def test_a_form_that_is_sent_all_the_same_changes_nothing(page: FlaskClient, influx: Influx) -> None:
    unlocked = page.post("/unlock", base_url=HERE, data={"pin": PIN, "back": "/alarms"})
    assert unlocked.status_code == 303
    assert "<form" not in text_of(page, "/alarms")
    sent = page.post("/alarms/ask", base_url=HERE, data={"kind": "acknowledge", "subject": "all"})
    assert sent.status_code == 403  # no page gave it a token
    found = influx.ask("SELECT * FROM nightbank_record WHERE \"kind\" = 'request'", db=BUCKET)
    assert "series" not in found


SEALED = """
import sys
from pathlib import Path
from monitor.errors import ServerError, StoreError
from monitor.records import Request
from monitor.served.query import Asker
from monitor.served.server import Server
from monitor.served.writer import leave_served_request
from monitor.notices.secrets import Secrets
from monitor.site.load import load_site
from monitor.store.connect import seal
file = Path(sys.argv[1])
site = load_site(file)
seal()
server = Server(site.store.server, Secrets(Path("none")))
head = "nightbank_record,site=Sealed\\ hide"
lines = [
    "nightbank,site=Sealed\\ hide,device=charger battery_voltage_V=1.0 1",
    head + ",kind=log,key=- number=1i,document=\\"{}\\" 1",
    head + "\\,kind\\=request\\,,kind=log,key=- number=1i,document=\\"{}\\" 1",
    head + ",kind=request,key=- number=1i,document=\\"{}\\" 1\\nnightbank,site=b v=1.0 1",
]
for line in lines:
    try:
        server.write([line], in_ns=True)
        print("written")
    except ServerError as error:
        print(error)
try:
    Asker(site.store.server, Secrets(Path("none")), Path()).tell("DELETE FROM nightbank_record")
    print("deleted")
except StoreError as error:
    print(error)
leave_served_request(site, file, Request(1, "acknowledge", "all"))
"""


def test_a_sealed_process_can_leave_requests_on_a_server_and_change_nothing_else(
    influx: Influx, own: Path, opened_gate: Gate, tmp_path: Path
) -> None:
    file = served(tmp_path, opened_gate.url)
    file.write_text(file.read_text().replace("Marsh hide", "Sealed hide"))
    with closing(open_writer(load_site(file), file)) as writer:
        writer.put_note("basis", "as it was")
        writer.commit()
    before = all_of(influx)
    done = subprocess.run([sys.executable, "-c", SEALED, str(file)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    said = done.stdout.splitlines()
    assert len(said) == 5
    assert all("may leave requests in it and change nothing else" in line for line in said), said
    after = all_of(influx)
    assert len(after) == len(before) + 1
    assert [kind for kind in after if kind not in before] == ["request"]


def all_of(influx: Influx) -> list[str]:
    """The kinds of all records of the sealed site, one for each record."""
    found = influx.ask(
        'SELECT "kind", "document" FROM nightbank_record WHERE "site" = \'Sealed hide\'', db=BUCKET
    )
    readings = influx.ask("SELECT * FROM nightbank WHERE \"site\" = 'Sealed hide'", db=BUCKET)
    assert "series" not in readings
    return sorted(kind for _, kind, _ in found["series"][0]["values"])


# Trouble


def test_a_server_that_is_away_is_told_on_every_page(tmp_path: Path) -> None:
    page = page_of(served(tmp_path, "http://127.0.0.1:1"))
    for each in PAGES:
        text = text_of(page, each.path)
        assert SERVER_AWAY in text
        assert "127.0.0.1:1: cannot be reached" in text
    for path in ("/api/v1/latest", "/metrics"):
        answer = page.get(path, base_url=HERE)
        assert answer.status_code == 503
        assert "cannot be reached" in answer.get_json()["error"]
    assert page.get(next(iter(TABLES)), base_url=HERE).status_code == 503


def test_a_server_that_hangs_holds_a_page_up_once_and_no_other_for_a_moment(
    own: Path, tmp_path: Path, opened_gate: Gate, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.stores.PAGE_TIMEOUT_S", 1.0)
    monkeypatch.setattr("monitor.stores.REST_S", 60.0)
    relay = Relay(opened_gate.port)
    try:
        relay.mode = "hang"
        page = page_of(served(tmp_path, relay.url))
        began_s = time.monotonic()
        for each in PAGES:
            assert "no answer within 1 s" in text_of(page, each.path)
        assert time.monotonic() - began_s < 1.0 * len(PAGES)  # one wait for all, not one each
    finally:
        relay.close()


def test_a_site_that_the_server_does_not_know_is_told_with_what_to_do(tmp_path: Path, own: Path) -> None:
    file = served(tmp_path, load_site(own).mirrors[0].url)
    file.write_text(file.read_text().replace("Marsh hide", "Another hide"))
    assert "knows no site 'Another hide'; start its daemon" in text_of(page_of(file), "/")
    done = nightbank("now", file)
    assert done.exit_code == 1
    assert "knows no site" in done.output
