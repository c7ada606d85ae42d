"""A closer look's strips: what is drawn, what is said, what is doubtful or missing; of invented readings."""

import re
import xml.etree.ElementTree as ElementTree
from zoneinfo import ZoneInfo

import pytest

from dashboard.strip_picture import drawn_gaps, strip_picture
from dashboard.strips import (
    POINTS,
    changes_told,
    choices,
    complete_text,
    flawed_text,
    points_of,
    rows_of,
    sentence,
    take_strips,
    unread_of,
)
from dashboard.view import View
from monitor.records import Bucket, Quality, Reading, Series, parse_iso
from monitor.store.embedded import open_writer

LONDON = ZoneInfo("Europe/London")
MINUTE, HOUR = 60_000, 3_600_000
TEN = parse_iso("2026-11-24T10:00:00Z")
NOW = parse_iso("2026-11-25T20:00:00Z")
VOLTAGE = "battery_voltage_V"


@pytest.fixture
def store(tmp_path):
    """A day of voltages each minute, 12.00 V but for one minute; 13:00 to 14:00 unread; flaws at 10:05."""
    with open_writer(tmp_path / "store.db", "Europe/London") as writer:
        start = parse_iso("2026-11-24T00:00:00Z")
        for at in range(start, start + 24 * HOUR, MINUTE):
            if TEN + 3 * HOUR <= at < TEN + 4 * HOUR:
                continue
            volts = 12.0 if at != TEN + MINUTE else 13.5
            if TEN + 5 * MINUTE <= at < TEN + 8 * MINUTE:
                reading = Reading(at, "charger", VOLTAGE, None, Quality.MISSING, "no answer")
            elif at == TEN + 9 * MINUTE:
                reading = Reading(at, "charger", VOLTAGE, 99.0, Quality.SUSPECT, "99.0 is outside 0 to 80")
            else:
                reading = Reading(at, "charger", VOLTAGE, volts)
            writer.append([reading])
            writer.append([Reading(at, "estimate", "state_of_charge", 0.8)])
            writer.append([Reading(at, "charger", "charge_stage", 1.0 if at < TEN else 2.0)])
        writer.commit()
        yield writer


def view(start, end, *quantities):
    return View(quantities or (VOLTAGE,), parse_iso(start), parse_iso(end))


DAY = view("2026-11-24T00:00:00Z", "2026-11-25T00:00:00Z")
CLOSE = view("2026-11-24T10:00:00Z", "2026-11-24T10:12:00Z")


def of_class(text, name):
    return [element for element in ElementTree.fromstring(text).iter() if element.attrib.get("class") == name]


def drawn(strip, of_view, now_ms=NOW):
    return strip_picture(strip, of_view, "voltage", 0.5, now_ms, LONDON)


def test_a_day_is_told_with_its_extremes_and_its_gap(store):
    (strip,) = take_strips(store, DAY, NOW)
    assert sentence(strip, DAY, 0.5, NOW, LONDON) == (
        "Bank voltage: lowest 12.0 V at about 00:02, highest 13.5 V at about 10:02, mean 12.0 V."
        " Nothing was read for 1 h 1 min of it (grey)."  # by hand: 12:59 to 14:00; 10:04 to 10:08 is joined
    )
    assert complete_text([strip]) == ""
    assert strip.single == strip.doubtful == strip.flawed == ()


def test_the_picture_breaks_its_line_at_the_gap_and_greys_it(store):
    (strip,) = take_strips(store, DAY, NOW)
    text = drawn(strip, DAY)
    assert len(of_class(text, "voltage-mean")) == 2  # the gap of four minutes lies within a step of five
    (gap,) = of_class(text, "unread")
    # by hand: 12:59 to 14:00 is 61 of 1440 minutes
    assert float(gap.attrib["width"].rstrip("%")) == pytest.approx(100 * 61 / 1440, abs=0.05)
    assert len(re.findall('class="tap"', text)) == 8


def test_no_picture_has_more_points_than_a_phone_has_columns(store):
    (strip,) = take_strips(store, DAY, NOW)
    assert len(strip.series.buckets) <= POINTS
    numbers = [len(path.attrib["d"].split()) for path in of_class(drawn(strip, DAY), "voltage-mean")]
    assert sum(numbers) <= 2 * POINTS + 4


@pytest.mark.parametrize(
    ("start", "end", "points"),
    [
        ("2026-11-24T00:00:00Z", "2026-11-25T00:00:00Z", 288),  # five minutes each
        ("2026-10-24T23:00:00Z", "2026-10-26T00:00:00Z", 300),  # the same on a day of 25 hours
        ("2026-11-24T10:00:00Z", "2026-11-24T16:00:00Z", 300),
        ("2026-11-01T00:00:00Z", "2026-12-01T00:00:00Z", 300),
        ("2026-08-27T00:00:00Z", "2026-11-26T00:00:00Z", 92),  # days, and one more where midnights are cut
        ("2025-11-26T00:00:00Z", "2026-11-26T00:00:00Z", 366),
        ("2021-11-26T00:00:00Z", "2026-11-26T00:00:00Z", 300),
    ],
)
def test_points_are_steps_that_the_store_has_summed_up(start, end, points):
    assert points_of(view(start, end)) == points


def test_what_is_still_to_come_is_not_missing(store):
    now_ms = TEN - HOUR
    (strip,) = take_strips(store, view("2026-11-24T00:00:00Z", "2026-11-24T09:00:00Z"), now_ms)
    assert complete_text([strip]) == "Nothing is missing."
    ahead = view("2026-11-26T00:00:00Z", "2026-11-27T00:00:00Z")
    (strip,) = take_strips(store, ahead, NOW)
    assert sentence(strip, ahead, 0.5, NOW, LONDON) == "Bank voltage: this time is still to come."


def buckets(*starts_min):
    return tuple(Bucket(TEN + at * MINUTE, TEN + (at + 1) * MINUTE, 1, 12.0, 12.0, 12.0) for at in starts_min)


@pytest.mark.parametrize(
    ("read_min", "now_min", "unread_min"),
    [
        ((10, 11, 40, 41), 60, [(0, 10), (11, 40), (42, 60)]),  # ahead of the first, between, behind the last
        ((0, 1, 2), 4, []),  # two minutes behind now: still on its way into the store
        ((0, 1, 2), 6, [(3, 6)]),
        ((), 20, [(0, 20)]),  # nothing read, and nothing beyond now is missing
        ((), -5, []),  # all of it is still to come
    ],
)
def test_what_is_missing_lies_behind_us_and_is_longer_than_the_way_into_the_store(
    read_min, now_min, unread_min
):
    hour = view("2026-11-24T10:00:00Z", "2026-11-24T11:00:00Z")
    gaps = ((TEN + 11 * MINUTE, TEN + 40 * MINUTE),) if 40 in read_min else ()
    found = unread_of(Series(VOLTAGE, buckets(*read_min), gaps), hour, TEN + now_min * MINUTE)
    assert [((start - TEN) // MINUTE, (end - TEN) // MINUTE) for start, end in found] == unread_min


def test_where_nothing_was_read_all_of_it_is_grey(store):
    before = view("2026-11-20T00:00:00Z", "2026-11-21T00:00:00Z")
    (strip,) = take_strips(store, before, NOW)
    assert strip.unread == ((before.start_ms, before.end_ms),)
    assert sentence(strip, before, 0.5, NOW, LONDON) == "Bank voltage: nothing was read in this time."


def test_a_very_close_look_shows_each_reading_and_what_is_wrong_with_it(store):
    (strip,) = take_strips(store, CLOSE, NOW)
    text = drawn(strip, CLOSE)
    # 12 minutes: three readings missing, one doubtful, eight good
    (dots,) = of_class(text, "voltage-dots")
    assert dots.attrib["d"].count("M") == 8
    assert [mark.text for mark in of_class(text, "flaw")] == ["?", "×", "×"]
    assert [flawed_text(each, LONDON) for each in strip.flawed] == [
        "10:05:00 to 10:07:00, 3 times missing: no answer",
        "10:09:00, doubtful: 99.0 is outside 0 to 80",
    ]


def test_the_charge_stands_over_its_reserve(store):
    charge = view("2026-11-24T00:00:00Z", "2026-11-25T00:00:00Z", "state_of_charge")
    (strip,) = take_strips(store, charge, NOW)
    assert "The dashed line is the reserve of 50 %." in sentence(strip, charge, 0.5, NOW, LONDON)
    (line,) = of_class(drawn(strip, charge), "reserve")
    (half,) = [g for g in of_class(drawn(strip, charge), "grid") if g.attrib["y1"] == line.attrib["y1"]]
    assert half.attrib["y2"] == line.attrib["y2"]  # 50 % lies on the grid line of one half


def test_a_stage_has_no_mean(store):
    stage = view("2026-11-24T00:00:00Z", "2026-11-25T00:00:00Z", "charge_stage")
    (strip,) = take_strips(store, stage, NOW)
    assert sentence(strip, stage, 0.5, NOW, LONDON).startswith("Charge stage: between bulk and absorption.")
    assert {row.mean for row in rows_of(strip, stage, LONDON)} == {"—"}
    assert "absorption" in drawn(strip, stage)


def test_the_table_has_a_row_for_each_part(store):
    (strip,) = take_strips(store, DAY, NOW)
    rows = rows_of(strip, DAY, LONDON)
    assert [row.time for row in rows] == [f"{hour:02}:00" for hour in range(0, 24, 3)]
    assert (rows[3].lowest, rows[3].highest) == ("12.0 V", "13.5 V")


def test_a_day_of_25_hours_says_so(store):
    change = view("2026-10-24T23:00:00Z", "2026-10-26T00:00:00Z")
    assert changes_told(change, LONDON) == [
        "On 25 Oct 2026 the clocks went back by 1 h (upright line): around it the same times come twice."
    ]
    (strip,) = take_strips(store, change, NOW)
    (line,) = of_class(drawn(strip, change), "clock-change")
    assert line.attrib["x1"] == "8.00%"  # by hand: 2 of 25 hours


def test_gaps_too_narrow_to_see_are_not_drawn_and_neighbours_are_one():
    assert drawn_gaps([(0, 100), (2000, 2010), (5000, 6000), (6001, 7000)], 30_000) == [
        (0, 100),
        (5000, 7000),
    ]


def test_only_what_was_read_and_can_be_drawn_is_offered(store):
    store.append([Reading(NOW, "charger", "fault_bits", 0.0)])
    store.commit()
    assert choices(store.latest()) == [VOLTAGE, "charge_stage", "state_of_charge"]
