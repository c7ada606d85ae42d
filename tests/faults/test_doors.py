"""Whoever is in the network tries the page's doors: nothing is written, nothing of the inside is told.

The real page process on a real store, without a daemon, so that whatever is asked for stays to be counted.
"""

from __future__ import annotations

import json
import re
import time
from concurrent.futures import ThreadPoolExecutor
from urllib.parse import urlencode

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import seed as drawn_from
from hypothesis import strategies as st

from dashboard.api import ADDRESSES
from dashboard.csv_files import TABLES
from dashboard.gate import FRESH
from dashboard.pages import PAGES
from dashboard.phone import PATHS
from dashboard.tries import FREE
from dashboard.writing import CALLBACK
from monitor.pin import pin_path, set_pin
from monitor.records import AlarmState, Condition
from tests.browser.conftest import Hide
from tests.faults.door_client import FORM, Visitor, raw, tables
from tests.fuzz.drawn import spoilt

PIN = "739204"
JSON = {"Content-Type": "application/json"}
ACKNOWLEDGE = {"kind": "acknowledge", "subject": "Low voltage"}
FUZZ_S = 3.0
"""How long each fuzzing goes on (our choice: some hundreds of requests)."""

INSIDE = re.compile(r"Traceback|File \"|\.py\b|site-packages|sqlite3|werkzeug|waitress", re.IGNORECASE)
"""What would tell of the inside."""


def make_hide(folder, site_more=""):
    hide = Hide(folder)
    hide.site_file.write_text(hide.site_file.read_text(encoding="utf-8") + site_more, encoding="utf-8")
    now_ms = hide.now_ms()
    low = AlarmState(
        "Low voltage", Condition.UNACKNOWLEDGED, now_ms - 60_000, "high", 11.6, "Low voltage: 11.6 V"
    )
    hide.store(hide.present({"battery_voltage_V": 12.4}), alarms=[low])
    set_pin(pin_path(hide.store_file), PIN)
    hide.serve()
    return hide


@pytest.fixture(scope="module")
def hut(tmp_path_factory):
    """A hut for a module's attacks; at the end it must still be alive and its log calm."""
    hide = make_hide(tmp_path_factory.mktemp("hut"))
    yield hide
    alive = hide.get("/").status
    hide.end()
    assert alive == 200
    log = hide.log.read_text(encoding="utf-8")
    assert "Traceback" not in log
    assert " ERROR" not in log
    assert not log.count("ERROR")


@pytest.fixture(scope="module")
def spare(tmp_path_factory):
    """A hut whose PIN may be changed and whose page may be started again."""
    hide = make_hide(tmp_path_factory.mktemp("spare"))
    yield hide
    hide.end()
    assert "Traceback" not in hide.log.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def unlocked(hut):
    """A phone that has given the PIN."""
    visitor = Visitor(hut.port)
    assert visitor.unlock(PIN).status == 303
    return visitor


@pytest.fixture
def untouched(hut):
    """Nothing in store and PIN file may differ after the test."""
    before = tables(hut.store_file), pin_path(hut.store_file).read_bytes()
    yield
    assert (tables(hut.store_file), pin_path(hut.store_file).read_bytes()) == before


def requests_in(hide):
    return len(tables(hide.store_file)["request"])


def lock_token(visitor):
    """The token of the form that locks the page."""
    return re.search(r'action="/lock".*?value="([^"]+)"', visitor.get("/alarms").text)[1]


# The way in, so that the refusals below are worth something.


def test_a_phone_with_the_pin_leaves_one_request_for_a_form_that_it_sends_eight_times_at_once(hut, unlocked):
    before = requests_in(hut)
    fields = {**ACKNOWLEDGE, "form_token": unlocked.token()}

    def press(_):
        again = Visitor(hut.port)
        again.cookie = unlocked.cookie
        return again.send("/alarms/ask", fields)

    with ThreadPoolExecutor(4) as threads:
        done, *others = sorted(threads.map(press, range(8)), key=lambda answer: answer.status)
    assert done.status == 303
    assert {answer.status for answer in others} == {403}
    assert re.fullmatch(r"/alarms\?done=\d+", done.headers["Location"])
    assert requests_in(hut) == before + 1
    assert "Asked for." in unlocked.get(done.headers["Location"]).text


def test_the_session_is_a_random_cookie_that_no_script_and_no_other_site_gets(hut):
    first, second = Visitor(hut.port), Visitor(hut.port)
    first.cookie = f"nightbank-{hut.port}=chosen-by-another"
    given = [visitor.unlock(PIN).headers["Set-Cookie"] for visitor in (first, second)]
    values = [text.partition(";")[0].partition("=")[2] for text in given]
    assert len(set(values)) == 2
    assert "chosen-by-another" not in values
    assert all(len(value) >= 43 for value in values)  # 256 bits in base64
    for text in given:
        parts = {part.strip().lower() for part in text.split(";")[1:]}
        assert {"httponly", "samesite=strict", "path=/", "max-age=43200"} <= parts
        assert "secure" not in parts


# Foreign names and foreign pages.


@pytest.mark.usefixtures("untouched")
@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8480", "127.0.0.1.evil.example", "", "127.0.0.1:99999"]
)
def test_under_a_foreign_name_nothing_is_answered_or_taken(hut, unlocked, host):
    token = unlocked.token()
    for path in ("/", "/alarms", "/care", "/unlock", "/api/v1/latest", "/assets/page.css"):
        assert unlocked.get(path, Host=host).status == 421
    assert unlocked.send("/alarms/ask", {**ACKNOWLEDGE, "form_token": token}, Host=host).status == 421
    assert unlocked.send("/unlock", {"pin": PIN}, Host=host).status == 421


@pytest.mark.usefixtures("untouched")
@pytest.mark.parametrize(
    "sent",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Origin": "http://127.0.0.1"},
        {"Origin": "http://192.0.2.7"},
        {"Origin": "http://hut.local"},
        {"Origin": None, "Referer": "http://evil.example/page"},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
    ],
)
def test_a_form_that_another_page_sends_is_refused_with_the_visitors_own_session(unlocked, sent):
    token = unlocked.token()
    for path, fields in (
        ("/alarms/ask", ACKNOWLEDGE),
        ("/care/write", {"kind": "note", "text": "x"}),
        ("/lock", {}),
    ):
        refused = unlocked.send(path, {**fields, "form_token": token}, **sent)
        assert refused.status == 403
    assert Visitor(unlocked.port).send("/unlock", {"pin": PIN}, **sent).status == 403
    assert "Lock again" in unlocked.get("/alarms").text  # still unlocked


@pytest.mark.parametrize("sent", [{"Origin": "http://evil.example"}, {"Sec-Fetch-Site": "cross-site"}])
def test_another_page_cannot_have_the_callbacks_either(hut, sent):
    visitor = Visitor(hut.port)
    body = json.dumps(senses_of(visitor)[0]).encode()
    assert visitor.ask("POST", CALLBACK, body, JSON).status == 200
    assert visitor.ask("POST", CALLBACK, body, JSON | sent).status == 403


# Tokens.


@pytest.mark.usefixtures("untouched")
def test_a_form_without_its_own_token_is_refused(hut, unlocked):
    other = Visitor(hut.port)
    other.unlock(PIN)
    locks = lock_token(unlocked)
    for token in (
        "",
        "x",
        "\x00",
        other.token(),
        unlocked.token("/care"),
        locks,
        unlocked.cookie.partition("=")[2],
    ):
        refused = unlocked.send("/alarms/ask", {**ACKNOWLEDGE, "form_token": token})
        assert refused.status == 403, token
        assert "Nothing was done" in refused.text
        assert 'href="/alarms"' in refused.text  # the way back
    assert unlocked.send("/alarms/ask", ACKNOWLEDGE).status == 403


@pytest.mark.usefixtures("untouched")
def test_without_a_session_nothing_is_taken(hut, unlocked):
    token = unlocked.token()
    stranger = Visitor(hut.port)
    for cookie in ("", f"nightbank-{hut.port}=", f"nightbank-{hut.port}=AAAA", "nightbank-1=x; x=y"):
        stranger.cookie = cookie
        refused = stranger.send("/care/write", {"kind": "note", "text": "my long words", "form_token": token})
        assert refused.status == 403
        assert "locked" in refused.text
        assert "my long words" in refused.text  # nothing that was typed is lost
        assert "Write down" not in stranger.get("/care").text


def test_a_page_that_is_locked_again_takes_nothing(hut):
    phone = Visitor(hut.port)
    phone.unlock(PIN)
    token, cookie = phone.token(), phone.cookie
    assert (
        phone.send("/lock", {"form_token": lock_token(phone), "back": "/care"}).headers["Location"] == "/care"
    )
    phone.cookie = cookie
    before = requests_in(hut)
    assert phone.send("/alarms/ask", {**ACKNOWLEDGE, "form_token": token}).status == 403
    assert requests_in(hut) == before


def test_another_pin_locks_whoever_is_unlocked(spare):
    phone = Visitor(spare.port)
    phone.unlock(PIN)
    token = phone.token()
    set_pin(pin_path(spare.store_file), "another-pin")
    assert phone.send("/alarms/ask", {**ACKNOWLEDGE, "form_token": token}).status == 403
    assert requests_in(spare) == 0
    assert phone.unlock(PIN).status == 403
    assert phone.unlock("another-pin").status == 303
    set_pin(pin_path(spare.store_file), PIN)


@pytest.mark.usefixtures("untouched")
@pytest.mark.parametrize(
    "back", ["http://evil.example/", "//evil.example", "/\\evil.example", "/assets/x", "\r\nX: y"]
)
def test_the_way_back_leads_nowhere_else(hut, back):
    answer = Visitor(hut.port).send("/unlock", {"pin": PIN, "back": back})
    assert (answer.status, answer.headers["Location"]) == (303, "/")
    assert answer.headers.get("X") is None


# The PIN.


def test_after_wrong_pins_the_right_one_waits_too_and_a_restart_changes_nothing(spare):
    phone = Visitor(spare.port, "127.0.0.8")
    for _ in range(FREE):
        wrong = phone.unlock("111222")
        assert wrong.status == 403
    assert re.search(r"\b(2\d|30) s\b", wrong.text)  # of half a minute, what a busy computer has left
    for more in ({}, {"X_Forwarded_For": "10.1.1.1", "Forwarded": "for=10.1.1.1"}):
        refused = phone.send("/unlock", {"pin": PIN}, **more)
        assert refused.status == 429
        assert 1 <= int(refused.headers["Retry-After"]) <= 31
        assert "Set-Cookie" not in refused.headers
    assert spare.stop() == 0
    spare.serve()
    assert phone.unlock(PIN).status == 429
    assert Visitor(spare.port, "127.0.0.9").unlock(PIN).status == 303  # another phone is not kept out


def test_many_pins_at_once_are_looked_at_one_by_one_and_stay_within_the_limit(spare):
    visitors = [Visitor(spare.port, "127.0.0.11") for _ in range(12)]
    with ThreadPoolExecutor(12) as threads:
        statuses = list(threads.map(lambda visitor: visitor.unlock("111222").status, visitors))
    assert set(statuses) == {403, 429}
    assert statuses.count(403) <= FREE
    # a hash takes 8 MB for a moment; two at once would show (our choice: between the two)
    assert spare.server_peak_MB() - spare.server_rss_MB() < 12


def test_where_wrong_pins_cannot_be_counted_no_pin_is_taken(spare):
    (spare.folder / "nightbank.db.pin-tries.new").mkdir()
    refused = Visitor(spare.port).unlock(PIN)
    (spare.folder / "nightbank.db.pin-tries.new").rmdir()
    assert (refused.status, refused.headers.get("Set-Cookie")) == (503, None)


def test_without_a_pin_the_page_offers_nothing_and_says_how_to_set_one(spare):
    pin_path(spare.store_file).unlink()
    phone = Visitor(spare.port)
    assert "nightbank pin" in phone.get("/alarms").text
    assert "Unlock" not in phone.get("/alarms").text
    assert phone.unlock(PIN).status == 409
    assert phone.send("/alarms/ask", {**ACKNOWLEDGE, "form_token": "x"}).status == 403
    assert requests_in(spare) == 0
    set_pin(pin_path(spare.store_file), PIN)


# Paths, methods, sizes, kinds.

OUTSIDE = [
    "/{}/../app.py", "/{}/..%2fapp.py", "/{}/%2e%2e/app.py", "/{}/%2e%2e%2fapp.py", "/{}/..%5capp.py",
    "/{}//app.py", "/{}/%252e%252e%252fapp.py", "/{}/..%c0%afapp.py", "/{}/....//app.py", "/{}/%00",
    "/{}/page.css%00.js", "/{}/.", "/{}/../../../../../../etc/passwd", "/{}/;/../app.py", "//{}/../app.py",
    "/{}/%2e%2e/%2e%2e/%2e%2e/%2e%2e/%2e%2e/etc/passwd", "/{}/", "/{}", "/{}/../nightbank.db.pin",
]  # fmt: skip


@pytest.mark.usefixtures("untouched")
@pytest.mark.parametrize(
    "room", ["assets", "library", "_dash-component-suites/dash", "_dash-component-suites"]
)
def test_no_path_leads_out_of_what_is_served(hut, room):
    for pattern in OUTSIDE:
        path = pattern.format(room)
        answer = raw(
            hut.port, f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n".encode()
        )
        status = int(answer.split()[1])
        assert status in (400, 404, 421), (path, status)
        for inside in (b"root:", b"make_app", b"salt", b"SQLite format"):
            assert inside not in answer, path


@pytest.mark.usefixtures("untouched")
@pytest.mark.parametrize(
    "method", ["TRACE", "PUT", "DELETE", "PATCH", "OPTIONS", "CONNECT", "PROPFIND", "get"]
)
def test_other_methods_are_not_answered(hut, unlocked, method):
    for path in (
        "/",
        "/alarms",
        "/alarms/ask",
        "/unlock",
        "/assets/page.css",
        "/api/v1/latest",
        "/_dash-layout",
    ):
        answer = raw(
            hut.port,
            f"{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{hut.port}\r\nCookie: {unlocked.cookie}\r\n"
            "Connection: close\r\nX-Secret: canary\r\n\r\n".encode(),
        )
        assert int(answer.split()[1]) in (400, 405, 501), (path, answer[:200])
        assert b"canary" not in answer
    assert unlocked.ask("POST", "/alarms", b"", {"Content-Type": FORM}).status == 405
    assert unlocked.ask("POST", "/assets/page.css", b"").headers["Allow"] == "GET, HEAD"


@pytest.mark.usefixtures("untouched")
@pytest.mark.parametrize(
    "kind", ["application/json", "text/plain", "multipart/form-data; boundary=b", "", "x" * 99]
)
def test_other_kinds_of_bodies_are_refused(unlocked, kind):
    fields = urlencode({**ACKNOWLEDGE, "form_token": unlocked.token()}).encode()
    assert unlocked.ask("POST", "/alarms/ask", fields, {"Content-Type": kind}).status == 415


@pytest.mark.usefixtures("untouched")
def test_what_is_too_large_is_refused(hut, unlocked):
    token = unlocked.token("/care")
    for size in (17_000, 70_000):
        long = {"kind": "note", "text": "x" * size, "form_token": token}
        assert unlocked.send("/care/write", long).status in ((413,) if size < 60_000 else (0, 413))
    assert unlocked.ask("POST", CALLBACK, b"[" * 70_000, JSON).status in (0, 413)
    many = "&".join(f"f{place}=1" for place in range(2000))
    assert unlocked.ask("POST", "/care/write", many.encode(), {"Content-Type": FORM}).status in (403, 413)
    for flood in (
        [f"X-{place}: y" for place in range(3000)],
        ["X: " + "y" * 20_000],
        ["Cookie: " + "a=b; " * 5000],
    ):
        head = "\r\n".join(["GET / HTTP/1.1", "Host: 127.0.0.1", "Connection: close", *flood, "", ""])
        answer = raw(hut.port, head.encode())
        assert answer == b"" or int(answer.split()[1]) in (400, 431), answer[:80]
    chunked = (
        f"POST /care/write HTTP/1.1\r\nHost: 127.0.0.1:{hut.port}\r\nContent-Type: {FORM}\r\n"
        f"Cookie: {unlocked.cookie}\r\n"
    )
    body = b"".join(b"fff\r\n" + b"x" * 0xFFF + b"\r\n" for _ in range(30)) + b"0\r\n\r\n"
    answer = raw(
        hut.port, (chunked + "Transfer-Encoding: chunked\r\nConnection: close\r\n\r\n").encode() + body
    )
    assert answer == b"" or int(answer.split()[1]) in (400, 413)  # it may hang up before we have done


# Fuzzing.


def senses_of(visitor):
    """What the page's own scripts may send: a body for each of Dash's callbacks, as Dash tells them of it."""
    bodies = []
    for told in json.loads(visitor.get("/_dash-dependencies").text):
        output = told["output"]
        names = output[2:-2].split("...") if output.startswith("..") else [output]
        outputs = [dict(zip(("id", "property"), name.rsplit(".", 1), strict=True)) for name in names]
        inputs = [{"id": each["id"], "property": each["property"], "value": 3} for each in told["inputs"]]
        changed = [f"{each['id']}.{each['property']}" for each in inputs]
        bodies.append({"output": output, "outputs": outputs, "inputs": inputs, "changedPropIds": changed})
    assert bodies
    return bodies


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=10), inner, max_size=4),
    max_leaves=12,
)
KEYS = st.sampled_from(
    ["output", "outputs", "inputs", "state", "changedPropIds", "parsedChangedPropsIds", "other"]
)
DEEP = st.integers(100, 30_000).map(lambda depth: b"[" * depth + b"]" * depth)


def near(bodies):
    """Bodies with something else in a place, values that no counter has, and what is no body at all."""

    def with_value(body, value):
        return body | {"inputs": [each | {"value": value} for each in body["inputs"]]}

    changed = st.builds(lambda body, key, value: body | {key: value}, bodies, KEYS, ANYTHING)
    valued = st.builds(with_value, bodies, ANYTHING)
    as_json = (changed | valued | ANYTHING).map(lambda value: json.dumps(value).encode())
    return as_json | st.binary(max_size=300) | DEEP


def fuzz(strategy, act, seed, least=20):
    """Give act what the strategy draws, for FUZZ_S and at least so often."""
    until_s, count = time.monotonic() + FUZZ_S, 0

    @drawn_from(seed)
    @settings(
        max_examples=1200,
        database=None,
        suppress_health_check=list(HealthCheck),
        report_multiple_bugs=False,
    )
    @given(strategy)
    def go(drawn):
        nonlocal count
        if time.monotonic() < until_s or count < least:
            act(drawn)
            count += 1

    go()
    assert count >= least


@pytest.mark.usefixtures("untouched")
def test_whatever_is_sent_to_a_callback_it_neither_fails_nor_writes(hut, seed):
    visitor = Visitor(hut.port)
    good = senses_of(visitor)
    for body in good:
        assert visitor.ask("POST", CALLBACK, json.dumps(body).encode(), JSON).status == 200

    def act(body):
        answer = visitor.ask("POST", CALLBACK, body, JSON)
        assert answer.status in (200, 400, 413), body
        assert answer.status == 200 or not INSIDE.search(answer.text)

    fuzz(near(st.sampled_from(good)), act, seed)


FIELDS = st.dictionaries(
    st.sampled_from(
        [
            "kind",
            "subject",
            "text",
            "when",
            "by",
            "edit",
            "gravity_1",
            "gravity_99",
            "water_L",
            "unit_1_V",
            "capacity_Ah",
            "capacity_band_Ah",
            "electrolyte_temperature_C",
            "other",
        ]
    ),
    st.text(max_size=30)
    | st.sampled_from(
        [
            "hydrometer",
            "voltages",
            "capacity",
            "water",
            "note",
            "1.265",
            "1e999",
            "nan",
            "2026-11-25T19:00",
            "9" * 40,
            "acknowledge",
            "shelve 3600",
            "²",
        ]
    ),
    max_size=7,
)


def test_whatever_is_typed_into_a_form_it_does_not_fail_and_leaves_requests_at_most(hut, unlocked, seed):
    before = tables(hut.store_file)

    def act(drawn):
        path, page, fields = drawn
        token = unlocked.token(page)
        if "edit" in fields:
            fields = {**fields, "form_token": ""}
        answer = unlocked.send(path, {"form_token": token, **fields})
        assert answer.status in (303, 403, 422), (path, fields)
        assert not INSIDE.search(re.sub(r"<(link|script)[^>]*>", "", answer.text))

    # what is taken waits two seconds for a daemon, so only the log's form, which is rarely right
    drawn = st.tuples(st.just("/care/write"), st.just("/care"), FIELDS)
    fuzz(drawn, act, seed, least=6)
    after = tables(hut.store_file)
    for name in ("request", "sqlite_sequence"):
        before.pop(name, None)
        after.pop(name, None)
    assert after == before


NAMES = [
    "to",
    "days",
    "done",
    "edit",
    "write",
    "back",
    "as",
    "from",
    "of",
    "at",
    "show",
    "quantity",
    "points",
    "x",
]
"""Names that stand in the pages' addresses, and one that does not."""


@pytest.mark.usefixtures("untouched")
def test_whatever_stands_in_an_address_it_does_not_fail(hut, seed):
    visitor = Visitor(hut.port)
    queries = st.lists(
        st.tuples(
            st.sampled_from(NAMES),
            st.text(max_size=20)
            | st.sampled_from(
                [
                    "2026-11-25",
                    "9999-12-31T23:59",
                    "-1",
                    "9" * 30,
                    "0",
                    "nan",
                    "/alarms?done=1",
                    "now",
                    "day",
                    "²",
                ]
            ),
        ),
        max_size=4,
    )
    paths = st.sampled_from(
        sorted({*(page.path for page in PAGES), *TABLES, *ADDRESSES, *PATHS, FRESH, "/unlock", "/alarms/ask"})
    )

    def act(drawn):
        path, query = drawn
        text = urlencode([(key, value.encode("utf-8", "surrogatepass")) for key, value in query])
        answer = visitor.get(f"{path}?{text}")
        assert answer.status < 500, (path, query)

    fuzz(st.tuples(paths, queries), act, seed)


@pytest.mark.usefixtures("untouched")
def test_whatever_bytes_come_instead_of_a_request_they_end_in_an_answer_or_a_closed_door(hut, seed):
    host = f"Host: 127.0.0.1:{hut.port}"
    form = f"Content-Type: {FORM}\r\nContent-Length: 9"
    requests = [
        f"GET /alarms?done=1 HTTP/1.1\r\n{host}\r\nCookie: a=b\r\nConnection: close\r\n\r\n",
        f"GET /api/v1/latest HTTP/1.1\r\n{host}\r\nIf-None-Match: x\r\nConnection: close\r\n\r\n",
        f"POST /care/write HTTP/1.1\r\n{host}\r\n{form}\r\nConnection: close\r\n\r\nkind=note",
    ]

    def act(request):
        answer = raw(hut.port, request)
        assert answer == b"" or answer.startswith(b"HTTP/"), request
        assert not answer.startswith(b"HTTP/1.1 500"), request
        assert not answer.startswith(b"HTTP/1.0 500"), request
        assert not INSIDE.search(re.sub(r"<(link|script)[^>]*>", "", answer.decode("latin-1"))), request

    fuzz(st.sampled_from([each.encode() for each in requests]).flatmap(spoilt), act, seed)
