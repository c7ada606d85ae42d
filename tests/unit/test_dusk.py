"""Sunset and sunrise as the page takes them: is it night at the site, and when does it turn."""

from datetime import UTC, date, datetime

import pytest

from dashboard.dusk import of_outlook, of_table, turns_of
from monitor.present import Now
from monitor.records import iso_utc, parse_iso
from monitor.sun.day import Clear
from monitor.sun.table import DayTable, packed

H = 3_600_000
# Published: H.M. Nautical Almanac Office's tables give London's sunset of 25 November as 15:58 and the next
# sunrise as 07:37 (from memory, rounded to minutes); only their order and distance matter here.
SUNSET, SUNRISE = parse_iso("2026-11-25T15:58:00Z"), parse_iso("2026-11-26T07:37:00Z")
OUTLOOK = {"sunset": iso_utc(SUNSET), "sunrise": iso_utc(SUNRISE)}


def turns_at(iso, events=((SUNSET, True), (SUNRISE, False)), speed=1.0):
    return turns_of(events, Now(parse_iso(iso), speed))


@pytest.mark.parametrize(
    ("at", "night", "first_ahead_ms"),
    [
        ("2026-11-25T20:00:00Z", True, 11 * H + 37 * 60_000),
        ("2026-11-25T15:57:00Z", False, 60_000),
        ("2026-11-26T07:37:00Z", False, 8 * H + 21 * 60_000),  # the moment itself is day
        ("2026-11-26T12:00:00Z", False, 3 * H + 58 * 60_000),  # the next sunset is taken from the last
        ("2026-11-24T03:00:00Z", True, 4 * H + 37 * 60_000),
        ("2026-11-28T03:00:00Z", True, 4 * H + 37 * 60_000),
    ],
)
def test_it_is_night_from_sunset_to_sunrise_on_this_and_the_days_beside(at, night, first_ahead_ms):
    turns = turns_at(at)
    assert (turns.night, turns.ahead_ms[0]) == (night, first_ahead_ms)
    assert list(turns.ahead_ms) == sorted(turns.ahead_ms)
    assert turns.ahead_ms[2] - turns.ahead_ms[0] == 24 * H


def test_the_page_is_told_in_real_time_where_the_demos_time_runs_faster():
    assert turns_at("2026-11-25T15:48:00Z", speed=60.0).ahead_ms[0] == 10_000


def test_a_page_reads_night_and_turns_from_one_line():
    text = turns_at("2026-11-25T20:00:00Z").text()
    assert text.split()[:2] == ["1", str(11 * H + 37 * 60_000)]


def test_without_sunset_or_sunrise_nothing_is_invented():
    assert of_outlook(None, SUNSET) == ()
    assert of_outlook(OUTLOOK | {"sunset": None}, SUNSET) == ()
    assert of_outlook(OUTLOOK, SUNSET + 5 * 24 * H) == (), "an old outlook tells no sunset of today"
    assert turns_of((), Now(SUNSET, 1.0)) is None


def table(elevation_of):
    start_ms = parse_iso("2026-11-25T00:00:00Z")
    steps = tuple(Clear(start_ms + at * 300_000, elevation_of(at), 180.0, 0, 0, 0, 0, 0) for at in range(288))
    return packed(DayTable(date(2026, 11, 25), "key", steps))


def test_a_days_table_stands_in_for_an_outlook():
    text = table(lambda at: 10.0 if 90 <= at < 192 else -10.0)  # up from 07:30 to 16:00
    events = of_table(text)
    assert [(datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%H:%M"), n) for at_ms, n in events] == [
        ("07:30", False),
        ("16:00", True),
    ]
    assert turns_of(events, Now(parse_iso("2026-11-25T20:00:00Z"), 1.0)).night is True
    assert turns_of(events, Now(parse_iso("2026-11-25T06:00:00Z"), 1.0)).night is True
    assert turns_of(events, Now(parse_iso("2026-11-25T12:00:00Z"), 1.0)).night is False


@pytest.mark.parametrize("text", ["", "{}", "no table"])
def test_a_damaged_table_tells_no_sunset(text):
    assert of_table(text) == ()


def test_where_the_sun_stays_up_or_down_there_is_no_night_by_itself():
    assert of_table(table(lambda at: 5.0)) == ()
    assert of_table(table(lambda at: -5.0)) == ()
