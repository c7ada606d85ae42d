"""Times under a picture and spans in words, from years to seconds, over the days on which clocks are changed.

Europe/London: clocks go back at 01:00 UTC on the last Sunday in October and forward on the last one in March
(Directive 2000/84/EC, which the United Kingdom's Summer Time Order 2002 follows); Australia/Lord_Howe changes
by half an hour (IANA time zone database).
"""

from datetime import date
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from dashboard.time_marks import clock_changes, days_text, moment_text, span_words, time_marks
from monitor.records import iso_utc, parse_iso, to_datetime

LONDON = ZoneInfo("Europe/London")
LORD_HOWE = ZoneInfo("Australia/Lord_Howe")


def marks(start, end, zone=LONDON):
    return [(iso_utc(at), text) for at, text in time_marks(parse_iso(start), parse_iso(end), zone)]


def test_a_minute_is_marked_by_seconds():
    found = marks("2026-11-25T10:00:00Z", "2026-11-25T10:01:00Z")
    assert [text for _, text in found] == ["10:00:00", "10:00:15", "10:00:30", "10:00:45"]


def test_a_summers_day_is_marked_by_local_hours():
    found = marks("2026-07-01T23:00:00Z", "2026-07-02T23:00:00Z")
    assert found[1:] == [
        ("2026-07-02T05:00:00Z", "06:00"),
        ("2026-07-02T11:00:00Z", "12:00"),
        ("2026-07-02T17:00:00Z", "18:00"),
    ]


@pytest.mark.parametrize(
    ("start", "end", "noon"),
    [
        ("2026-10-24T23:00:00Z", "2026-10-26T00:00:00Z", "2026-10-25T12:00:00Z"),  # 25 hours
        ("2026-03-29T00:00:00Z", "2026-03-29T23:00:00Z", "2026-03-29T11:00:00Z"),  # 23 hours
    ],
)
def test_noon_is_noon_on_the_days_on_which_clocks_change(start, end, noon):
    assert (noon, "12:00") in marks(start, end)


def test_an_hour_that_comes_twice_is_marked_twice_and_one_that_is_skipped_never():
    texts = [text for _, text in marks("2026-10-24T23:00:00Z", "2026-10-25T04:00:00Z")]
    assert texts == ["00:00", "01:00", "01:00", "02:00", "03:00"]
    texts = [text for _, text in marks("2026-03-29T00:00:00Z", "2026-03-29T04:00:00Z")]
    assert texts == ["00:00", "02:00", "03:00", "04:00"]


def test_a_year_is_marked_by_months_and_carries_the_new_year():
    found = marks("2025-11-26T00:00:00Z", "2026-11-26T00:00:00Z")
    assert [text for _, text in found] == ["2026", "Apr", "Jul", "Oct"]
    assert found[1][0] == "2026-03-31T23:00:00Z"  # summer time: the local midnight


def test_five_years_are_marked_by_years():
    assert [text for _, text in marks("2021-11-26T00:00:00Z", "2026-11-26T00:00:00Z")] == [
        "2022", "2023", "2024", "2025", "2026",
    ]  # fmt: skip


@pytest.mark.parametrize("zone", [LONDON, LORD_HOWE, ZoneInfo("Asia/Kathmandu")])
@pytest.mark.parametrize("length_s", [60, 300, 900, 3600, 3 * 3600, 86_400, 604_800, 30 * 86_400, 31_536_000])
def test_marks_are_few_in_order_and_round_on_the_wall(zone, length_s):
    for start in ("2026-10-03T12:34:56Z", "2026-10-24T22:10:05Z", "2026-03-28T23:59:59Z"):
        start_ms = parse_iso(start)
        found = time_marks(start_ms, start_ms + length_s * 1000, zone)
        assert 1 <= len(found) <= 7
        assert all(before < after for (before, _), (after, _) in pairwise(found))
        for at_ms, text in found:
            local = to_datetime(at_ms).astimezone(zone)
            if ":" in text:
                assert f"{local:%H:%M:%S}".startswith(text)
            else:
                assert f"{local:%H:%M}" == "00:00"


def test_the_clocks_changes_are_found_to_the_millisecond():
    start, end = parse_iso("2026-10-20T00:00:00Z"), parse_iso("2026-10-27T00:00:00Z")
    assert clock_changes(start, end, LONDON) == ((parse_iso("2026-10-25T01:00:00Z"), -60),)
    start, end = parse_iso("2026-10-03T00:00:00Z"), parse_iso("2026-10-05T00:00:00Z")
    assert clock_changes(start, end, LORD_HOWE) == ((parse_iso("2026-10-03T15:30:00Z"), 30),)
    assert clock_changes(parse_iso("2026-11-01T00:00:00Z"), parse_iso("2026-11-03T00:00:00Z"), LONDON) == ()


@pytest.mark.parametrize(
    ("start", "end", "text"),
    [
        ("2026-11-25T00:00:00Z", "2026-11-26T00:00:00Z", "Wednesday 25 November 2026"),
        ("2026-10-24T23:00:00Z", "2026-10-26T00:00:00Z", "Sunday 25 October 2026"),
        ("2026-11-12T00:00:00Z", "2026-11-26T00:00:00Z", "12 to 25 November 2026"),
        ("2026-11-25T10:00:00Z", "2026-11-25T11:30:00Z", "Wednesday 25 November 2026, 10:00 to 11:30"),
        ("2026-11-25T10:00:05Z", "2026-11-25T10:01:05Z", "Wednesday 25 November 2026, 10:00:05 to 10:01:05"),
        ("2026-11-24T20:00:00Z", "2026-11-25T20:00:00Z", "24 Nov 2026 20:00 to 25 Nov 2026 20:00"),
        ("2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z", "Sunday 25 October 2026, 01:30 BST to 01:30 GMT"),
    ],
)
def test_a_span_as_a_heading(start, end, text):
    assert span_words(parse_iso(start), parse_iso(end), LONDON) == text


def test_days_over_the_turn_of_months_and_years():
    assert days_text(date(2026, 10, 28), date(2026, 11, 3)) == "28 October to 3 November 2026"
    assert days_text(date(2025, 12, 30), date(2026, 1, 5)) == "30 December 2025 to 5 January 2026"


def test_a_time_is_told_no_finer_than_it_is_known():
    at = parse_iso("2026-11-25T07:20:15Z")
    assert moment_text(at, 1000, LONDON, with_day=False) == "07:20:15"
    assert moment_text(at, 216_000, LONDON, with_day=True) == "25 Nov 07:20"
    assert moment_text(at, 86_400_000, LONDON, with_day=True) == "25 Nov 2026"
