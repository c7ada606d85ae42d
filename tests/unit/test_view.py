"""A closer look's address: what it asks for, what it makes of garbage, and the steps from there."""

import itertools
from urllib.parse import parse_qsl, urlsplit
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.view import LEAST_MS, MOST_MS, STEPS, View, address, asked_view
from monitor.records import iso_utc, parse_iso

LONDON = ZoneInfo("Europe/London")
NOW = parse_iso("2026-11-25T20:00:26Z")
THERE = ("battery_voltage_V", "battery_current_A", "state_of_charge")
USUAL = THERE[:2]


def asked(text):
    query = dict(parse_qsl(text, keep_blank_values=True))
    view, remarks = asked_view(query, THERE, USUAL, NOW, LONDON)
    return view, f"{iso_utc(view.start_ms)} {iso_utc(view.end_ms)}", " ".join(remarks)


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("", "2026-11-24T20:05:00Z 2026-11-25T20:05:00Z"),
        ("from=2026-11-24&to=2026-11-25", "2026-11-24T00:00:00Z 2026-11-25T00:00:00Z"),
        ("from=2026-07-01&to=2026-07-02", "2026-06-30T23:00:00Z 2026-07-01T23:00:00Z"),
        ("from=2026-10-25", "2026-10-24T23:00:00Z 2026-10-26T00:00:00Z"),  # a day of 25 hours
        ("to=2026-03-30", "2026-03-29T00:00:00Z 2026-03-29T23:00:00Z"),  # a day of 23 hours
        ("from=2026-11-24T10:00:00Z&to=2026-11-24T10:05:00Z", "2026-11-24T10:00:00Z 2026-11-24T10:05:00Z"),
        ("from=2026-07-01T10:00&to=2026-07-01T12:00", "2026-07-01T09:00:00Z 2026-07-01T11:00:00Z"),
        ("from=2026-11-25&to=2026-11-26", "2026-11-25T00:00:00Z 2026-11-26T00:00:00Z"),  # today, to its end
    ],
)
def test_an_address_names_its_time(text, span):
    _, found, remarks = asked(text)
    assert (found, remarks) == (span, "")


@pytest.mark.parametrize(
    ("text", "span", "told"),
    [
        ("from=x", "2026-11-24T20:05:00Z 2026-11-25T20:05:00Z", "“x” is no time"),
        (
            "from=2026-02-30&to=2026-03-02",
            "2026-03-01T00:00:00Z 2026-03-02T00:00:00Z",
            "“2026-02-30” is no time",
        ),
        ("from=2026-11-25&to=2026-11-24", "2026-11-24T00:00:00Z 2026-11-25T00:00:00Z", "exchanged"),
        (
            "from=2026-11-24T10:00Z&to=2026-11-24T10:00Z",
            "2026-11-24T09:59:30Z 2026-11-24T10:00:30Z",
            "a minute",
        ),
        ("from=2000-01-01&to=2026-11-26", "2016-11-18T00:00:00Z 2026-11-26T00:00:00Z", "ten years"),
        ("from=2099-01-01&to=2099-01-02", "2026-11-24T20:00:26Z 2026-11-25T20:00:26Z", "still to come"),
        (
            "from=1066-10-14&to=1066-10-15",
            "2026-11-24T20:05:00Z 2026-11-25T20:05:00Z",
            "“1066-10-14” is no time",
        ),
        ("to=" + "9" * 5000, "2026-11-24T20:05:00Z 2026-11-25T20:05:00Z", "9…” is no time"),
    ],
)
def test_of_a_garbled_time_the_nearest_sensible_one_is_shown_and_told(text, span, told):
    _, found, remarks = asked(text)
    assert found == span
    assert told in remarks


def test_quantities_are_those_that_were_read():
    assert asked("")[0].quantities == USUAL
    assert asked("quantity=state_of_charge")[0].quantities == ("state_of_charge",)
    assert asked("quantity=state_of_charge&beside=battery_voltage_V")[0].quantities == (THERE[2], THERE[0])
    view, _, remarks = asked("quantity=array_power_W&beside=<b>")
    assert view.quantities == USUAL
    assert "array_power_W was never read here" in remarks
    assert "“<b>” is no quantity" in remarks


def view_of(start, end):
    return View(USUAL, parse_iso(start), parse_iso(end))


def told(view):
    return f"{iso_utc(view.start_ms)} {iso_utc(view.end_ms)}"


def test_the_day_before_and_after_is_a_local_day_however_long():
    change = view_of("2026-10-24T23:00:00Z", "2026-10-26T00:00:00Z")
    assert told(change.beside(-1, LONDON)) == "2026-10-23T23:00:00Z 2026-10-24T23:00:00Z"
    assert told(change.beside(1, LONDON)) == "2026-10-26T00:00:00Z 2026-10-27T00:00:00Z"
    assert change.beside(1, LONDON).beside(-1, LONDON) == change


def test_other_spans_move_by_their_length():
    assert told(view_of("2026-11-24T10:00:00Z", "2026-11-24T10:05:00Z").beside(-1, LONDON)) == (
        "2026-11-24T09:55:00Z 2026-11-24T10:00:00Z"
    )


def test_closer_goes_down_to_a_minute_and_wider_up_to_years():
    view, lengths = view_of("2021-11-26T00:00:00Z", "2026-11-26T00:00:00Z"), []
    while (nearer := view.closer(NOW, LONDON)) is not None:
        assert nearer.length_ms < view.length_ms
        view = nearer
        lengths.append(view.length_ms)
    assert (len(lengths), lengths[-1]) == (len(STEPS) - 1, LEAST_MS)
    while (farther := view.wider(NOW, LONDON)) is not None:
        assert farther.start_ms <= view.start_ms
        assert farther.end_ms >= min(view.end_ms, NOW)
        view = farther
    assert view.whole_days(LONDON) == 1826


def test_closer_into_today_keeps_to_what_lies_behind_us():
    morning = parse_iso("2026-11-25T06:00:00Z")
    nearer = view_of("2026-11-25T00:00:00Z", "2026-11-26T00:00:00Z").closer(morning, LONDON)
    assert told(nearer) == "2026-11-25T00:00:00Z 2026-11-25T06:00:00Z"


def test_a_days_parts_are_local_hours_also_where_the_clocks_change():
    parts = view_of("2026-10-24T23:00:00Z", "2026-10-26T00:00:00Z").parts(LONDON)
    assert [iso_utc(start)[11:16] for start, _ in parts] == [
        "23:00", "03:00", "06:00", "09:00", "12:00", "15:00", "18:00", "21:00",
    ]  # fmt: skip
    assert parts[-1][1] == parse_iso("2026-10-26T00:00:00Z")


MOMENTS = st.integers(parse_iso("2000-01-02T00:00:00Z"), NOW).map(lambda at: at // 1000 * 1000)


@settings(max_examples=200)
@given(start_ms=MOMENTS, length_s=st.integers(60, MOST_MS // 1000), zone=st.sampled_from(
    ["Europe/London", "Australia/Lord_Howe", "America/St_Johns", "Asia/Kathmandu", "Pacific/Apia"]
))  # fmt: skip
def test_every_view_comes_back_from_its_address_and_its_parts_cover_it(start_ms, length_s, zone):
    zone = ZoneInfo(zone)
    view = View(USUAL, start_ms, start_ms + length_s * 1000)
    for each in (view, view.closer(NOW, zone), view.wider(NOW, zone), view.beside(-1, zone)):
        if each is None or not parse_iso("2000-01-02T00:00:00Z") <= each.start_ms <= each.end_ms - LEAST_MS:
            continue
        query = dict(parse_qsl(urlsplit(address(each, zone)).query))
        assert asked_view(query, THERE, USUAL, max(NOW, each.end_ms), zone) == (each, [])
        parts = each.parts(zone)
        assert (parts[0][0], parts[-1][1]) == (each.start_ms, each.end_ms)
        assert all(before[1] == after[0] < after[1] for before, after in itertools.pairwise(parts))
        assert len(parts) <= 14
