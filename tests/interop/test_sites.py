"""`nightbank sites` over a real server: sites of all kinds, their list and pages, a server that is away."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from flask.testing import FlaskClient

from dashboard.many.app import make_sites_app
from dashboard.many.serve import asker_of
from monitor.cli import main
from monitor.served.many import FILES_S, OUTLOOKS_S, PRESENT_S, Sites
from monitor.served.query import Asker
from monitor.site.sites_file import load_sites
from tests.interop.mirror_world import BUCKET
from tests.interop.series_servers import Gate, Influx, Relay
from tests.interop.sites_world import HOUR_MS, LOW, SENTENCE, a_site, described, low_voltage

ODD = "Weir, \"east\" = 'wet' ä"
PIN = "629514"
HERE = "http://127.0.0.1:8481"
OWN = '\n[[sites]]\nname = "Marsh hide"\npage = "http://192.0.2.10:8480"\n'


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory, influx: Influx, opened_gate: Gate) -> Path:
    """The file of four sites: one well, one with an alarm, one long silent, one with readings only."""
    folder = tmp_path_factory.mktemp("sites")
    influx.ask(f"CREATE DATABASE {BUCKET}")
    url = opened_gate.url
    a_site(folder, "Marsh hide", url)
    a_site(folder, ODD, url, alarms=(low_voltage(),), night=False)
    a_site(folder, "Old barn", url, age_ms=3 * HOUR_MS, night=False)
    a_site(folder, "Readings only", url, send=("measured",))
    return described(folder, url, OWN)


@pytest.fixture(scope="module")
def page(world: Path) -> Iterator[FlaskClient]:
    """The page of these sites, as a browser asks it."""
    found = load_sites(world)
    asker = asker_of(found, world)
    yield make_sites_app(found, asker, Sites(asker, lambda: 0.0), world.with_name("sites")).test_client()
    asker.close()


def nightbank(*arguments: object) -> Any:
    return CliRunner().invoke(main, ["sites", *map(str, arguments)])


def get(page: FlaskClient, path: str, **headers: str) -> Any:
    return page.get(path, base_url=HERE, headers=headers)


def text_of(page: FlaskClient, path: str) -> str:
    """A page's HTML with plain spaces."""
    return get(page, path).get_data(as_text=True).replace("\N{NO-BREAK SPACE}", " ")


# The list


def test_the_list_begins_with_the_site_that_most_needs_a_look(world: Path) -> None:
    listed = nightbank(world, "list", "--json")
    assert listed.exit_code == 0, listed.output
    found = json.loads(listed.output)
    assert [(each["name"], each["need"]) for each in found] == [
        (ODD, "high"),
        ("Old barn", "unwatched"),
        ("Readings only", "unknown"),
        ("Marsh hide", "well"),
    ]
    odd, barn, only, hide = found
    assert [each["text"] for each in odd["alarms"]] == [LOW]
    assert odd["sentence"] == "The bank is 72 % charged (64 to 80 %) and gives 4.1 A, at 12.5 V."
    assert (hide["sentence"], hide["soc"], hide["monitor"]) == (SENTENCE, 0.72, "running")
    assert (hide["page"], odd["page"]) == ("http://192.0.2.10:8480", None)
    assert (barn["soc"], barn["monitor"], barn["oldest_device"]) == (None, "silent", "charger")
    assert (only["sentence"], only["soc"], only["alarms"]) == (None, None, [])
    assert only["oldest_reading"] is not None


def test_the_list_for_people_says_what_is_the_matter(world: Path) -> None:
    said = nightbank(world, "list").output
    assert "▲ Alarm, high priority, active since" in said
    assert "○ Nothing new has come from the site since" in said
    assert 'Not known: only readings are sent from it; with send = ["all"]' in said
    assert f"  {SENTENCE}\n  Charge 72 % (64 to 80 %, 19 times in 20). Oldest reading: charger" in said


class Counting(Asker):
    """An asker that counts its questions."""

    count = 0

    def ask(self, *arguments: Any) -> Any:
        self.count += 1
        return super().ask(*arguments)


def test_all_sites_cost_a_handful_of_questions_and_none_while_nothing_is_due(world: Path) -> None:
    found = load_sites(world)
    plain = asker_of(found, world)
    asker, now_s = Counting(found.server, plain._secrets, world.parent), [0.0]
    sites = Sites(asker, lambda: now_s[0])
    assert len(sites.look()) == 4
    assert asker.count == 6  # present, alarms, names, files, outlooks, and who sends readings only
    sites.look()
    assert asker.count == 6
    now_s[0] = PRESENT_S + 1
    sites.look()
    assert asker.count == 9  # present, alarms, and who sends readings only
    now_s[0] = PRESENT_S + max(OUTLOOKS_S, FILES_S) + 1
    sites.look()
    assert asker.count == 15
    asker.close()


def test_a_site_that_is_new_is_there_with_its_file_as_soon_as_it_is_heard(
    world: Path, opened_gate: Gate, influx: Influx, tmp_path: Path
) -> None:
    found = load_sites(world)
    asker, now_s = asker_of(found, world), [0.0]
    sites = Sites(asker, lambda: now_s[0])
    assert "New hut" not in sites.look()
    a_site(tmp_path, "New hut", opened_gate.url)
    now_s[0] = PRESENT_S + 1
    assert sites.look()["New hut"].site is not None
    influx.ask("DROP SERIES WHERE \"site\" = 'New hut'", db=BUCKET)
    asker.close()


# The pages


def test_the_page_lists_them_with_a_link_to_each(page: FlaskClient) -> None:
    text = text_of(page, "/")
    assert "2 of 4 sites need a look. Of 1 too little is known." in text
    assert 'href="/site?name=Old+barn"' in text
    assert 'href="http://192.0.2.10:8480"' in text
    assert text.index("Old barn") < text.index("Readings only") < text.index("Marsh hide")


def test_the_page_finds_by_name_and_by_trouble(page: FlaskClient) -> None:
    found = text_of(page, "/?find=BARN")
    assert 'data-site="Old barn"' in found
    assert 'data-site="Marsh hide"' not in found
    troubled = text_of(page, "/?show=trouble")
    assert troubled.count("data-site=") == 2
    assert "No site's name holds “&lt;b&gt;”" in text_of(page, "/?find=<b>")


def test_a_sites_page_is_its_page_tonight_without_what_needs_the_site(page: FlaskClient) -> None:
    text = text_of(page, "/site?name=Marsh+hide")
    assert SENTENCE in text
    assert "night-line" in text
    assert 'data-quantity="battery_voltage_V"' in text
    assert "This is a copy of what the site keeps: here you can only look." in text
    # by hand: commits of 60 s, a mirror of 900 s and 30 s to send
    assert "While all goes well it is at most 16 min late." in text
    assert "<form" not in text
    for path in ("/alarms", "/care", "/days", "/plan", "/files"):
        assert f'href="{path}' not in text
    assert 'href="http://192.0.2.10:8480"' in text


def test_a_silent_site_says_so_on_its_page_and_shows_its_values_as_old(page: FlaskClient) -> None:
    text = text_of(page, "/site?name=Old+barn")
    assert "Nothing new has come from the site since" in text
    assert 'class="value stale"' in text
    assert 'class="value live" data-quantity' not in text
    assert "When last read, at" in text


def test_of_a_site_that_sends_readings_only_the_page_says_what_is_known(page: FlaskClient) -> None:
    text = text_of(page, "/site?name=Readings+only")
    assert 'with send = ["all"]' in text
    assert "Oldest reading: charger" in text


def test_an_open_page_hears_only_what_has_changed(page: FlaskClient) -> None:
    text = text_of(page, "/?find=barn")
    seen = text.partition('data-now="')[2].partition('"')[0]
    told = get(page, f"/fresh?find=barn&of=now&seen={seen}").get_json()
    assert told == {"seen": seen, "parts": {}}
    assert {"lead", "sites"} <= get(page, "/fresh?of=now&seen=").get_json()["parts"].keys()
    one = get(page, "/fresh?name=Marsh+hide&of=day&seen=").get_json()["parts"]
    assert "history-told" in one
    assert get(page, "/fresh?of=day").status_code == 404
    assert get(page, "/fresh?name=none&of=now").status_code == 404


def test_headers_policy_and_refusals_are_those_of_a_sites_own_page(page: FlaskClient) -> None:
    answer = get(page, "/")
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'; script-src 'self'; style-src 'self';" in policy
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Cache-Control"] == "no-store"
    assert get(page, "/assets/page.css").headers["Content-Security-Policy"].startswith("default-src 'none'")
    assert page.get("/", base_url="http://elsewhere.example").status_code == 421
    assert page.post("/", base_url=HERE, data={"find": "x"}).status_code == 405
    assert get(page, "/nowhere").status_code == 404
    assert get(page, "/site?name=none", Accept="text/html").status_code == 404
    assert get(page, "/site").status_code == 404
    assert get(page, "/assets/../app.py").status_code == 404


# The PIN, where reading needs it


def test_before_the_pin_nothing_is_shown_and_after_it_everything(
    world: Path, opened_gate: Gate, tmp_path: Path
) -> None:
    file = described(tmp_path, opened_gate.url, "[page]\nreading_needs_pin = true\n")
    typed = CliRunner().invoke(main, ["sites", str(file), "pin"], input=f"{PIN}\n{PIN}\n")
    assert "The PIN is set." in typed.output
    found = load_sites(file)
    asker = asker_of(found, file)
    page = make_sites_app(found, asker, Sites(asker, lambda: 0.0), tmp_path / "sites").test_client()
    for path in ("/", "/site?name=Old+barn", "/fresh?of=now"):
        answer = get(page, path)
        assert answer.status_code == 401
        text = answer.get_data(as_text=True)
        assert not [word for word in ("charged", "Nothing new", "Marsh", "readings") if word in text]
    wrong = page.post("/unlock", base_url=HERE, data={"pin": "000001", "back": "/"})
    assert wrong.status_code == 403
    right = page.post("/unlock", base_url=HERE, data={"pin": PIN, "back": "/site?name=Old+barn"})
    assert (right.status_code, right.headers["Location"]) == (303, "/site?name=Old+barn")
    assert 'data-site="Old barn"' in text_of(page, "/")
    assert page.post("/", base_url=HERE, data={}).status_code == 405
    asker.close()


# Trouble


def test_a_server_that_is_away_is_told_calmly_and_not_waited_for_again(tmp_path: Path) -> None:
    file = described(tmp_path, "http://127.0.0.1:1")
    listed = nightbank(file, "list")
    assert listed.exit_code == 1
    assert "127.0.0.1:1: cannot be reached" in listed.output
    found = load_sites(file)
    asker = Refused(found.server, asker_of(found, file)._secrets, tmp_path, rest_s=60.0)
    page = make_sites_app(found, asker, Sites(asker, lambda: 0.0), tmp_path / "sites").test_client()
    for path in ("/", "/site?name=Hide", "/?find=x"):
        answer = get(page, path)
        assert answer.status_code == 200
        assert "The server that has the sites" in answer.get_data(as_text=True)
    assert "cannot be reached" in get(page, "/fresh?of=now").get_json()["parts"]["lead"]["html"]
    assert asker.opened == 1


class Refused(Asker):
    """An asker that counts how often it goes to its server."""

    opened = 0

    def _opened(self) -> Any:
        self.opened += 1
        return super()._opened()


def test_an_open_page_hears_that_the_server_has_gone(world: Path, opened_gate: Gate, tmp_path: Path) -> None:
    relay, now_s = Relay(opened_gate.port), [0.0]
    found = load_sites(described(tmp_path, relay.url))
    asker = asker_of(found, tmp_path / "all.toml")
    page = make_sites_app(found, asker, Sites(asker, lambda: now_s[0]), tmp_path / "sites").test_client()
    try:
        assert SENTENCE in text_of(page, "/site?name=Marsh+hide")
        relay.mode = "refuse"
        asker.close()  # as after a while without questions
        now_s[0] = PRESENT_S + 1
        for path in ("/fresh?of=now&seen=", "/fresh?name=Marsh+hide&of=now&seen="):
            lead = get(page, path).get_json()["parts"]["lead"]["html"]
            assert "does not answer as it should" in lead
    finally:
        relay.close()
        asker.close()


def test_a_database_that_is_missing_is_told_with_what_to_do(opened_gate: Gate, tmp_path: Path) -> None:
    file = described(tmp_path, opened_gate.url)
    file.write_text(file.read_text().replace(BUCKET, "nowhere"))
    listed = nightbank(file, "list")
    assert listed.exit_code == 1
    assert "look at the server's bucket" in listed.output


def test_a_file_that_is_wrong_is_told_with_key_and_line(tmp_path: Path) -> None:
    file = tmp_path / "all.toml"
    file.write_text('[server]\nurl = "hub"\nbucket = "a"\n')
    listed = nightbank(file, "list")
    assert listed.exit_code == 1
    assert "line 2: server.url: is no address" in listed.output
