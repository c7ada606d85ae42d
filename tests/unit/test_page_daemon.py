"""What a page says where the daemon does not live: each trouble has a mark and a frame of its own."""

import re
from itertools import combinations
from pathlib import Path

import pytest

import dashboard
from dashboard.daemon import MARKS, daemon_notice
from monitor.present import Now
from monitor.records import Heartbeat, parse_iso
from monitor.site.model import Bank, Place, Site

NOW = parse_iso("2026-11-25T20:00:00Z")
MINUTE = 60_000
SITE = Site(
    site=Place(name="Marsh hide", latitude_deg=52.6, longitude_deg=1.55, time_zone="Europe/London"),
    bank=Bank(chemistry="flooded", unit_voltage_V=6, unit_capacity_Ah=225, units_in_series=2),
)
ASSETS = Path(dashboard.__file__).parent / "assets"


def told(beat):
    return daemon_notice(beat, Now(NOW, 1.0), SITE)


@pytest.mark.parametrize(
    ("beat", "kind", "advice"),
    [
        (None, "stopped", "Start it with"),
        (Heartbeat(NOW - 25 * MINUTE, NOW, NOW - 25 * MINUTE), "stopped", "Start it again"),
        (Heartbeat(NOW - 25 * MINUTE, NOW, None), "silent", "Start it again"),
        (Heartbeat(NOW + 60 * MINUTE, NOW, None), "clock", "set the clock"),
    ],
    ids=["never started", "stopped", "silent", "clock"],
)
def test_each_trouble_says_what_to_do(beat, kind, advice):
    notice = told(beat)
    assert notice.kind == kind
    assert advice in notice.text


def test_away_from_the_site_either_clock_may_be_the_wrong_one():
    notice = daemon_notice(Heartbeat(NOW + 60 * MINUTE, NOW, None), Now(NOW, 1.0, lag_s=60.0), SITE)
    assert notice.kind == "clock"
    assert "set the one at the site or the one here" in notice.text


def test_a_daemon_that_runs_is_no_news():
    assert told(Heartbeat(NOW - 20_000, NOW, None)) is None


def test_what_changes_each_minute_stands_apart_from_what_is_read_aloud():
    early = told(Heartbeat(NOW - 25 * MINUTE, NOW, None))
    late = daemon_notice(Heartbeat(NOW - 25 * MINUTE, NOW, None), Now(NOW + 5 * MINUTE, 1.0), SITE)
    assert early.text == late.text
    assert (early.age, late.age) == ("25 min ago", "30 min ago")


def test_no_two_troubles_share_a_mark_or_a_frame():
    lost = re.search(r'"(.) No connection', (ASSETS / "connection.js").read_text(encoding="utf-8"))[1]
    marks = [*MARKS.values(), lost]
    assert len(set(marks)) == len(marks) == 6
    sheet = (ASSETS / "page.css").read_text(encoding="utf-8")
    frames = {kind: re.findall(rf"^\.notice\.{kind} {{ ([^}}]*) }}", sheet, re.MULTILINE) for kind in MARKS}
    for one, other in combinations(MARKS, 2):
        assert frames[one] != frames[other], (one, other)


@pytest.mark.parametrize(
    ("lag_s", "kind", "says"),
    [
        (60.0, "clock", "whether it runs now, cannot be told from here"),
        (None, "silent", "has not been heard since this computer was switched on"),
    ],
    ids=["a copy", "its own computer"],
)
def test_a_monitor_that_did_not_know_the_time_has_no_time_since_which_it_is_silent(lag_s, kind, says):
    now = Now(NOW, 1.0, lag_s, is_untold=True)
    notice = daemon_notice(Heartbeat(NOW - 25 * MINUTE, NOW, None), now, SITE)
    assert (notice.kind, notice.age) == (kind, "")
    assert says in notice.text
    assert "25 Nov 2026 19:35 at the earliest" in notice.text
    assert "silent since" not in notice.text
