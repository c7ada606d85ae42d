"""What the records of one site say of its present, and what is told where they cannot be used."""

from __future__ import annotations

import json
import zlib
from typing import Any

import pytest

from monitor.clock import PacedClock
from monitor.errors import StoreError
from monitor.records import AlarmState, Quality, Reading, parse_iso
from monitor.served.site_state import SiteState, copy_lag_s, state_of
from monitor.site.mirror_table import SENDING_S
from monitor.store.documents import ChannelEnds, channels_document, document_of
from tests.unit.site_files import MARSH_HIDE

NOW = parse_iso("2026-11-25T20:00:00Z")
VOLTAGE, POWER = "battery_voltage_V", "array_power_W"
MIRROR = """
[[mirrors]]
name = "hub"
url = "https://hub.example"
bucket = "hide"
send = ["all"]
every_s = {}
"""


def site_record(**changes: str) -> dict[tuple[str, str], str]:
    about = {"name": "Marsh hide", "time_zone": "Europe/London", "file": MARSH_HIDE, "origin": "mirror"}
    return {
        ("site", "-"): json.dumps(about | changes),
        ("rank", "-"): json.dumps(["charger", "shunt"]),
    }


def ends(device: str, quantity: str, age_s: int, value: float | None = 12.5, good_age_s: int | None = None):
    flaw = (Quality.MISSING, "line lost") if value is None else ()
    last = Reading(NOW - age_s * 1000, device, quantity, value, *flaw)
    good = last if value is not None else None
    if good_age_s is not None:
        good = Reading(NOW - good_age_s * 1000, device, quantity, 12.0)
    return ChannelEnds(device, quantity, 0, last, None if good is None else 0, good)


def channel(device: str, *some: ChannelEnds) -> dict[tuple[str, str], str]:
    return {("channel", device): channels_document(some)}


def state(present: dict[Any, str], outlook: bytes | None = None, **changes: str) -> SiteState:
    return state_of("Marsh hide", site_record(**changes), present, outlook)


def test_the_newest_readings_come_in_the_order_of_the_devices_rank() -> None:
    found = state(
        {
            **channel("shunt", ends("shunt", VOLTAGE, 5)),
            **channel("estimate", ends("estimate", "state_of_charge", 9)),
            **channel("charger", ends("charger", POWER, 7), ends("charger", VOLTAGE, 6)),
        }
    )
    assert [(each.device, each.quantity) for each in found.latest] == [
        ("charger", VOLTAGE),
        ("charger", POWER),
        ("shunt", VOLTAGE),
        ("estimate", "state_of_charge"),
    ]
    assert found.fault == ""


def test_a_device_was_heard_when_the_newest_of_its_readings_was_and_no_estimate_counts() -> None:
    found = state(
        {
            **channel("charger", ends("charger", POWER, 700), ends("charger", VOLTAGE, 6)),
            **channel("estimate", ends("estimate", "state_of_charge", 9)),
        }
    )
    assert found.heard == {"charger": NOW - 6000}


def test_of_what_is_missing_now_the_last_good_value_is_known() -> None:
    found = state(channel("charger", ends("charger", VOLTAGE, 5, None, good_age_s=300)))
    assert found.latest[0].value is None
    assert found.last_good[VOLTAGE].time_ms == NOW - 300_000


def test_a_devices_name_is_that_of_the_site_file_not_the_one_that_a_tag_can_hold() -> None:
    record = site_record() | {("rank", "-"): json.dumps(["roof  shunt"])}
    found = state_of("Marsh hide", record, channel("roof shunt", ends("roof shunt", VOLTAGE, 5)), None)
    assert [*found.heard] == ["roof  shunt"]


def test_heartbeat_clock_alarms_and_outlook_are_those_of_the_records() -> None:
    alarm = AlarmState("Low voltage", "unacknowledged", NOW, "high", 11.5, "Low voltage: 11.5 V", NOW)
    beat = json.dumps({"time_ms": NOW, "started_ms": NOW - 9, "stopped_ms": None})
    clock = PacedClock(NOW, NOW, 60.0).note()
    outlook = zlib.compress(json.dumps(json.dumps({"sentence": "Lasts."})).encode())
    found = state(
        {
            ("alarm", "Low voltage"): document_of(alarm),
            ("note", "heartbeat"): json.dumps(beat),
            ("note", "clock"): json.dumps(clock),
        },
        outlook,
    )
    assert found.alarms == (alarm,)
    assert found.heartbeat is not None
    assert found.heartbeat.time_ms == NOW
    assert found.clock == clock
    assert found.outlook == {"sentence": "Lasts."}


@pytest.mark.parametrize(("every_s", "lag_s"), [(60, 60 + SENDING_S), (900, 900 + SENDING_S)])
def test_a_copy_may_be_as_late_as_its_mirror(every_s: int, lag_s: float) -> None:
    file = MARSH_HIDE + MIRROR.format(every_s)
    assert state({}, file=file).lag_s == lag_s
    assert copy_lag_s(file) == lag_s
    assert state({}, file=file, origin="store").lag_s is None


def test_a_file_that_cannot_be_used_here_is_told_with_its_line() -> None:
    found = state(
        channel("charger", ends("charger", VOLTAGE, 5)),
        file=MARSH_HIDE.replace('time_zone = "Europe/London"', 'time_zone = "Nowhere"'),
    )
    assert found.site is None
    assert "the site file of Marsh hide: line 6: site.time_zone" in found.fault


@pytest.mark.parametrize(
    ("about", "present", "words"),
    [
        ({("site", "-"): "{"}, {}, "cannot be read (JSONDecodeError)"),
        (site_record(), {("channel", "charger"): '{"battery_voltage_V": {}}'}, "cannot be read (KeyError)"),
        (site_record(), {("note", "heartbeat"): '"{}"'}, "heartbeat note cannot be read"),
        (site_record(), {("note", "clock"): '"{"'}, "cannot be read (JSONDecodeError)"),
        ({("rank", "-"): "[]"}, {}, "its site record is missing"),
    ],
)
def test_records_that_are_spoilt_or_missing_are_told_and_break_nothing(about, present, words: str) -> None:
    found = state_of("Marsh hide", about, present, None)
    assert found.site is None
    assert words in found.fault


def test_an_outlook_that_is_spoilt_is_an_error_of_its_own() -> None:
    found = state({}, zlib.compress(b"{"))
    assert found.site is not None
    with pytest.raises(StoreError, match="the outlook of Marsh hide cannot be read"):
        _ = found.outlook
