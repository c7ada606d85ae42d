"""The first answer tells everything; Dash takes over without a jump; what is sent is small and kept."""

import gzip
import hashlib
import re
import urllib.error
import urllib.request
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Event, Thread

import pytest
from playwright.sync_api import expect

import dashboard
from tests.browser.test_tonight import BASIS, NOW
from tests.ports import free_port

FIRST_HTML_BYTES = 15 * 1024
"""The project's limit for the first answer, packed."""

SHIFTS = """
() => new Promise(resolve => {
  let sum = 0;
  new PerformanceObserver(list => { for (const entry of list.getEntries()) sum += entry.value; })
    .observe({ type: 'layout-shift', buffered: true });
  setTimeout(() => resolve(sum), 1500);
})
"""


@pytest.fixture(scope="module")
def evening(shared_hide):
    hide = shared_hide
    hide.store([*hide.yesterday(), *hide.present(NOW)], health=[hide.healthy()], basis=BASIS)
    hide.serve()
    return hide


def asked(hide, path):
    request = urllib.request.Request(hide.url.rstrip("/") + path, headers={"Accept-Encoding": "gzip"})
    return urllib.request.urlopen(request, timeout=60)


def test_without_scripts_the_answer_is_there(evening, chromium):
    context = chromium.new_context(viewport={"width": 390, "height": 844}, java_script_enabled=False)
    page = context.new_page()
    page.goto(evening.url)
    expect(page.locator("#sentence")).to_contain_text("The bank is 72 % charged (64 to 80 %)")
    assert page.locator("[data-quantity=battery_voltage_V]").get_attribute("data-value") == "12.47"
    assert page.locator("tr.row.live", has_text="Bank voltage").locator(".age").is_visible()
    assert page.get_by_text("load the page again").is_visible()
    context.close()


@contextmanager
def held_up(answer, at):
    """A server that sends an answer up to a place and the rest when it is told to: its address, and the
    telling."""
    go_on = Event()

    class Line(BaseHTTPRequestHandler):
        def do_GET(self):
            if self.path != "/":
                self.send_error(404)
                return
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(answer[:at])
            self.wfile.flush()
            go_on.wait(60)
            self.wfile.write(answer[at:])

        def log_message(self, *_):
            pass

    with ThreadingHTTPServer(("127.0.0.1", free_port()), Line) as server:
        Thread(target=server.serve_forever).start()
        try:
            yield f"http://127.0.0.1:{server.server_port}/", go_on
        finally:
            go_on.set()
            server.shutdown()


PHONE, DESK = {"width": 390, "height": 844}, {"width": 1920, "height": 1400}


@pytest.mark.parametrize(
    ("stops_in", "unseen", "size"),
    [('id="main"', "#main tr", PHONE), ('id="devices"', "#main tr", DESK), ('label="Pages"', "nav", PHONE)],
)
def test_the_sentence_is_seen_while_the_rest_is_on_its_way_and_then_nothing_moves(
    evening, chromium, stops_in, unseen, size
):
    with evening.get("/") as whole:
        answer = whole.read()
    context = chromium.new_context(viewport=size)
    page = context.new_page()
    with held_up(answer, answer.index(stops_in.encode()) + 150) as (address, go_on):
        page.goto(address, wait_until="commit")
        page.wait_for_function("performance.getEntriesByName('first-contentful-paint').length")
        expect(page.locator("#sentence")).to_be_visible()
        expect(page.locator("#charge .value")).to_be_visible()
        expect(page.locator(unseen).first).to_be_hidden()
        go_on.set()
        expect(page.locator("#main tr").first).to_be_visible()
        expect(page.locator("#history-image .picture").first).to_be_visible()
        expect(page.get_by_role("link", name="Plan")).to_be_visible()
        assert page.evaluate(SHIFTS) == 0
    context.close()


def test_an_address_that_names_a_part_shows_it(evening, visit):
    page = visit.open(evening, path="/#devices")
    expect(page.locator("#devices")).to_be_in_viewport()


def test_dash_draws_into_the_page_that_stands_and_nothing_jumps(evening, visit):
    page = visit.open(evening)
    assert page.get_by_role("button", name="Look closer").count() == 1
    assert page.locator("#sentence").count() == 1
    assert page.get_by_text("load the page again").count() == 0, "its values renew themselves now"
    assert page.evaluate(SHIFTS) == 0


def test_what_was_tapped_before_the_scripts_came_is_done(evening, chromium):
    context = chromium.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    held = []
    # the scripts are on their way while the person already taps
    page.route("**/*dash-renderer*", lambda route: held.append(route))
    page.goto(evening.url, wait_until="commit")
    while not held:
        page.wait_for_timeout(50)
    page.locator("summary", has_text="All values").click()
    expect(page.locator("details", has_text="All values")).to_have_attribute("open", "")
    page.get_by_role("button", name="Look closer").click()
    assert page.get_by_text("load the page again").is_visible()
    held[0].continue_()
    page.wait_for_selector("#history-chart .main-svg")
    assert page.get_by_role("button", name="Put the chart away").is_visible()
    assert page.locator("details", has_text="All values").get_attribute("open") is not None
    context.close()


PAINT_AND_SCRIPT = """
() => [
  performance.getEntriesByName('first-contentful-paint')[0].startTime,
  Math.min(...performance.getEntriesByType('resource')
    .filter(e => e.name.includes('.js')).map(e => e.startTime)),
]
"""


def test_a_script_is_asked_for_when_the_answer_is_on_the_screen(evening, visit):
    painted_ms, asked_ms = visit.open(evening).evaluate(PAINT_AND_SCRIPT)
    assert 0 < painted_ms <= asked_ms


def test_the_first_answer_fits_into_a_few_packets(evening):
    answer = asked(evening, "/")
    packed = answer.read()
    assert answer.headers["Content-Encoding"] == "gzip"
    assert len(packed) <= FIRST_HTML_BYTES
    assert "72 %" in gzip.decompress(packed).decode()


def addresses_in(page):
    """Where the style sheet and the script of a first answer are."""
    return re.findall(r'(?:src|href|style)="(/(?:_dash-component|assets)[^"]+(?:js|css)[^"]*)"', page)


RULES = """
[...document.styleSheets].map(sheet => [...sheet.cssRules].map(rule => rule.cssText))
  .find(rules => rules.some(rule => rule.startsWith('#unrenewed')))
"""
"""Our own rules; Dash puts sheets of its own beside them."""

STYLE_BYTES = """
performance.getEntriesByType('resource').filter(e => e.name.includes('page.css')).map(e => e.transferSize)
"""
"""What was sent for the style sheet: 0 where the phone had it (W3C, Resource Timing, transferSize)."""


def test_a_new_phone_has_the_style_within_the_page_and_keeps_the_file_for_later(evening, chromium):
    context = chromium.new_context(viewport={"width": 390, "height": 844})
    page, asked_for = context.new_page(), []
    page.on("request", lambda request: asked_for.append(request.url.removeprefix(evening.url)))
    with page.expect_event("requestfinished", lambda request: "page.css" in request.url):
        page.goto(evening.url)
    kinds = [re.sub(r"[?].*", "", each.rpartition("/")[2]) for each in asked_for]
    assert kinds[0] == ""
    assert kinds[1].startswith("dash-renderer"), "nothing is asked for before the answer is seen"
    assert kinds.count("page.css") == 1, "kept for later"
    within = page.evaluate(RULES)
    page.goto(evening.url)
    assert page.evaluate(RULES) == within, "the browser reads the same from both"
    assert page.evaluate(STYLE_BYTES) == [0], "the phone has the file"
    context.close()


def test_scripts_and_style_are_packed_and_kept_for_ever(evening):
    with evening.get("/") as answer:
        page = answer.read().decode()
    addresses = addresses_in(page)
    assert len(addresses) == 2  # one script, one style
    for address in addresses:
        with asked(evening, address) as answer, evening.get(address) as plain_answer:
            plain = plain_answer.read()
            assert gzip.decompress(answer.read()) == plain, address
            assert answer.headers["Content-Encoding"] == "gzip", address
            kept = answer.headers["Cache-Control"]
        assert "immutable" in kept, address
        assert "max-age=31536000" in kept, address


def test_a_file_that_the_phone_has_is_not_sent_again(evening):
    first = asked(evening, "/assets/page.css")
    etag = first.headers["ETag"]
    request = urllib.request.Request(
        f"{evening.url}assets/page.css", headers={"Accept-Encoding": "gzip", "If-None-Match": etag}
    )
    with pytest.raises(urllib.error.HTTPError) as known:
        urllib.request.urlopen(request, timeout=60)
    assert known.value.code == 304


def test_a_phone_fetches_the_chart_library_only_when_a_chart_is_asked_for(evening, visit):
    asked_for = []
    page = visit.open(evening, watch=lambda request: asked_for.append(request.url))
    page.wait_for_load_state("networkidle")
    assert [url for url in asked_for if "plotly" in url or "graph" in url] == []
    page.get_by_role("button", name="Look closer").click()
    page.wait_for_selector("#history-chart .main-svg")
    libraries = [url for url in asked_for if "plotly" in url]
    assert libraries == [f"{evening.url}library/plotly-basic-4.1.1.min.js"]
    with asked(evening, "/library/plotly-basic-4.1.1.min.js") as answer:
        assert len(answer.read()) < 450_000  # the whole of plotly is 1.4 MB, packed


def test_the_libraries_are_the_published_files():
    folder = Path(dashboard.__file__).parent / "library"
    stated = re.findall(r"^ {4}([0-9a-f]{64})  (\S+)$", (folder / "README.md").read_text(), re.MULTILINE)
    assert {name for _, name in stated} == {path.name for path in folder.glob("*.js")}
    for digest, name in stated:
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest
