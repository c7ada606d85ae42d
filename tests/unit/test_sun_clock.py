"""The daemon's clock held against the sun: a process once a day, and a doubt where they differ."""

import json
import sys
import time

import pytest

from monitor.clock.course import Course
from monitor.clock.steady import CHIP, NETWORK, SteadyClock
from monitor.records import parse_iso
from monitor.site.load import load_site, with_defaults
from monitor.sun_clock import SunClock, doubt_of
from tests.unit.site_files import MARSH_HIDE, write
from tests.unit.test_clock import Board

NOON = parse_iso("2026-06-21T12:00:00Z")


def finding(size_min, *, end=None, kind="clock_wrong"):
    return {"kind": kind, "start": "2026-06-10T00:00:00Z", "end": end, "size": size_min}


@pytest.mark.parametrize(
    ("findings", "error_s", "doubt"),
    [
        ([], 300, ""),
        ([finding(62.0)], 300, "by the array's light the monitor's clock is 62 min fast"),
        ([finding(-21.0)], 300, "by the array's light the monitor's clock is 21 min slow"),
        ([finding(21.0)], 1300, ""),  # no more than the clock may be wrong by itself
        ([finding(62.0, end="2026-06-15T00:00:00Z")], 300, ""),  # it was so, and is over
        ([finding(0.4, kind="soiling")], 300, ""),
    ],
)
def test_a_noon_that_is_not_the_suns_doubts_the_clock(findings, error_s, doubt):
    assert doubt_of(json.dumps({"findings": findings}), error_s) == doubt


@pytest.mark.parametrize("printed", ["", "nonsense", "[]", '{"findings": [{"kind": "clock_wrong"}]}'])
def test_what_tells_nothing_raises_no_doubt(printed):
    assert doubt_of(printed, 300) == ""


@pytest.mark.parametrize(("source", "is_asked"), [(CHIP, True), (NETWORK, False)])
def test_the_sun_is_asked_where_no_network_keeps_the_time(tmp_path, source, is_asked):
    file = write(tmp_path, MARSH_HIDE)
    site, _ = with_defaults(load_site(file))
    board = Board(tmp_path / "root")
    clock = SteadyClock(board, Course(board.boot, NOON - board.count, source, 1000), NOON)
    printed = json.dumps({"findings": [finding(62.0)]})
    sun_clock = SunClock(site, file, clock, [sys.executable, "-c", f"print({printed!r})"], 0.0)
    sun_clock.follow()
    assert sun_clock.at_work == is_asked
    until_s = time.monotonic() + 60
    while sun_clock.at_work and time.monotonic() < until_s:
        sun_clock.follow()
        time.sleep(0.02)
    assert clock.doubt == ("by the array's light the monitor's clock is 62 min fast" if is_asked else "")
    sun_clock.follow()
    assert not sun_clock.at_work  # once a day
