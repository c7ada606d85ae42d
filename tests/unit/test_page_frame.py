"""What a person wrote stays what they wrote: in the title, in the text, on every page. And no address of the
page's leads a browser into an empty corner."""

from __future__ import annotations

import json
from html.parser import HTMLParser

import pytest
from flask.testing import FlaskClient

from dashboard.app import make_app
from dashboard.daemon import Notice
from dashboard.markup import html_text
from dashboard.notices import notice
from monitor.site.load import load_site
from monitor.store.embedded import leave_request, open_reader
from tests.unit.site_files import MARSH_HIDE, write

NAME = """</title><b>Ä &amp; "B"</b> {%scripts%} {%nav%} @NAV@ 'n'"""
"""Each of these marks means something to HTML or to the frames around the pages."""

PAGES = ("/", "/days", "/days/closer", "/days/report", "/alarms", "/care", "/plan", "/unlock", "/nowhere")
BROWSER = {"Host": "localhost", "Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}


class Read(HTMLParser):
    """Title and first heading as a browser reads them, and how many elements there are of each kind."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.title, self.heading, self.counts = "", "", dict.fromkeys(("b", "nav"), 0)
        self._within = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self._within = tag
        if tag in self.counts:
            self.counts[tag] += 1

    def handle_endtag(self, tag: str) -> None:
        self._within = ""

    def handle_data(self, data: str) -> None:
        if self._within == "title":
            self.title += data
        elif self._within == "h1":
            self.heading += data


@pytest.fixture(scope="module")
def visitor(tmp_path_factory: pytest.TempPathFactory) -> FlaskClient:
    folder = tmp_path_factory.mktemp("frame")
    text = MARSH_HIDE.replace('name = "Marsh hide"', f"name = {json.dumps(NAME, ensure_ascii=False)}")
    site, store = load_site(write(folder, text)), folder / "nightbank.db"
    return make_app(
        lambda: open_reader(store), site, store, lambda asked: leave_request(store, asked)
    ).server.test_client()


@pytest.mark.parametrize("path", PAGES)
def test_a_sites_name_is_shown_as_it_was_written(visitor: FlaskClient, path: str) -> None:
    seen = Read(visitor.get(path, headers=BROWSER).get_data(as_text=True))
    assert seen.title.startswith(f"{NAME}: ")
    assert seen.heading == NAME
    assert seen.counts == {"b": 0, "nav": 1}


def test_a_wrong_address_leads_back_to_the_pages(visitor: FlaskClient) -> None:
    answer = visitor.get("/days/", headers=BROWSER)
    assert answer.status_code == 404
    text = answer.get_data(as_text=True)
    assert "There is no such page here" in text
    assert all(f'href="{path}"' in text for path in ("/", "/days", "/alarms", "/care", "/plan"))
    assert visitor.get("/days/", headers={"Host": "localhost"}).mimetype == "text/plain"


def test_the_address_of_the_lock_leads_to_the_first_page(visitor: FlaskClient) -> None:
    answer = visitor.get("/lock", headers=BROWSER)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/")


def test_no_line_of_a_notice_ends_between_a_number_and_its_unit() -> None:
    shown = html_text(notice(Notice("alarm", "Low charge: 34 to 50 % (since 5 min, 11.6 V)")))
    for whole in ("50\N{NO-BREAK SPACE}%", "5\N{NO-BREAK SPACE}min", "11.6\N{NO-BREAK SPACE}V"):
        assert whole in shown
