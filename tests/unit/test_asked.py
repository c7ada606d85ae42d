"""What an address may ask for, and what is told where it asks for what cannot be."""

import pytest

from dashboard.asked import (
    AskedDays,
    AskedRange,
    AskedWrongly,
    asked_days,
    asked_history,
    asked_range,
    nothing,
)
from monitor.records import parse_iso

EVENING = {"from": "2026-11-25T18:00:00Z", "to": "2026-11-25T20:00:00Z"}
NIGHT = {"quantity": "battery_voltage_V", **EVENING}
NOW_MS = parse_iso("2026-11-25T21:00:00Z")


def items(*given, **more):
    return [*(pair for part in given for pair in part.items()), *more.items()]


def test_a_range_in_any_zone_is_in_utc():
    asked = asked_range(items(NIGHT | {"from": "2026-11-25T19:30:00+01:30", "to": "2026-11-25T20:00Z"}))
    assert asked == AskedRange(
        "battery_voltage_V", parse_iso("2026-11-25T18:00:00Z"), parse_iso("2026-11-25T20:00:00Z"), 300
    )


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"quantity": "battery_voltag_V"}, "quantity: .* did you mean 'battery_voltage_V'"),
        ({"quantity": ""}, "quantity: '' is not known"),
        ({"from": "2026-11-25T18:00:00"}, "from: .* with its zone like"),
        ({"from": "2026-11-25T18:00:00 01:00"}, r"from: .* \(a \+ in an address is written %2B\)"),
        ({"from": "2026-11-31T18:00:00Z"}, "from: .* is not a time"),
        ({"from": "2026-11-25T18:00:00+24:00"}, "from: .* is not a time"),
        ({"from": "1999-12-31T18:00:00Z"}, "from: .* of this century"),
        ({"from": "٢٠٢٦-11-25T18:00:00Z"}, "from: .* is not a time"),
        ({"from": "2026-11-25T20:00:00Z"}, "to: does not lie after from"),
        ({"from": "2001-01-01T00:00:00Z"}, "to: at most 3660 days"),
        ({"points": "0"}, "points: '0' is not a whole number from 1 to 2000"),
        ({"points": "2001"}, "points: '2001'"),
        ({"points": "1e3"}, "points: '1e3'"),
        ({"points": "٣"}, "points: '٣'"),
        ({"device": "charger"}, "'device' is no value of this address; known are quantity, from, to, points"),
    ],
)
def test_a_range_that_cannot_be_is_told_with_what_to_write(change, told):
    with pytest.raises(AskedWrongly, match=f"^{told}"):
        asked_range(items(NIGHT | change))


@pytest.mark.parametrize("missing", list(NIGHT))
def test_what_is_missing_is_named(missing):
    with pytest.raises(AskedWrongly, match=f"^{missing}: is missing; add {missing}="):
        asked_range([(name, text) for name, text in NIGHT.items() if name != missing])


def test_a_value_given_twice_is_refused():
    with pytest.raises(AskedWrongly, match=r"^from: is given twice"):
        asked_range(items(NIGHT, {"from": "2026-11-25T19:00:00Z"}))


def test_an_address_without_values_takes_none():
    nothing([])
    with pytest.raises(AskedWrongly, match="takes none"):
        nothing([("from", "2026-11-25")])


def test_days_are_included_at_both_ends():
    (first, last) = ("2026-11-25", "2026-11-25")
    asked = asked_days(items({"from": first, "to": last}))
    assert asked == AskedDays(asked.first, asked.first)
    assert asked.first.isoformat() == first
    with pytest.raises(AskedWrongly, match=r"^to: .* lies before from"):
        asked_days(items({"from": "2026-11-26", "to": "2026-11-25"}))
    with pytest.raises(AskedWrongly, match=r"^from: .* write it like 2026-11-25"):
        asked_days(items({"from": "25.11.2026", "to": "2026-11-25"}))


def test_400_days_are_the_most():
    assert asked_days(items({"from": "2025-10-22", "to": "2026-11-25"})).first.day == 22
    with pytest.raises(AskedWrongly, match="at most 400 days"):
        asked_days(items({"from": "2025-10-21", "to": "2026-11-25"}))


def test_changes_of_alarms_are_given_only_where_asked_for():
    assert asked_history([], NOW_MS) is None
    start_ms, end_ms = asked_history([("from", EVENING["from"])], NOW_MS)
    assert (start_ms, end_ms) == (parse_iso(EVENING["from"]), NOW_MS + 1)
    with pytest.raises(AskedWrongly, match=r"^from: is missing"):
        asked_history([("to", EVENING["to"])], NOW_MS)
