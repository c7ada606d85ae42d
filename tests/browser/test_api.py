"""The addresses for other programs, asked of the real page server over a real store.

schemathesis makes requests, good and bad, out of the description and holds every answer against it; a second
library judges the description itself by the OpenAPI standard.
"""

import json
import subprocess
import sys
import urllib.error
import urllib.parse
import urllib.request
from contextlib import closing
from datetime import date

import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from monitor.day_book import note_key
from monitor.local_days import zone_of
from monitor.outlook import OUTLOOK_NOTE
from monitor.outlook.document import document
from monitor.outlook.make import make
from monitor.present import present
from monitor.records import AlarmState, Transition, iso_utc, to_datetime
from monitor.site.load import load_site
from monitor.store.embedded import open_reader, open_writer
from tests.browser.conftest import HOUR
from tests.browser.test_tonight import BASIS, NOW
from tests.unit.outlook_world import LAMPS, UTC_HIDE
from tests.unit.test_outlook_make import known_of

DOCUMENTS = ("/api/v1/latest", "/api/v1/outlook", "/api/v1/alarms")
ADDRESSES = (*DOCUMENTS, "/api/v1/openapi.json", "/metrics")
DAY = 24 * HOUR

REQUESTS = 50
"""So many requests of each address are drawn beside those that try each value's limits (our choice)."""

LEFT_OUT = "positive_data_acceptance"
"""schemathesis' check that whatever fits the description is answered: that `to` lies after `from` and that
30 February is no date cannot be said in a schema."""

YESTERDAY = {
    "date": "2026-11-24",
    "sky": "broken",
    "harvest_Wh": 612.4,
    "clear_sky_Wh": 1190.0,
    "unused_Wh": 12.0,
    "used_Wh": 431.0,
    "battery_voltage_min_V": 12.21,
    "full": False,
    "unused_sd_Wh": 4.0,
    "index": 0.551,
    "variability": 8.4,
    "scale": 0.93,
    "lowest_soc": 0.66,
    "reference_yield_h": 1.6,
    "array_yield_h": 1.361,
    "final_yield_h": 0.958,
    "performance_ratio": 0.599,
    "array_ratio": 0.851,
    "array_ratio_free": None,
}
"""An entry as `nightbank days --json` prints it (invented)."""


@pytest.fixture(scope="module")
def evening(shared_hide):
    """A day of readings, an alarm that stands and was acknowledged, an outlook as it is made, an entry."""
    hide = shared_hide
    raised_ms = hide.now_ms() - 2 * HOUR
    alarm = AlarmState(
        "Low voltage", "acknowledged", raised_ms, "high", 11.4, "Low voltage: 11.4 V", raised_ms
    )
    made = document(make(known_of(UTC_HIDE + LAMPS)), zone_of("UTC"))
    hide.store(
        [*hide.yesterday(), *hide.present(NOW)],
        health=[hide.healthy()],
        basis=BASIS,
        alarms=[alarm],
        outlook=made,
    )
    with closing(open_writer(hide.store_file, "Europe/London")) as writer:
        writer.put_note(note_key(to_datetime(hide.now_ms() - DAY).date()), json.dumps(YESTERDAY))
        for ago_ms, before, after, cause in (
            (2 * HOUR, "normal", "unacknowledged", "raised"),
            (HOUR, "unacknowledged", "acknowledged", "acknowledged"),
        ):
            time_ms = hide.now_ms() - ago_ms
            writer.add_transition(
                Transition(time_ms, "Low voltage", before, after, cause, "high", "11.4 V", {"x": 11.4})
            )
        writer.commit()
    hide.serve()
    return hide


def asked(hide, path, method="GET", host=None, **query):
    """Status, headers and body; values of the query are encoded."""
    address = hide.url.rstrip("/") + path + (f"?{urllib.parse.urlencode(query)}" if query else "")
    request = urllib.request.Request(address, method=method, headers={} if host is None else {"Host": host})
    try:
        with urllib.request.urlopen(request, timeout=60) as answer:
            return answer.status, answer.headers, answer.read().decode()
    except urllib.error.HTTPError as refused:
        with refused:
            return refused.code, refused.headers, refused.read().decode()


def told(hide, path, **query):
    status, headers, body = asked(hide, path, **query)
    assert status == 200, body
    assert headers["Content-Type"] == "application/json"
    return json.loads(body)


def test_requests_made_out_of_the_description_find_no_fault(evening):
    done = subprocess.run(
        [
            *(sys.executable, "-c", "from schemathesis.cli import schemathesis; schemathesis()", "run"),
            f"{evening.url}api/v1/openapi.json",
            *("--phases", "examples,coverage,fuzzing", "--max-examples", str(REQUESTS)),
            *("--exclude-checks", LEFT_OUT, "--seed", "1", "--generation-deterministic"),
            *("--continue-on-failure", "--no-color", "--warnings", "off"),
        ],
        cwd=evening.folder,
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stdout[-8000:] + done.stderr[-2000:]
    assert "Tested: 6" in done.stdout, done.stdout[-3000:]


def test_the_description_is_one_after_openapi_3_1(evening):
    OpenAPIV31SpecValidator(told(evening, "/api/v1/openapi.json")).validate()


def test_latest_is_what_the_command_says(evening):
    found = told(evening, "/api/v1/latest")
    with closing(open_reader(evening.store_file)) as reader:
        command = present(load_site(evening.site_file), reader)
    assert found["stage"] == command["stage"] == "off"
    assert found["basis"] == command["basis"] == list(BASIS)
    assert found["quantities"]["state_of_charge"]["value"] == command["soc"] == 0.72
    for name, row in command["quantities"].items():
        here = found["quantities"][name]
        assert here["age_s"] == pytest.approx(row["age_s"], abs=10)
        assert {key: here[key] for key in row if key != "age_s"} == {
            key: value for key, value in row.items() if key != "age_s"
        }


def test_a_range_covers_its_readings_and_names_the_hour_without(evening):
    start, end = (iso_utc(evening.now_ms() - ago) for ago in (DAY, 0))
    query = {"quantity": "load_current_A", "from": start, "to": end, "points": 48}
    found = told(evening, "/api/v1/range", **query)
    assert found["unit"] == "A"
    assert 44 <= len(found["buckets"]) <= 48
    lamps = [bucket["mean"] for bucket in found["buckets"]]
    assert (min(lamps), max(lamps)) == (0.5, 4.0)
    (gap,) = found["gaps"]
    assert gap["from"][:13] in (
        iso_utc(evening.now_ms() - 16 * HOUR)[:13],
        iso_utc(evening.now_ms() - 16 * HOUR - 60_000)[:13],
    )


def test_a_range_of_codes_has_no_mean(evening):
    start, end = (iso_utc(evening.now_ms() - ago) for ago in (HOUR, -HOUR))
    (bucket,) = told(
        evening, "/api/v1/range", **{"quantity": "charge_stage", "from": start, "to": end, "points": 1}
    )["buckets"]
    assert (bucket["min"], bucket["mean"], bucket["max"]) == (0, None, 0)


def test_a_long_range_is_made_of_whole_hours_and_each_is_exact(evening):
    query = {"quantity": "load_current_A", "from": "2026-06-01T12:00:00Z", "to": "2026-11-26T12:00:00Z"}
    found = told(evening, "/api/v1/range", **query)
    assert 2 <= len(found["buckets"]) < 10  # the day and a bit that the store holds
    assert {bucket["from"][13:] for bucket in found["buckets"]} == {":00:00Z"}
    with closing(open_reader(evening.store_file)) as reader:
        rows = reader.rows(["load_current_A"], 0, evening.now_ms())
        loads = [(time_ms, row["load_current_A"]) for time_ms, row in rows]
    for bucket in found["buckets"]:
        inside = [load for time_ms, load in loads if bucket["from"] <= iso_utc(time_ms) < bucket["to"]]
        assert bucket["count"] == len(inside)
        assert bucket["mean"] == pytest.approx(sum(inside) / len(inside), rel=1e-4)
        assert (bucket["min"], bucket["max"]) == (min(inside), max(inside))


def test_days_come_from_the_book_where_it_has_them(evening):
    found = told(evening, "/api/v1/days", **{"from": "2026-11-23", "to": "2026-11-25"})
    empty, judged, today = found["days"]
    assert found["time_zone"] == "Europe/London"
    assert (empty["read"], empty["judged"], empty["harvest_Wh"]) == (False, False, None)
    assert {key: judged[key] for key in YESTERDAY} == YESTERDAY
    assert (today["judged"], today["sky"], today["full"]) == (False, None, None)
    assert today["battery_voltage_min_V"] < 12.5


def test_alarms_come_with_what_to_do_and_their_changes(evening):
    (alarm,) = told(evening, "/api/v1/alarms")["alarms"]
    assert (alarm["name"], alarm["state"], alarm["stands"]) == ("Low voltage", "acknowledged", True)
    assert alarm["do_first"]
    found = told(evening, "/api/v1/alarms", **{"from": iso_utc(evening.now_ms() - 3 * HOUR)})
    assert [change["cause"] for change in found["changes"]] == ["acknowledged", "raised"]
    assert found["complete"] is True
    older = {
        "from": iso_utc(evening.now_ms() - 3 * HOUR),
        "to": iso_utc(evening.now_ms() - 2 * HOUR + 60_000),
    }
    (raised,) = told(evening, "/api/v1/alarms", **older)["changes"]
    assert raised["cause"] == "raised"


def test_metrics_are_told_as_openmetrics(evening):
    status, headers, body = asked(evening, "/metrics")
    assert status == 200
    assert headers["Content-Type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    values = {family.name: family.samples[0].value for family in text_string_to_metric_families(body)}
    assert values["nightbank_battery_voltage_volts"] == NOW["battery_voltage_V"]
    assert values["nightbank_state_of_charge_ratio"] == NOW["state_of_charge"]


@pytest.mark.parametrize("path", ADDRESSES)
def test_a_head_request_is_told_the_same_without_the_body(evening, path):
    status, headers, body = asked(evening, path, "HEAD")
    assert (status, body) == (200, "")
    assert headers["Content-Type"] == asked(evening, path)[1]["Content-Type"]


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
@pytest.mark.parametrize("path", ADDRESSES)
def test_nothing_can_be_changed(evening, path, method):
    status, headers, body = asked(evening, path, method)
    assert status == 405
    assert headers["Allow"] == "GET, HEAD"
    assert "nothing can be changed" in json.loads(body)["error"]


@pytest.mark.parametrize(
    "path", ["/api/", "/api/v1/", "/api/v1/latest/", "/api/v2/latest", "/api/v1/../../etc/passwd"]
)
def test_an_unknown_address_is_told_the_known_ones(evening, path):
    status, _, body = asked(evening, path)
    assert status == 404
    assert "/api/v1/latest" in json.loads(body)["error"]


@pytest.mark.parametrize("path", ["/", "/days", "/alarms", "/_dash-layout", "/assets/page.css", *ADDRESSES])
def test_under_a_foreign_name_nothing_is_answered(evening, path):
    """A page on the internet may let its own name point here; the browser then sends that name."""
    status, _, body = asked(evening, path, host="rebound.example:8480")
    assert status == 421
    assert "names = [...]" in body
    assert "battery" not in body
    assert asked(evening, path, host="hut.local:8480")[0] == 200


def test_a_name_of_the_site_file_is_answered(hide):
    text = hide.site_file.read_text(encoding="utf-8") + '\n[page]\nnames = ["Hut.Lan"]\n'
    hide.site_file.write_text(text, encoding="utf-8")
    hide.store(hide.present(NOW))
    hide.serve()
    assert asked(hide, "/api/v1/latest", host="hut.lan")[0] == 200
    assert asked(hide, "/api/v1/latest", host="hut.example")[0] == 421


def test_before_the_first_reading_everything_is_told_in_words(hide):
    hide.serve()
    for path in (*DOCUMENTS, "/metrics"):
        status, headers, body = asked(hide, path)
        assert (status, headers["Content-Type"]) == (503, "application/json"), path
        assert "nightbank monitor" in json.loads(body)["error"], path
    assert asked(hide, "/api/v1/openapi.json")[0] == 200
    hide.store()
    status, _, body = asked(hide, "/api/v1/outlook")
    assert (status, "no outlook has been made yet" in body) == (404, True)
    assert told(hide, "/api/v1/latest")["quantities"] == {}


def test_a_damaged_document_is_told_and_not_passed_on(hide):
    hide.store(hide.present(NOW))
    with closing(open_writer(hide.store_file, "Europe/London")) as writer:
        writer.put_note(OUTLOOK_NOTE, '{"at": "2026-')
        writer.put_note(note_key(date(2026, 11, 25)), '{"date": "2026-')
        writer.commit()
    hide.serve()
    for path in ("/api/v1/outlook", "/metrics"):
        status, _, body = asked(hide, path)
        assert (status, "the store's outlook cannot be read" in json.loads(body)["error"]) == (503, True)
    assert "outlook cannot be read" in asked(hide, "/")[2]
    (day,) = told(hide, "/api/v1/days", **{"from": "2026-11-25", "to": "2026-11-25"})["days"]
    assert (day["judged"], day["battery_voltage_min_V"]) == (False, NOW["battery_voltage_V"])
