"""The page of many sites in a browser: sound in every light on a small phone, with scripts and without."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from urllib.parse import quote

import pytest
from click.testing import CliRunner
from playwright.sync_api import expect

from monitor.cli import main
from monitor.store.embedded import open_writer
from tests.browser.conftest import Visit
from tests.browser.test_walk import PHONE, SIDEWAYS, WATCH, faults_of, sound
from tests.browser.test_walk import axe as axe
from tests.interop.mirror_world import BUCKET
from tests.interop.series_servers import Gate, Influx
from tests.interop.sites_world import HOUR_MS, LOW, SENTENCE, a_site, described, low_voltage
from tests.ports import free_port
from tests.waiting import wait_for

NAMES = ("Marsh hide", "Staustufenwehrwärterhäuschenmessstation:linksufer,am_Nordarm", "Old barn")
PATHS = (
    *("/?page=1", "/?show=trouble", "/?find=nothing", "/site?name=Old+barn", "/site?name=Marsh+hide"),
    f"/site?name={quote(NAMES[1])}",
)
SCRIPTS = 30_000
"""Patience [ms] for a page that renews itself: it looks every five seconds, and its server asks every 15."""


class World:
    """Four sites on a server, and the process that serves their page; url as `Visit` wants it."""

    def __init__(self, folder: Path) -> None:
        (folder / "influx").mkdir()
        (folder / "gate").mkdir()
        self.influx = Influx(folder / "influx")
        self.influx.start()
        self.gate = Gate(folder / "gate", self.influx.port)
        self.gate.start()
        self.influx.ask(f"CREATE DATABASE {BUCKET}")
        url, (hide, weir, barn) = self.gate.url, NAMES
        self.hide_file = a_site(folder, hide, url)
        a_site(folder, weir, url, alarms=(low_voltage("urgent"),), night=False)
        a_site(folder, barn, url, age_ms=3 * HOUR_MS)
        a_site(folder, "Readings only", url, send=("measured",))
        own = f'[[sites]]\nname = "{barn}"\npage = "http://192.0.2.10:8480"\n'
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}/"
        command = [sys.executable, "-m", "monitor.cli", "sites", str(described(folder, url, own)), "page"]
        command += ["--host", "127.0.0.1", "--port", str(self.port)]
        self.log = folder / "page.log"
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(command, stderr=log, stdout=log)
        wait_for(lambda: "The page:" in self.log.read_text(encoding="utf-8"))

    def end(self) -> int:
        self.process.terminate()
        status = self.process.wait(60)
        self.gate.stop()
        self.influx.stop()
        return status


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    world = World(tmp_path_factory.mktemp("sites"))
    yield world
    assert world.end() == 0
    assert "ERROR" not in world.log.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("look", "scheme", "locale"),
    [("phone", "light", "en-GB"), ("phone", "dark", "en-US"), ("night", "light", "de-DE")],
)
def test_every_page_is_sound_in_every_light_and_at_every_size(world, chromium, axe, look, scheme, locale):
    visit = Visit(chromium)
    page = visit.open(
        world, **PHONE, look=look, scheme=scheme, locale=locale, init=WATCH + axe, path=PATHS[0]
    )
    faults = {}
    for path in PATHS:
        page.goto(world.url.rstrip("/") + path)
        faults[path] = faults_of(page, look, scheme)
    sound(visit, faults)


def test_with_letters_of_twice_the_size_nothing_scrolls_sideways(world, visit):
    page = visit.open(world, **PHONE, path=PATHS[0])
    sizes = {"standard": 32, "fixed": 26}
    page.context.new_cdp_session(page).send("Page.setFontSizes", {"fontSizes": sizes})
    assert page.evaluate(SIDEWAYS) == []


def test_without_scripts_the_list_and_a_site_are_there_and_a_name_is_found(world, visit):
    page = visit.open(world, **PHONE, path=PATHS[0], java_script_enabled=False)
    assert page.locator("li.site h2").first.inner_text() == NAMES[1]
    page.get_by_role("searchbox").fill("MARSH")
    page.get_by_role("button", name="Find").click()
    assert page.url.endswith("/?find=MARSH")
    assert page.locator("li.site").count() == 1
    page.get_by_role("link", name="Marsh hide").click()
    assert page.url.endswith("/site?name=Marsh+hide")
    expect(page.locator("#sentence")).to_have_text(SENTENCE.replace(" %", "\N{NO-BREAK SPACE}%"))
    assert page.locator(".night-line").count() == 1


def test_the_choice_of_light_leads_back_to_the_same_sites(world, visit):
    page = visit.open(world, **PHONE, path="/?show=trouble", look=None, java_script_enabled=False)
    page.get_by_role("link", name="day", exact=True).click()
    assert page.url.endswith("/?show=trouble")
    assert page.locator("html").get_attribute("data-look") == "day"


def test_an_open_list_hears_of_a_new_alarm_by_itself(world, visit):
    page = visit.open(world, **PHONE, path="/?find=marsh")
    hide = page.locator('li.site[data-site="Marsh hide"]')
    expect(hide.locator(".notice")).to_have_count(0)
    with open_writer(world.hide_file.with_name("nightbank.db"), "Europe/London") as writer:
        writer.put_alarm(low_voltage())
        writer.commit()
    sent = CliRunner().invoke(main, ["mirror", str(world.hide_file), "once"])
    assert sent.exit_code == 0, sent.output
    expect(hide.locator(".notice.alarm")).to_contain_text(LOW, timeout=SCRIPTS)


def test_a_phone_that_writes_otherwise_than_the_page_is_answered_anew_at_once(world, visit):
    """No timer runs here, so that nothing but what the phone's own script finds out can renew the list."""
    page = visit.open(world, **PHONE, path=PATHS[0], init="window.setInterval = () => 0")
    page.context.add_cookies([{"name": "form", "value": "cp24dmy", "url": world.url}])
    page.reload()
    expect(page.locator("#as-of")).to_have_attribute("data-count", "1", timeout=SCRIPTS)
