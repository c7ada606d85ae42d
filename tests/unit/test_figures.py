"""The chart of the last day: gaps break the line, lists are rounded, the same facts stand in words."""

import random
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from dashboard.figures import day_figure, history_rows, history_sentence, hour_ticks, segments
from dashboard.snapshot import History
from monitor.records import Bucket, Series, parse_iso

LONDON = ZoneInfo("Europe/London")
END = parse_iso("2026-11-25T20:00:00Z")
START = END - 24 * 3_600_000
WIDTH = 300_000


def bucket(index, mean, spread=0.1, count=60):
    start = START + index * WIDTH
    return Bucket(start, start + WIDTH, count, mean - spread, mean, mean + spread)


def history(indexes=range(288), gaps=(), volts=lambda i: 12.0 + i / 288):
    return History(
        START,
        END,
        END,
        Series("battery_voltage_V", tuple(bucket(i, volts(i)) for i in indexes), tuple(gaps)),
        Series("battery_current_A", tuple(bucket(i, -4.0, 1.0) for i in indexes), tuple(gaps)),
    )


def trace(figure, uid):
    return next(each for each in figure["data"] if each["uid"] == uid)


def test_a_whole_day_is_one_unbroken_line():
    line = trace(day_figure(history(), LONDON), "voltage-mean")
    assert len(line["y"]) == 288
    assert None not in line["y"]
    assert line["x"] == list(range(0, 1440, 5))  # minutes after the start of the last day


def test_a_gap_breaks_line_and_band_and_is_drawn_grey():
    gap = (START + 100 * WIDTH, START + 130 * WIDTH)
    figure = day_figure(history([*range(100), *range(130, 288)], [gap]), LONDON)
    line, band = trace(figure, "voltage-mean"), trace(figure, "voltage-band")
    assert line["y"].count(None) == 1
    assert line["y"].index(None) == line["x"].index(None) == 100
    assert len(line["text"]) == len(line["x"])
    assert band["y"].count(None) == 1
    assert [(shape["x0"], shape["x1"]) for shape in figure["layout"]["shapes"]] == [(500.0, 650.0)]


def test_slow_polls_leave_buckets_empty_but_are_no_gap():
    figure = day_figure(history(range(0, 288, 4)), LONDON)
    assert None not in trace(figure, "voltage-mean")["y"]


def test_a_silence_within_one_bucket_breaks_nothing():
    short = (START + 100 * WIDTH - 20_000, START + 100 * WIDTH + 20_000)
    assert len(segments(history(gaps=[short]).voltage)) == 1


def test_the_silence_until_now_is_grey_too():
    figure = day_figure(history(range(200)), LONDON)
    assert [(shape["x0"], shape["x1"]) for shape in figure["layout"]["shapes"]] == [(1000.0, 1440.0)]
    assert figure["layout"]["xaxis"]["range"] == [0, 1440]


def test_the_band_goes_out_along_the_maximum_and_back_along_the_minimum():
    band = trace(day_figure(history(range(3), volts=lambda i: 12.0 + i), LONDON), "voltage-band")
    assert band["y"] == [12.1, 13.1, 14.1, 13.9, 12.9, 11.9]
    assert band["x"] == [0, 5, 10, 10, 5, 0]


def test_values_are_rounded_to_what_can_be_seen():
    figure = day_figure(history(volts=lambda i: 12.3456789), LONDON)
    assert set(trace(figure, "voltage-mean")["y"]) == {12.35}


def test_no_reading_at_all_gives_an_empty_chart_that_says_so():
    figure = day_figure(history([]), LONDON)
    assert trace(figure, "voltage-mean")["y"] == []
    assert [(shape["x0"], shape["x1"]) for shape in figure["layout"]["shapes"]] == [(0.0, 1440.0)]
    assert history_sentence(history([]), LONDON) == "No bank voltage was read in the last 24 hours."


def test_the_sentence_names_the_extremes_with_their_times():
    said = history_sentence(history(volts=lambda i: {70: 11.6, 200: 14.6}.get(i, 12.6)), LONDON)
    assert said == (
        "In the last 24 hours the bank's voltage was lowest at 01:50 with 11.5 V and highest at 12:40 with "
        "14.7 V. Bank current went from −5.0 A to −3.0 A."
    )


def test_the_sentence_tells_how_long_nothing_was_read():
    gap = (START + 100 * WIDTH, START + 130 * WIDTH)
    said = history_sentence(history([*range(100), *range(130, 288)], [gap]), LONDON)
    assert said.endswith("For 2 h 30 min of them nothing was read (grey).")


def test_the_table_covers_the_day_in_three_hour_steps():
    rows = history_rows(history(range(36), volts=lambda i: 12.5), LONDON)
    assert [row.time for row in rows][:2] == ["20:00–23:00", "23:00–02:00"]
    assert len(rows) == 8
    assert (rows[0].voltage, rows[0].voltage_range, rows[0].current) == ("12.5 V", "12.4 to 12.6", "−4.0 A")
    assert rows[1].voltage == "—"


def test_ticks_stand_at_local_hours_on_the_day_the_clocks_change():
    # Europe/London left summer time on 25 October 2026 at 01:00 UTC (IANA time zone database)
    end = parse_iso("2026-10-25T20:00:00Z")
    assert hour_ticks(end - 24 * 3_600_000, end, LONDON) == [
        (parse_iso("2026-10-24T23:00:00Z"), "Sun"),
        (parse_iso("2026-10-25T06:00:00Z"), "06:00"),
        (parse_iso("2026-10-25T12:00:00Z"), "12:00"),
        (parse_iso("2026-10-25T18:00:00Z"), "18:00"),
    ]


@pytest.mark.parametrize(
    ("zone", "midnight"),  # by hand, from the zones' offsets of that day (IANA time zone database)
    [
        ("America/St_Johns", "2026-11-25T03:30:00Z"),
        ("Asia/Kathmandu", "2026-11-25T18:15:00Z"),
        ("Australia/Lord_Howe", "2026-11-25T13:00:00Z"),
        ("Pacific/Chatham", "2026-11-25T10:15:00Z"),
        ("Australia/Adelaide", "2026-11-25T13:30:00Z"),
    ],
)
def test_where_the_clock_is_off_by_parts_of_an_hour_the_hours_are_marked_too(zone, midnight):
    ticks = hour_ticks(START, END, ZoneInfo(zone))
    assert [at for at, text in ticks if text.isalpha()] == [parse_iso(midnight)]
    assert sorted(text for _, text in ticks if not text.isalpha()) == ["06:00", "12:00", "18:00"]


@pytest.mark.parametrize("seed", range(20))
def test_pieces_are_those_that_each_gap_by_itself_would_make(seed):
    """Beside the plain way: every gap is held against every pair of neighbours (drawn spans)."""
    rng = random.Random(seed)
    starts = sorted(rng.sample(range(0, 1000, 10), 40))
    buckets = tuple(Bucket(at, at + 10, 1, 0.0, 0.0, 0.0) for at in starts)
    edges = sorted(rng.sample(range(1000), 20))
    gaps = tuple(zip(edges[::2], edges[1::2], strict=True))
    expected = [
        any(end - start >= 10 and start < after.start_ms and end > before.end_ms for start, end in gaps)
        for before, after in pairwise(buckets)
    ]
    pieces = segments(Series("battery_voltage_V", buckets, gaps))
    found = [after is piece[0] for piece in pieces for after in piece][1:]
    assert (found, sum(map(len, pieces))) == (expected, 40), seed
