"""Phone manners and closed doors: sizes, contrast, headers, unknown addresses, memory, start and end."""

import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request

import pytest

from monitor.records import AlarmState, DeviceHealth, Quality

CONTRAST = """
() => {
  const channel = c => (c /= 255) <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
  const parse = text => (text.match(/[\\d.]+/g) || []).map(Number);
  const luminance = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
  const ground = e => {
    for (; e; e = e.parentElement) {
      const c = parse(getComputedStyle(e).backgroundColor);
      if (c.length === 3 || c[3] === 1) return c;
    }
    return [255, 255, 255];
  };
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const e = node.parentElement;
    if (!node.textContent.trim() || !e.checkVisibility() || e.closest('script, noscript, style')) continue;
    const style = getComputedStyle(e);
    const ink = parse(e.closest('svg') ? style.fill : style.color);
    const [light, dark] = [luminance(ink), luminance(ground(e))].sort((a, b) => b - a);
    found.push([node.textContent.trim(), (light + 0.05) / (dark + 0.05), parseFloat(style.fontSize)]);
  }
  return found;
}
"""


RSS_LIMIT_MB = 64
"""The project's target for the page process on a small computer."""

BEYOND = """
width => [...document.querySelectorAll('main *')]
  .filter(e => e.getBoundingClientRect().right > width)
  .map(e => `${e.tagName} ${e.textContent.slice(0, 60)}`)
"""


@pytest.fixture(scope="module")
def troubled(shared_hide):
    """An evening on which everything that can be marked is: alarm, silence, stale, doubtful, missing."""
    hide = shared_hide
    now = hide.now_ms()
    hide.store(
        [
            *hide.yesterday(until_age_s=600),
            *hide.present({"battery_voltage_V": 12.4, "charge_stage": 0}),
            *hide.present({"state_of_charge": 0.62, "state_of_charge_sd": 0.28}),
            *hide.present({"load_power_W": 31_000.0}, 10, Quality.SUSPECT, "31000 is outside −10 to 20000"),
            *hide.present({"battery_temperature_C": None}, 10, Quality.MISSING, "the probe is not there"),
        ],
        alarms=[
            AlarmState("Low voltage", "unacknowledged", now - 60_000, "high", 11.5, "Low voltage: 11.5 V"),
        ],
        health=[
            DeviceHealth("charger", "/dev/serial/by-id/usb-an-invented-adapter-with-a-long-name-0001-if00",
                         "silent", now, now, 85.0, 720, {"no answer": 4}, "no answer within 1 s")
        ],
        basis=[
            "no full charge seen in 14 days",
            "restarted after 6 h dark",
            "charge and loads are metered, what bypasses the controller is assumed",
            "no bank temperature: 20 °C assumed",
            "voltage in steps of 0.1 V",
        ],
        heartbeat_age_s=900,
    )  # fmt: skip
    hide.serve()
    return hide


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_all_text_is_large_and_stands_out(troubled, visit, scheme):
    page = visit.open(troubled, scheme=scheme)
    page.get_by_role("button", name="Look closer").click()
    page.wait_for_selector("#history-chart .main-svg")
    for summary in page.locator("summary:visible").all():
        summary.click()
    texts = page.evaluate(CONTRAST)
    assert len(texts) > 80
    # WCAG 2.1, success criterion 1.4.3 (AA): at least 4.5 : 1; formula of its 'contrast ratio' (from memory)
    assert [text for text in texts if text[1] < 4.5] == []
    assert [text for text in texts if text[2] < 16] == []


@pytest.mark.parametrize("width", [360, 390, 768, 1280])
def test_nothing_scrolls_sideways(troubled, visit, width):
    page = visit.open(troubled, width=width)
    page.get_by_role("button", name="Look closer").click()
    page.wait_for_selector("#history-chart .main-svg")
    for summary in page.locator("summary:visible").all():
        summary.click()
    beyond = page.evaluate(BEYOND, width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width, beyond


def test_what_is_tapped_is_large_enough_for_a_thumb(troubled, visit):
    page = visit.open(troubled)
    # 44 CSS px: WCAG 2.1, success criterion 2.5.5 (from memory)
    assert [
        s.bounding_box()["height"]
        for s in page.locator("summary:visible").all()
        if s.bounding_box()["height"] < 44
    ] == []


def test_the_chart_is_told_in_words_too(troubled, visit):
    page = visit.open(troubled)
    picture = page.locator("#history-image")
    told = page.locator(f"#{picture.get_attribute('aria-labelledby')}").text_content()
    assert picture.get_attribute("role") == "img"
    assert "lowest at" in told
    assert page.locator("#history-rows tr").count() == 8


def test_every_answer_carries_the_headers(troubled):
    for path in ("/", "/days", "/_dash-layout", "/assets/page.css"):
        headers = troubled.get(path).headers
        policy = dict(part.split(" ", 1) for part in headers["Content-Security-Policy"].split("; "))
        assert policy["default-src"] == "'none'"
        assert "unsafe" not in headers["Content-Security-Policy"]
        assert (policy.get("script-src") is not None) == (headers.get_content_type() == "text/html")
        assert policy["frame-ancestors"] == "'none'"
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "no-referrer"
        assert "Server" not in headers


@pytest.mark.parametrize("path", ["/nights", "/admin", "/assets/../app.py", "/assets/none.css", "/static/x"])
def test_unknown_addresses_are_not_found(troubled, path):
    with pytest.raises(urllib.error.HTTPError) as refused:
        troubled.get(path)
    assert refused.value.code == 404
    assert b"Traceback" not in refused.value.read()


@pytest.mark.parametrize("body", [b"{}", b"[]", b"not json", b'{"output": "x", "inputs": []}'])
def test_a_senseless_request_gets_no_inner_life(troubled, body):
    request = urllib.request.Request(
        f"{troubled.url}_dash-update-component", body, {"Content-Type": "application/json"}
    )
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(request, timeout=60)
    answer = refused.value.read()
    assert refused.value.code in (400, 500)
    assert b"Traceback" not in answer
    assert b".py" not in answer
    assert troubled.get("/").status == 200


def test_the_page_process_stays_small(troubled):
    for _ in range(40):
        answer = troubled.get("/").read()
    assert b'id="sentence"' in answer
    assert troubled.server_rss_MB() <= RSS_LIMIT_MB


def test_it_ends_cleanly_when_told(hide):
    hide.serve()
    assert hide.stop() == 0
    assert "Traceback" not in hide.log.read_text(encoding="utf-8")


@pytest.mark.parametrize("after_s", [0.8, 1.1, 1.4, 1.7, 2.0])
def test_it_ends_cleanly_while_it_starts(hide, after_s):
    command = [sys.executable, "-m", "monitor.cli", "page", str(hide.site_file), "--port", str(hide.port)]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as page:
        time.sleep(after_s)
        page.terminate()
        said = page.communicate(timeout=60)[1]
    # before the program has its own handler the system's ends it, by the signal
    assert page.returncode in (0, -signal.SIGTERM), said
    assert "Traceback" not in said


def page_command(*arguments):
    command = [sys.executable, "-m", "monitor.cli", "page", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


def test_a_taken_port_is_told_and_the_status_is_1(troubled):
    again = page_command(troubled.site_file, "--host", "127.0.0.1", "--port", troubled.port)
    assert again.returncode == 1
    assert f"cannot listen on 127.0.0.1 port {troubled.port}" in again.stderr
    assert "choose another with --port" in again.stderr
    assert "Traceback" not in again.stderr


def test_the_address_can_be_asked_for(hide):
    asked = page_command(hide.site_file, "--host", "127.0.0.1", "--print-url")
    assert (asked.returncode, asked.stdout) == (0, "http://127.0.0.1:8480/\n")


def test_a_faulty_site_file_is_told_with_its_key(hide):
    hide.site_file.write_text(
        hide.site_file.read_text(encoding="utf-8").replace("unit_voltage_V", "unit_volt")
    )
    asked = page_command(hide.site_file)
    assert asked.returncode == 1
    assert "unit_volt" in asked.stderr
