"""The files behind the pictures as a browser gets them: links under each, names, headers, garbage."""

import csv
import json
from datetime import timedelta
from io import StringIO
from urllib.error import HTTPError

import pytest

from dashboard.csv_files import TABLES
from monitor.day_book import note_key
from monitor.records import to_datetime
from monitor.store.embedded import open_writer
from tests.browser.test_tonight import outlook_of


@pytest.fixture(scope="module")
def evening(shared_hide):
    """A day of readings, an outlook, and yesterday's entry in the weather book."""
    hide = shared_hide
    hide.store(hide.yesterday(), health=[hide.healthy()], outlook=outlook_of(hide))
    day = to_datetime(hide.now_ms()).date() - timedelta(days=1)
    entry = dict.fromkeys(("harvest_Wh", "clear_sky_Wh", "unused_Wh", "used_Wh"), 500.0)
    entry |= {"sky": "dark", "battery_voltage_min_V": 12.0, "full": False, "lowest_soc": 0.6}
    with open_writer(hide.store_file, "Europe/London") as writer:
        writer.put_note(note_key(day), json.dumps(entry))
        writer.commit()
    hide.serve()
    return hide


@pytest.mark.parametrize(
    ("path", "files"),
    [
        ("/", {"last-24-hours", "night-line"}),
        ("/days", {"days", "hours-of-the-sun"}),
        ("/days/closer", {"closer"}),
    ],
)
def test_under_each_picture_is_its_file(evening, chromium, path, files):
    page = chromium.new_page(java_script_enabled=False)
    page.goto(evening.url.rstrip("/") + path)
    links = page.get_by_role("link", name="These figures as a file (CSV)").all()
    addresses = [link.get_attribute("href") for link in links]
    page.close()
    assert {address.split("/")[2].split(".csv")[0] for address in addresses} == files
    for address in addresses:
        with evening.get(address) as answer:
            text = answer.read().decode("utf-8")
            assert answer.headers["Content-Type"] == "text/csv; charset=utf-8; header=present"
            told = answer.headers["Content-Disposition"]
        assert told.startswith('attachment; filename="marsh-hide-')
        assert told.endswith('.csv"')
        header, *rows = csv.reader(StringIO(text, newline=""))
        assert rows
        assert all(len(row) == len(header) for row in rows)


def test_a_phones_number_format_changes_no_file(evening):
    plain = evening.get("/files/days.csv").read()
    page = evening.url.rstrip("/") + "/files/days.csv"
    assert plain == ask(page, {"Accept-Language": "de-DE", "Cookie": "format=%2C|.|24|dmy; look=night"})


def ask(address, headers):
    from urllib.request import Request, urlopen

    return urlopen(Request(address, headers=headers), timeout=60).read()


@pytest.mark.parametrize("path", sorted(TABLES))
@pytest.mark.parametrize("query", ["?to=x&days=y&from=z&quantity=%00", "?to=0001-01-01&from=" + "9" * 2000])
def test_garbled_addresses_give_a_file_all_the_same(evening, path, query):
    with evening.get(path + query) as answer:
        assert answer.status == 200


def test_an_unknown_file_is_not_found_and_a_missing_store_is_told(evening, hide):
    with pytest.raises(HTTPError) as refused:
        evening.get("/files/other.csv")
    assert refused.value.code == 404
    hide.serve()
    with pytest.raises(HTTPError) as refused:
        hide.get("/files/days.csv")
    assert refused.value.code == 503
    assert b"there is no store yet" in refused.value.read()
